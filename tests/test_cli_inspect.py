"""`analyze inspect`: quality alone, through the command."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile

from analyze.__main__ import _run
from analyze.description_findings import in_no_take
from analyze.findings import Finding
from analyze.reports.inspection import print_inspection, verdict
from analyze.spectra.inspection import InspectedTrack

RATE_HZ = 8000
TEXT = """format = 1
[outputs.mains]
kind = "main"
delay_ms = 0.0
[positions.mix]
zone = "audience"
[positions.far]
zone = "audience"
[[captures]]
name = "noise"
feeds = { mains = "take.wav:1" }
mics = { mix = "take.wav:2", far = "far.wav" }
"""


def make(folder: Path, far: np.ndarray | None = None, clipped: bool = False) -> None:
    """A feed of noise, two microphones that hear it; the far one may hold something else."""
    rng = np.random.default_rng(1)
    feed = 0.1 * rng.standard_normal(9 * RATE_HZ)
    mix = 0.4 * np.roll(feed, 200) + 1e-3 * rng.standard_normal(len(feed))
    if clipped:
        mix[30_000:30_010] = 1.0
    far = 0.2 * np.roll(feed, 400) + 1e-3 * rng.standard_normal(len(feed)) if far is None else far
    soundfile.write(folder / "take.wav", np.stack([feed, mix], axis=1), RATE_HZ, subtype="PCM_16")
    soundfile.write(folder / "far.wav", far, RATE_HZ, subtype="PCM_16")
    (folder / "soundcheck.toml").write_text(TEXT, encoding="utf-8")


def inspected(folder: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, list[dict[str, object]]]:
    assert _run(["inspect", str(folder), "--json"]) == 0
    found: dict[str, list[dict[str, object]]] = json.loads(capsys.readouterr().out)
    return found


def test_a_good_take_that_is_short_had_better_be_made_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    make(tmp_path)
    assert _run(["inspect", str(tmp_path)]) == 0
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.startswith("Short, under 10 s: noise. Make it again while all stands")
    assert "Look at this" not in shown.err
    assert "mic far" in shown.err
    found = inspected(tmp_path, capsys)
    assert found["findings"] == []
    assert [(t["kind"], t["name"], t["channel"]) for t in found["tracks"]] == [
        ("feed", "mains", 1),
        ("mic", "mix", 2),
        ("mic", "far", 1),
    ]
    assert {t["length_s"] for t in found["tracks"]} == {9.0}
    assert "noise, 9.0 s" in shown.err
    assert found["tracks"][0]["level_dbfs"] == pytest.approx(-20.0, abs=0.2)
    assert not list(tmp_path.glob("report*"))


def test_what_is_wrong_is_named_with_its_place(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A clipped microphone, and one that holds another take."""
    make(tmp_path, far=0.1 * np.random.default_rng(9).standard_normal(9 * RATE_HZ), clipped=True)
    found = {f["finding"]: f for f in inspected(tmp_path, capsys)["findings"]}
    assert set(found) == {"clipping", "feeds not heard"}
    assert (found["clipping"]["track"], found["clipping"]["at_s"]) == ("mix", 3.75)
    assert (found["feeds not heard"]["track"], found["feeds not heard"]["file"]) == ("far", "far.wav")


def test_a_feed_and_a_microphone_that_are_swapped_are_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The true feed sounds 25 ms before what stands as feed, and 50 ms before the other microphone."""
    make(tmp_path)
    path = tmp_path / "soundcheck.toml"
    swapped = TEXT.replace("take.wav:1", "take.wav:0").replace("take.wav:2", "take.wav:1").replace(":0", ":2")
    path.write_text(swapped, encoding="utf-8")
    (found,) = inspected(tmp_path, capsys)["findings"]
    assert (found["finding"], found["severity"], found["track"]) == ("arrives before it was sent", "error", "mix")
    assert found["value"] == pytest.approx(-25.0, abs=0.2)
    assert "mains (take.wav:2) sounds 25 ms after the microphone at mix (take.wav:1)" in str(found["detail"])


def test_a_delay_that_was_not_in_force_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The sound is there after 25 ms, and behind a delay of 40 ms it would not be; behind the processor it may."""
    make(tmp_path)
    path, delayed = tmp_path / "soundcheck.toml", "delay_ms = 40.0"
    for more, n_found in ((delayed, 1), (f'{delayed}\nfeed_tap = "after"', 0), ("delay_ms = 25.0", 0)):
        path.write_text(TEXT.replace("delay_ms = 0.0", more), encoding="utf-8")
        findings = inspected(tmp_path, capsys)["findings"]
        assert [one["finding"] for one in findings] == ["arrives before it was sent"] * n_found
        assert all(
            "heard at mix after 25.0 ms, and the delay described is 40.00 ms" in one["detail"] for one in findings
        )


def test_noise_that_repeats_itself_is_not_ahead_of_itself(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Heard 225 ms late, it looks as much like noise of 250 ms that is 25 ms early."""
    feed = np.tile(0.1 * np.random.default_rng(3).standard_normal(RATE_HZ // 4), 36)
    make(tmp_path, far=0.2 * np.roll(feed, 1800))
    soundfile.write(tmp_path / "take.wav", np.stack([feed, np.roll(feed, 1800)], axis=1), RATE_HZ, subtype="PCM_16")
    assert inspected(tmp_path, capsys)["findings"] == []


def test_a_microphone_that_holds_the_feed_itself_is_called_that(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Not one that hears it too early for the delay that is described."""
    make(tmp_path)
    data, _ = soundfile.read(tmp_path / "take.wav")
    soundfile.write(tmp_path / "take.wav", data[:, [0, 0]], RATE_HZ, subtype="PCM_16")
    path = tmp_path / "soundcheck.toml"
    path.write_text(TEXT.replace("delay_ms = 0.0", "delay_ms = 20.0"), encoding="utf-8")
    assert [f["finding"] for f in inspected(tmp_path, capsys)["findings"]] == ["same signal"]


def test_a_take_that_is_too_short_is_told_on_site(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    make(tmp_path)
    for name in ("take.wav", "far.wav"):
        data, _ = soundfile.read(tmp_path / name)
        soundfile.write(tmp_path / name, data[: 2 * RATE_HZ], RATE_HZ, subtype="PCM_16")
    assert [f["finding"] for f in inspected(tmp_path, capsys)["findings"]] == ["capture too short"]


def test_many_feeds_at_once_need_a_longer_take(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Twelve need 34.7 s, of the whole take and not of what is looked at."""
    names = [f"out {k}" for k in range(12)]
    text = "format = 1\n" + "".join(f'[outputs."{n}"]\nkind = "main"\ngroup = "{n}"\ndelay_ms = 0\n' for n in names)
    feeds = ", ".join(f'"{n}" = "take.wav:{k}"' for k, n in enumerate(names, 1))
    text += (
        f'[positions.mix]\nzone = "audience"\n[[captures]]\nfeeds = {{ {feeds} }}\nmics = {{ mix = "take.wav:13" }}\n'
    )
    (tmp_path / "soundcheck.toml").write_text(text, encoding="utf-8")
    for seconds, found in ((36, []), (32, ["capture too short"])):
        sent = 0.05 * np.random.default_rng(2).standard_normal((seconds * RATE_HZ, 12))
        heard = np.roll(sent.sum(axis=1), 200) / 4.0
        soundfile.write(tmp_path / "take.wav", np.column_stack([sent, heard]), RATE_HZ, subtype="PCM_16")
        assert [f["finding"] for f in inspected(tmp_path, capsys)["findings"]] == found


def test_a_recorder_of_its_own_is_looked_at_by_itself(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Shorter, at another rate and silent: only the silence is said."""
    make(tmp_path)
    soundfile.write(tmp_path / "far.wav", np.zeros(30_000), 11_025, subtype="PCM_16")
    path = tmp_path / "soundcheck.toml"
    path.write_text(path.read_text(encoding="utf-8") + 'unsynced = ["far.wav"]\n', encoding="utf-8")
    assert [f["finding"] for f in inspected(tmp_path, capsys)["findings"]] == ["silent track"]


def test_nothing_readable_is_an_error(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    make(tmp_path)
    for name in ("take.wav", "far.wav"):
        (tmp_path / name).write_bytes(b"no audio at all")
    assert _run(["inspect", str(tmp_path)]) == 3
    assert "take.wav" in capsys.readouterr().err


def test_what_hardly_stands_over_the_noise_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Heard, for the correlation finds it, but drowned: once for both microphones, and a hum at one of them."""
    rng = np.random.default_rng(2)
    feed = 0.1 * rng.standard_normal(14 * RATE_HZ)
    time_s = np.arange(len(feed)) / RATE_HZ
    loud = 0.12 * rng.standard_normal((2, len(feed)))
    hum = sum(0.02 / k * np.sin(2.0 * np.pi * 50.0 * k * time_s) for k in range(1, 8))
    mix, far = (0.4 * np.roll(feed, 200 * (1 + k)) + loud[k] for k in range(2))
    make(tmp_path)
    soundfile.write(tmp_path / "take.wav", np.stack([feed, mix], axis=1), RATE_HZ, subtype="PCM_16")
    soundfile.write(tmp_path / "far.wav", far, RATE_HZ, subtype="PCM_16")
    assert _run(["inspect", str(tmp_path)]) == 0
    said = " ".join(capsys.readouterr().err.split())
    assert said.startswith("Look at this before you run it: noise (little level over the noise).")
    assert said.count("): little level over the noise") == 1
    assert "warning (noise, mix, far): little level over the noise" in said
    soundfile.write(tmp_path / "far.wav", far - loud[1] + hum, RATE_HZ, subtype="PCM_16")
    soundfile.write(tmp_path / "take.wav", np.stack([feed, mix - loud[0]], axis=1), RATE_HZ, subtype="PCM_16")
    assert _run(["inspect", str(tmp_path)]) == 0
    said = " ".join(capsys.readouterr().err.split())
    assert "(noise, far): mains hum" in said
    assert "little level" not in said


def test_the_verdict_says_what_can_be_run_and_what_to_mend() -> None:
    """Takes by what is gravest in each; what has no take is of the description."""
    tracks = [InspectedTrack(f"take {k}", "feed", "a", "a.wav", 1, 20.0, -20.0, -9.0, 20.0) for k in range(6)]
    found = [
        Finding("guesses in the description", "warning", ""),
        *(Finding("clipping", "warning", "", f"take {k}") for k in (1, 2)),
        Finding("copied take", "error", "", "take 2"),
        Finding("few seats", "note", "", "take 3"),
        Finding("capture unreadable", "error", "", "take 7"),
        Finding("not recorded yet", "note", "", "take 8"),
    ]
    assert verdict(tracks, found) == [
        "4 of 7 takes have no error and no warning.",
        "Mend before you run it: take 2 (copied take and clipping) and take 7 (capture unreadable).",
        "Look at this before you run it: the description (guesses in the description) and take 1 (clipping).",
        "Not recorded yet: 1 take.",
    ]
    many = [Finding("clipping", "warning", "", f"take {k}") for k in range(6)]
    assert verdict(tracks, many) == [
        "Look at this before you run it: take 0 (clipping), take 1 (clipping), take 2 (clipping) and 3 more."
    ]


def test_an_output_in_no_take_and_a_short_take_are_said() -> None:
    tracks = [
        InspectedTrack(f"take {k}", "feed", f"out {k}", "a.wav", 1, length_s, -20.0, -9.0, length_s)
        for k, length_s in enumerate((20, 6))
    ]
    assert verdict(tracks, [], ["sub left"]) == [
        "In no take: sub left. Describe its take, record it, or take out what did not play.",
        "Short, under 10 s: take 1. Make it again while all stands: from 20 s on it is surer.",
        "Left to analyze run: wiring, polarity, delays. Exchanged microphones show by tape or name (left, row 5), "
        "or among five if 4 ms apart: look at the patch.",
    ]
    check = SimpleNamespace(outputs=dict.fromkeys(("a", "b")), captures=[SimpleNamespace(feeds={"a": None})])
    assert in_no_take(check) == ("b",)  # type: ignore[arg-type]
    check.captures[0].feeds = {}
    assert in_no_take(check) == ()  # type: ignore[arg-type]


def test_a_long_list_ends_with_the_verdict(capsys: pytest.CaptureFixture[str]) -> None:
    print_inspection(
        [InspectedTrack("noise", "mic", f"m{k}", "a.wav", k, 20.0, -20.0, -9.0, 20.0) for k in range(1, 13)], []
    )
    lines = capsys.readouterr().err.split("\n")
    assert lines[:3] == lines[-4:-1]
    assert lines[0] == "Nothing needs a hand. The take can be run."
    assert lines[1].startswith("Left to analyze run: ")
