"""Microphones on recorders of their own stay there: outputs sound in turn in one capture, and nothing stops."""

from __future__ import annotations

import json
import shutil
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile

from analyze.description import load_sound_check
from analyze.planning import Asked, plan_for
from analyze.planning.describing import planned_text
from analyze.planning.takes import Earlier, plan_rest
from tests.planning.following import record_in_turn
from tests.planning.test_plan_followed import call, decisions
from tests.situations.takes import build_scene, write

HEAD = """\
format = 1
[outputs.main]
kind = "main"
[outputs.sub]
kind = "sub"
[outputs.fill]
kind = "fill"
align_at = ["front"]
feed_tap = "after"
"""
POSITIONS = ("back", "desk", "front", "side")


def capture(name: str, mics: dict[str, str], *unsynced: str | list[str]) -> str:
    tracks = ", ".join(f'{position} = "{track}"' for position, track in mics.items())
    feeds = f'feeds = {{ main = "rec/{name}.wav:1" }}'
    return f'[[captures]]\nname = "{name}"\n{feeds}\nmics = {{ {tracks} }}\nunsynced = {json.dumps(unsynced)}\n'


def asked(folder: Path, *captures: str, n_microphones: int | None = None, on_stage: str = "") -> Asked:
    zones = {name: "stage" if name == on_stage else "audience" for name in POSITIONS}
    positions = "".join(f'[positions.{name}]\nzone = "{zone}"\n' for name, zone in zones.items())
    (folder / "soundcheck.toml").write_text(HEAD + positions + "".join(captures), encoding="utf-8")
    return plan_for(folder, n_microphones)


ALL_APART = capture("music", {name: f"rec/{name}.wav" for name in POSITIONS}, *(f"rec/{p}.wav" for p in POSITIONS))
TWO_APART = capture(
    "music",
    {"desk": "rec/m.wav:2", "side": "rec/m.wav:3", "front": "rec/f.wav", "back": "./rec//b.wav"},
    "rec/b.wav",
    "rec/f.wav",
)


def planned(found: Asked) -> str:
    return planned_text(found.check.source.decode(), found.plan, found.check)


def recorded(folder: Path, text: str) -> Path:
    """A description with all of its files, as many tracks as it names."""
    folder.mkdir()
    (folder / "soundcheck.toml").write_text(text, encoding="utf-8")
    n_tracks: dict[str, int] = {}
    for one in tomllib.loads(text)["captures"]:
        for track in (*one["feeds"].values(), *one["mics"].values()):
            file, _, channel = track.rpartition(":")
            n_tracks[file] = max(n_tracks.get(file, 0), int(channel))
    for file, n in n_tracks.items():
        soundfile.write(folder / file, np.zeros((9, n)), 8000)
    return folder


def test_one_capture_of_a_round_with_a_file_of_every_recorder(tmp_path: Path) -> None:
    (one,) = load_sound_check(recorded(tmp_path / "day", planned(asked(tmp_path, ALL_APART)))).captures
    assert [(name, track.file, track.channel) for name, track in one.feeds.items()] == [
        ("main", "001_feeds.wav", 1),
        ("sub", "001_feeds.wav", 2),
        ("fill", "001_feeds.wav", 3),
    ]
    own = ["002_recorder_back.wav", "003_recorder_desk.wav", "004_recorder_front.wav", "005_recorder_side.wav"]
    assert [track.file for track in one.mics.values()] == own
    assert one.unsynced == tuple((file,) for file in own)


def test_wired_microphones_stay_beside_the_feeds(tmp_path: Path) -> None:
    found = asked(tmp_path, TWO_APART)
    check = load_sound_check(recorded(tmp_path / "day", planned(found)))
    (one,) = check.captures
    tracks = {name: (track.file, track.channel) for name, track in one.mics.items()}
    assert tracks["desk"] == ("001_feeds.wav", 4)
    assert tracks["side"] == ("001_feeds.wav", 5)
    assert (tracks["front"], tracks["back"]) == (("002_recorder_front.wav", 1), ("003_recorder_back.wav", 1))
    assert found.plan.n_tracks == 5
    assert check.outputs["fill"].feed_tap == "after"  # each feed has its own track, as before


def test_planned_again_it_is_the_same(tmp_path: Path) -> None:
    found = asked(tmp_path, TWO_APART)
    (tmp_path / "soundcheck.toml").write_text(planned(found), encoding="utf-8")
    again = plan_for(tmp_path)
    assert planned(again).partition("[[captures]]")[2] == planned(found).partition("[[captures]]")[2]


def test_only_what_was_on_its_own_recorder_in_every_capture_stays_there(tmp_path: Path) -> None:
    wired = capture("noise", {"front": "n.wav:2", "desk": "n.wav:3"})
    assert list(asked(tmp_path, TWO_APART, wired).plan.own_recorders.values()) == [("back",)]
    assert asked(tmp_path, wired).plan.own_recorders == {}


@pytest.mark.parametrize("own", [(["rec/b.wav", "rec/f.wav"],), ("rec/pair.wav",)])
def test_positions_that_share_a_recorder_share_its_file(tmp_path: Path, own: tuple[str | list[str]]) -> None:
    pair = {"back": "rec/b.wav", "front": "rec/f.wav"}
    if own == ("rec/pair.wav",):
        pair = {"back": "rec/pair.wav:1", "front": "rec/pair.wav:2"}
    found = asked(tmp_path, capture("music", {**pair, "desk": "rec/m.wav:2", "side": "rec/m.wav:3"}, *own))
    assert list(found.plan.own_recorders.items()) == [("002_recorder_back_front.wav", ("back", "front"))]
    check = load_sound_check(recorded(tmp_path / "day", planned(found)))
    assert [(check.captures[0].mics[name].channel) for name in ("back", "front")] == [1, 2]
    assert any("one with back and front" in item for item in found.checklist.setting_up)


def test_a_file_per_recorder_and_round(tmp_path: Path) -> None:
    """A round without such a recorder is recorded as ever."""
    found = asked(tmp_path, TWO_APART, n_microphones=2)
    names = [(takes[0].name, takes[0].file, takes[0].positions) for takes in found.plan.captures]
    assert names[0] == ("main alone", "001_main.wav", ("desk", "side"))
    assert names[-1] == ("outputs in turn", "004_feeds.wav", ("front", "back"))
    assert [where[:8] for where, _ in found.checklist.rounds] == ["Round 1.", "Round 2."]
    both = asked(tmp_path, ALL_APART, n_microphones=2)
    assert [takes[0].name for takes in both.plan.captures] == ["outputs in turn", "outputs in turn 2"]
    assert list(both.plan.own_recorders)[2:] == ["005_recorder_front.wav", "006_recorder_side.wav"]
    assert len(load_sound_check(recorded(tmp_path / "day", planned(both))).captures) == 2


def test_the_list_says_when_recorders_are_started_and_stopped(tmp_path: Path) -> None:
    said = asked(tmp_path, TWO_APART).checklist
    items = " ".join(said.setting_up)
    assert said.lead.startswith("3 outputs in turn, 40 s each, on 5 tracks and 2 recorders of their own: about")
    assert "Recorders of their own: front; back. Start them and the recorder of the feeds before the first" in items
    assert "stop them after its last, without a stop in between: one file per recorder and round" in items
    assert "of main and sub where it enters the processor; of fill behind the processor" in items
    assert "one file per take" not in items
    ((where, takes),) = said.rounds
    assert where == (
        "Tracks of 001_feeds.wav: 1 main, 2 sub, 3 fill, 4 desk, 5 side. Recorders of their own, "
        "002_recorder_front.wav: front; 003_recorder_back.wav: back"
    )
    assert {take.seconds for take in takes} == {40.0}


APART = (
    "fill was recorded on a recorder with a clock of its own, which does not tell when it arrives against main: record "
    "both in one take, each with a mix of its own, or feeds and microphones on one recorder."
)


def test_of_a_report_every_output_sounds_again_in_place_of_the_earlier_takes(tmp_path: Path) -> None:
    """Of two captures only one counts where a recorder of its own heard both."""
    found = asked(tmp_path, ALL_APART)
    plan = plan_rest(
        found.check,
        {"fill": APART},
        earlier=[Earlier("music", ("main", "sub", "fill"), POSITIONS)],
        own=[(name,) for name in POSITIONS],
    )
    assert not plan.is_rest
    assert [take.output for take in plan.takes] == ["main", "sub", "fill"]
    assert plan.takes[-1].why.endswith("against main: record both in one take, as here.")
    said = Asked("x", found.check, plan).checklist
    assert any("in place of the earlier takes, which the new description leaves out" in one for one in said.setting_up)
    assert any("into one new folder" in one for one in said.afterwards)
    assert not any("earlier takes" in one for one in said.afterwards)
    source = found.check.source.decode()
    assert "music" not in planned_text(source, plan, found.check)
    # what was set that evening may have been changed since, as the report asks
    set_then = 'kind = "sub"\ndelay_ms = 4.5\n'
    of_then = planned_text(source.replace('kind = "sub"\n', set_then), plan, found.check, is_of_report=True)
    assert "delay_ms = 4.5  # guess: as it was; write delay and polarity that the processor shows now" in of_then


def test_where_no_recorder_of_its_own_has_to_hear_it_takes_come_on_top(tmp_path: Path) -> None:
    check = asked(tmp_path, ALL_APART, on_stage="side").check
    plan = plan_rest(check, {"fill": "x"}, earlier=[Earlier("music", ("main",), ("front",))], own=[("side",)])
    assert plan.is_rest
    assert plan.own_recorders == {}


def test_followed_to_the_letter_the_far_seat_decides(tmp_path: Path) -> None:
    """The tower is lined up at a seat whose microphone is on a recorder of its own."""
    scene = build_scene(2)
    write(scene, tmp_path / "rig", [])
    path = tmp_path / "rig" / "soundcheck.toml"
    own = '[[captures]]\nfeeds = { wedge = "a.wav" }\nmics = { back = "b.wav" }\nunsynced = ["b.wav"]\n'
    path.write_text(path.read_text(encoding="utf-8") + own, encoding="utf-8")
    assert call("plan", path, "--out", tmp_path / "plan") == 0
    visit = tmp_path / "visit"
    visit.mkdir()
    shutil.copy(tmp_path / "plan" / "soundcheck.toml", visit)
    record_in_turn(scene, visit, seconds=12.0, quiet_s=2.0, seed=1)
    call("run", visit, "--out", tmp_path / "report", "--quiet")
    found = decisions(tmp_path / "report")
    assert found["delay tower"] == "keep"
    results = json.loads((tmp_path / "report" / "results.json").read_text(encoding="utf-8"))
    assert {row["finding"] for row in results["quality"]}.isdisjoint(
        ("not comparable on its own clock", "output not heard")
    )
