"""The order of the microphones on a list is that of the tracks on which they were recorded."""

from __future__ import annotations

from pathlib import Path

import pytest

from analyze.planning import plan_for

ORDER = ("mix", "front", "left", "back", "centre", "drummer")
HEAD = 'format = 1\n[outputs.main]\nkind = "main"\n[outputs.sub]\nkind = "sub"\n'


def planned(folder: Path, captures: str, n_microphones: int | None = None) -> list[tuple[str, ...]]:
    """The microphones of every round, where the description has its positions in alphabetical order."""
    positions = "".join(f'[positions.{name}]\nzone = "audience"\n' for name in sorted(ORDER))
    (folder / "soundcheck.toml").write_text(HEAD + positions + captures, encoding="utf-8")
    return [round_[0].positions for round_ in plan_for(folder, n_microphones).plan.rounds]


def take(names: tuple[str, ...], file: str = "take.wav", first: int = 2) -> str:
    """A capture with microphones on tracks one after the other, written from the last to the first."""
    mics = [f'{name} = "{file}:{track}"' for track, name in enumerate(names, first)]
    return f'[[captures]]\nfeeds = {{ main = "{file}:1" }}\nmics = {{ {", ".join(reversed(mics))} }}\n'


def test_microphones_keep_the_tracks_of_the_recordings(tmp_path: Path) -> None:
    assert planned(tmp_path, take(ORDER)) == [ORDER]
    assert planned(tmp_path, take(ORDER, first=9)) == [ORDER]  # 9 comes before 10
    assert planned(tmp_path, take(ORDER), 4) == [ORDER[:4], ORDER[4:]]


def test_rounds_come_one_after_the_other(tmp_path: Path) -> None:
    assert planned(tmp_path, take(ORDER[:3], "a.wav") + take(ORDER[3:], "b.wav")) == [ORDER]


def test_a_take_with_more_microphones_says_more_of_their_order(tmp_path: Path) -> None:
    apart = ", ".join(f'{name} = "{name}.wav"' for name in sorted(ORDER))
    each = f'[[captures]]\nfeeds = {{ sub = "s.wav" }}\nmics = {{ {apart} }}\n'
    stage = take(("centre", "drummer"), "wedge.wav")
    assert planned(tmp_path, each + stage + take(ORDER)) == [ORDER]


def test_positions_in_no_capture_come_last(tmp_path: Path) -> None:
    assert planned(tmp_path, take(("mix", "left"))) == [("mix", "left", "back", "centre", "drummer", "front")]


@pytest.mark.parametrize(
    "captures", ["", "captures = 1\n", "captures = [1]\n", "[[captures]]\nmics = 1\n", "[[captures]]\nmics = {mix=1}\n"]
)
def test_captures_that_say_nothing_leave_the_order_of_the_description(tmp_path: Path, captures: str) -> None:
    if captures.startswith("captures"):  # a key of the whole stands before the first table
        (tmp_path / "soundcheck.toml").write_text(
            captures + HEAD + '[positions.b]\nzone = "audience"\n[positions.a]\nzone = "audience"\n', encoding="utf-8"
        )
        assert [take.positions for take in plan_for(tmp_path).plan.takes] == [("b", "a")] * 2
    else:
        assert planned(tmp_path, captures) == [tuple(sorted(ORDER))]
