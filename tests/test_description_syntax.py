"""A description that is no TOML: the line, what the parser says, and the mend that its look suggests."""

from __future__ import annotations

from pathlib import Path

import pytest

from analyze.description import load_outline
from analyze.errors import DescriptionError
from tests.description_example import edited, refusal


@pytest.mark.parametrize(
    ("old", "new", "start", "mend"),
    [
        (
            '"main"',
            "<here>main",
            "not valid TOML at column 8: this line cannot be read.",
            'Text stands in quotes: "main".',
        ),
        (
            '"main"',
            "<here>“main”",
            "not valid TOML at column 8: this line cannot be read.",
            "Quotes as a word processor makes them",
        ),
        ('"main"', "<here>[main", "not valid TOML at column 9: Invalid value.", "Text needs double quotes, numbers"),
        (
            '"main"',
            '<here>"tower',
            "not valid TOML at column 14: a quote is open in this line.",
            'Text stands between two quotes, one before it and one behind: "tower".',
        ),
        ('"take1.wav:1"', '<here>"take1.wav:1', "not valid TOML at column", "Text stands between two quotes"),
        ('"lawn"', '<here>lawn"', "not valid TOML at column 13: a quote is open in this line.", "Text stands between"),
        (
            "1.5",
            "<here>1,5",
            "not valid TOML at column 13: this line cannot be read.",
            "The decimal sign is a point: 1.5.",
        ),
        (
            "1.5",
            "<here>1.5 ms",
            "not valid TOML at column 16: this line cannot be read.",
            "The unit stands in the name of the key: write the number alone, in that unit.",
        ),
        ("2026-05-14", "<here>14.05.2026", "not valid TOML at column", "A day is year-month-day: 2026-05-14."),
        (
            '"handheld.wav"',
            r'"C:\handheld.wav"',
            "not valid TOML at column 43: Unescaped",
            "In double quotes a backslash",
        ),
        ('"handheld.wav"', r'"C:\Users\walk.wav"', "not valid TOML at column 43: Invalid hex", "In double quotes a"),
        (
            'kind = "sub"',
            'kind = "sub"\n<here>kind = "sub"',
            "not valid TOML at column",
            "A key or table may stand only once",
        ),
        ("[outputs.wedge]", "<here>[outputs.tower]", "[outputs.tower] stands twice (lines 34 and 39).", "Delete one"),
        ("[[captures]]\nfeeds", "<here>[captures]\nfeeds", "not valid TOML at column", "Every take begins with [[capt"),
        ("feed_tap =", "feed_tap", "not valid TOML at column 10: Expected '='", "Each line is a [table] header"),
    ],
)
def test_syntax(tmp_path: Path, old: str, new: str, start: str, mend: str) -> None:
    text, line = edited(old, new)
    first, last = refusal(tmp_path, text)
    assert first.startswith(f"soundcheck.toml:{line}: {start}")
    assert last.startswith(mend)


def test_text_that_ends_too_early(tmp_path: Path) -> None:
    assert refusal(tmp_path, 'format = 1\ntitle = """a\nb') == [
        "soundcheck.toml:3: not valid TOML: Unterminated string.",
        "The quotes opened in this text are never closed.",
    ]


def test_all_tables_that_stand_twice_are_named(tmp_path: Path) -> None:
    """Also behind the line that was refused; a table of every take is none of them."""
    takes = "[[captures]]\n[captures.settings.mains]\ndelay_ms = 1\n" * 2 + "[captures.settings.mains]\n"
    text = '[positions."far back"]\n[positions.mix]\n[positions."far back"]\n[positions.mix]\n[positions.mix] # 3\n'
    assert refusal(tmp_path, text + takes) == [
        'soundcheck.toml:3: [positions."far back"] stands twice (lines 1 and 3).',
        "soundcheck.toml:4: [positions.mix] stands 3 times (lines 2, 4 and 5).",
        "soundcheck.toml:12: [captures.settings.mains] stands twice (lines 10 and 12).",
        "Delete one of them, or give it the name of another.",
    ]


def test_of_a_long_line_with_an_open_quote_what_stands_before_the_place_is_shown(tmp_path: Path) -> None:
    """A line of many microphones is not counted to its column 70."""
    line = 'mics = { "mix" = "night.wav:2", "front row" = "night.wav:3, "back" = "night.wav:4" }'
    (tmp_path / "soundcheck.toml").write_text(f"format = 1\n{line}\n", encoding="utf-8")
    with pytest.raises(DescriptionError, match=r'at or before row" = "night\.wav:3, "\.'):
        load_outline(tmp_path)
    line = 'mics = { mix = "a_name_that_is_longer_than_what_is_shown.wav:2 }'
    (tmp_path / "soundcheck.toml").write_text(f"format = 1\n{line}\n", encoding="utf-8")
    with pytest.raises(DescriptionError, match=r"at or before \S"):
        load_outline(tmp_path)
