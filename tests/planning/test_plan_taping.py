"""Distances by tape: what is known is printed, the rest is asked for, at seats near the output."""

from __future__ import annotations

import tomllib
from pathlib import Path

from analyze.archive.opening import ReportRead
from analyze.description import load_outline
from analyze.planning import plan_for
from analyze.planning.again import Before
from analyze.planning.asked import _nearest
from analyze.planning.checklist import checklist
from analyze.planning.describing import planned_text
from analyze.planning.takes import plan_all

RIG = """\
format = 1
[outputs.main]
kind = "main"
[outputs.sub]
kind = "sub"
[outputs.tower]
kind = "tower"
align_at = ["lawn", "back"]
[outputs.fill]
kind = "fill"
align_at = ["front"]
"""


def seats(**metres: str) -> str:
    """Positions with the distances that are known, as they stand in a description."""
    return "".join(
        f'[positions.{name}]\nzone = "audience"\n{f"distance_m = {{ {known} }}" if known else ""}\n'
        for name, known in metres.items()
    )


def taping(folder: Path, text: str) -> list[str]:
    """What the list says of distances."""
    (folder / "soundcheck.toml").write_text(text, encoding="utf-8")
    asked = plan_for(folder)
    return [item for item in checklist(asked.check, asked.plan).setting_up if item.startswith(("By tape", "Taped"))]


def test_known_distances_are_printed_and_not_asked_for(tmp_path: Path) -> None:
    asked, known = taping(tmp_path, RIG + seats(back="", lawn="", mix="main = 24.5, sub = 23", front="fill = 2.25"))
    assert asked.startswith("By tape, from main to back ____ m, lawn ____ m, front ____ m; from tower to lawn ____ m. ")
    assert known.startswith("Taped already, from main to mix 24.5 m; from sub to mix 23 m; from fill to front 2.25 m. ")


def test_where_all_is_known_nothing_is_asked_for(tmp_path: Path) -> None:
    (known,) = taping(
        tmp_path,
        RIG
        + seats(lawn="main = 60, tower = 8", back="main = 70", front="main = 9, fill = 2")
        + '[positions.mix]\nzone = "audience"\ndistance_m = { main = 24.5, sub = 23 }\n',
    )
    assert known.startswith("Taped already, from main to lawn 60 m, back 70 m, front 9 m, mix 24.5 m; from sub")


def test_a_seat_near_an_output_is_taken_and_not_that_of_a_tower(tmp_path: Path) -> None:
    (asked,) = taping(tmp_path, RIG + seats(back="", lawn="", mix="", front=""))
    assert "from sub to mix ____ m; from tower to lawn ____ m; from fill to front ____ m" in asked
    known = seats(lawn="main = 60", back="main = 50", mix="main = 24", front="main = 9")
    asked, _ = taping(tmp_path, RIG + known)
    assert "from sub to front ____ m; from tower to back ____ m; from fill to front ____ m" in asked
    only = RIG.replace('["front"]', '["lawn"]') + seats(back="", lawn="")
    assert "from sub to back ____ m" in taping(tmp_path, only)[0]  # there is no other seat


def test_blanks_of_the_description_are_for_what_is_not_known(tmp_path: Path) -> None:
    taping(tmp_path, RIG + seats(back="", lawn="main = 60", mix="main = 24.5, sub = 23", front="fill = 2"))
    asked = plan_for(tmp_path)
    text = planned_text(asked.check.source.decode(), asked.plan, asked.check)
    assert "[positions.back]\n# distance_m = { main = ____ }  # metres by tape" in text
    assert "[positions.lawn]\n# more for distance_m, metres by tape, to be written there: tower = ____\n" in text
    assert '[positions.mix]\nzone = "audience"' in text
    assert "[positions.front]\n# more for distance_m, metres by tape, to be written there: main = ____\n" in text
    assert tomllib.loads(text)["positions"]["front"]["distance_m"] == {"fill": 2}
    (tmp_path / "soundcheck.toml").write_text(text, encoding="utf-8")
    again = plan_for(tmp_path)
    assert planned_text(text, again.plan, again.check) == text


def test_of_what_was_heard_the_nearest_seat_is_taken(tmp_path: Path) -> None:
    text = RIG.replace('align_at = ["lawn", "back"]\n', "") + '[outputs.wedge]\nkind = "monitor"\n'
    stage = "".join(f'[positions.{name}]\nzone = "stage"\n' for name in ("drums", "keys"))
    (tmp_path / "soundcheck.toml").write_text(text + seats(back="", mix="", front="") + stage, encoding="utf-8")
    check = load_outline(tmp_path)
    arrivals = [
        ("take", "sub", "back", 80.0),
        ("take", "sub", "front", 9.0),
        ("take", "sub", "keys", 2.0),
        ("take", "sub", "mix", None),
        ("own clock", "sub", "mix", 1.0),
        ("take", "tower", "back", 12.0),
        ("take", "tower", "front", 90.0),
        ("take", "fill", "mix", 3.0),
        ("take", "wedge", "drums", 9.0),
        ("take", "wedge", "keys", 3.0),
    ]
    keys = ("capture", "output", "position", "arrival_ms")
    captures = [{"name": "take"}, {"name": "own clock", "unsynced": [["a.wav"]]}]
    results = {
        "arrivals": [dict(zip(keys, row, strict=True)) for row in arrivals],
        "sound_check": {"captures": captures},
    }
    nearest = _nearest(ReportRead(tmp_path, tmp_path, False, results), check)
    asked = next(
        item for item in checklist(check, plan_all(check), (), Before(nearest)).setting_up if item.startswith("By tape")
    )
    ways = "from sub to front ____ m; from tower to back ____ m; from fill to front ____ m; from wedge to keys ____ m"
    assert ways in asked
