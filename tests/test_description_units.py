"""Notes in feet, inches, Fahrenheit and of buttons: the refusal says what to type.

A foot is 0.3048 m exactly (1959), an inch a twelfth of it.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from analyze.description_units import celsius, mend_of_line, mend_of_unit, metres_meant
from analyze.description_words import button_meant, value_meant
from tests.description_example import edited, refusal, write_files

RULE = "(feet times 0.3048, inches times 0.0254)"


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("42 ft 6", 42.5 * 0.3048),
        ("42 FT 6 IN", 42.5 * 0.3048),
        ("42ft6in", 42.5 * 0.3048),
        ("42 ft. 6 in.", 42.5 * 0.3048),
        ("42 feet, 6 inches", 42.5 * 0.3048),
        ("42' 6\"", 42.5 * 0.3048),
        ("42’6″", 42.5 * 0.3048),
        ("42'6''", 42.5 * 0.3048),
        ("42.5 ft", 42.5 * 0.3048),
        ("42,5 ft", 42.5 * 0.3048),
        ("6 1/2 ft", 6.5 * 0.3048),
        ("11 ft 3 1/4", (11 + 3.25 / 12) * 0.3048),
        ("1/2 ft", 0.5 * 0.3048),
        ("1 foot", 0.3048),
        ("18 in", 1.5 * 0.3048),
        ('18"', 1.5 * 0.3048),
    ],
)
def test_feet_and_inches_are_metres(text: str, metres: float) -> None:
    assert metres_meant(text) == pytest.approx(metres, rel=1e-12)


@pytest.mark.parametrize(
    "text", ["", "42", "12.95 m", "ft", "-3 ft", "3 ftx", "1/0 ft", "3 insects", "9" * 4000 + " ft"]
)
def test_what_is_in_no_such_unit_is_none(text: str) -> None:
    assert math.isnan(metres_meant(text))
    assert mend_of_unit(text) == ""


def test_celsius_of_fahrenheit() -> None:
    """Both scales meet at -40; body heat and a cool hall by hand."""
    assert celsius(-40.0) == pytest.approx(-40.0)
    assert celsius(98.6) == pytest.approx(37.0)
    assert celsius(59.0) == pytest.approx(15.0)


@pytest.mark.parametrize("text", ["59 F", "59F", "59 °F", "59°f", "59 deg F", "59 degrees Fahrenheit"])
def test_fahrenheit_however_it_is_written(text: str) -> None:
    assert mend_of_unit(text) == f"{text} is 15 °C (minus 32, divided by 1.8): write 15."


REFUSED = [
    (
        "mains = 24.5",
        'mains = "42 ft 6"',
        "positions.mix.distance_m.mains: wrong type (found '42 ft 6', expected a number). "
        f"42 ft 6 is 12.95 m {RULE}: write 12.95.",
    ),
    (
        "temperature_c = 21.0",
        'temperature_c = "59 F"',
        "temperature_c: wrong type (found '59 F', expected a number). "
        "59 F is 15 °C (minus 32, divided by 1.8): write 15.",
    ),
    (
        "temperature_c = 17.0",
        "temperature_c = 59",
        "captures[2].temperature_c: out of range (found 59, expected -30 to 50 degrees Celsius). "
        "If that is Fahrenheit, 59 °F is 15 °C (minus 32, divided by 1.8): write 15.",
    ),
    (
        'polarity = "inverted"',
        'polarity = "IN"',
        "positions.mix.polarity: unknown polarity (found 'IN', expected normal | inverted). "
        "Write 'inverted': the polarity button is in.",
    ),
    (
        'polarity = "inverted"',
        'polarity = "button out"',
        "positions.mix.polarity: unknown polarity (found 'button out', expected normal | inverted). "
        "Write 'normal': the polarity button is out.",
    ),
    # a delay is no distance: nothing is made of it
    (
        "delay_ms = 1.5",
        'delay_ms = "5 ft"',
        "outputs.mains.delay_ms: wrong type (found '5 ft', expected a number).",
    ),
]


@pytest.mark.parametrize(("old", "new", "message"), REFUSED)
def test_a_refusal_says_what_to_type(tmp_path: Path, old: str, new: str, message: str) -> None:
    text, line = edited(old, new)
    first, _ = refusal(write_files(tmp_path), text)
    assert first == f"soundcheck.toml:{line}: {message}"


@pytest.mark.parametrize(
    ("old", "new", "mend"),
    [
        ("mains = 24.5", "mains = <here>42 ft 6", f"42 ft 6 is 12.95 m {RULE}: write 12.95."),
        ("mains = 24.5", "mains = <here>42 ft, 6 in", f"42 ft, 6 in is 12.95 m {RULE}: write 12.95."),
        ("temperature_c = 21.0", "<here>temperature_c = 59 F", "59 F is 15 °C (minus 32, divided by 1.8): write 15."),
    ],
)
def test_a_unit_without_quotes_is_told_too(tmp_path: Path, old: str, new: str, mend: str) -> None:
    text, line = edited(old, new)
    first, last = refusal(write_files(tmp_path), text)
    assert first.startswith(f"soundcheck.toml:{line}: not valid TOML")
    assert last == mend


def test_other_units_without_quotes_are_left_to_the_general_mend() -> None:
    assert mend_of_line("delay_ms = 1.5 ms") == ""
    assert mend_of_line("mains = 24.5, back = 3 m") == ""


def test_a_button_is_one_of_polarity_alone() -> None:
    assert [value_meant("polarity", text) for text in ("in", "pressed", "out")] == ["inverted", "inverted", "normal"]
    assert button_meant("feed_tap", "in") == ""
    assert value_meant("polarity", "out of phase") == "inverted"
