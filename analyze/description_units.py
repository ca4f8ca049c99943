"""What a value that was written in another unit is in the unit of its key: feet and inches, degrees Fahrenheit.

The format has metres and degrees Celsius alone. Nothing is converted unseen: the refusal says which number to type.
"""

from __future__ import annotations

import math
import re

#: International foot: 0.3048 m exactly, 12 inches (1959).
METRES_PER_FOOT, _INCHES_PER_FOOT = 0.3048, 12

#: `6`, `6.5`, `6,5`, `6 1/2`, `1/2`: no more digits than a distance has.
_FRACTION = "[0-9]{1,3}/[1-9][0-9]{0,2}"
_AMOUNT = rf"(?:{_FRACTION}|[0-9]{{1,6}}(?:[.,][0-9]{{1,6}})?(?:[ -]{_FRACTION})?)"
#: Units as they are written; no letter follows.
_FEET_UNIT, _INCH_UNIT = r"(?:(?:feet|foot|ft)(?![a-z])\.?|['′’](?!'))", r"(?:(?:inches|inch|in)(?![a-z])\.?|[\"″”]|'')"
_FEET = re.compile(
    rf"(?P<feet>{_AMOUNT}) ?{_FEET_UNIT}(?:,? ?(?P<inches>{_AMOUNT})(?: ?{_INCH_UNIT})?)?", re.IGNORECASE
)
_INCHES = re.compile(rf"(?P<inches>{_AMOUNT}) ?{_INCH_UNIT}", re.IGNORECASE)
_FAHRENHEIT = re.compile(r"(-?[0-9]{1,4}(?:[.,][0-9]{1,4})?) ?(?:°|deg(?:rees?)?\.?)? ?F(?:ahrenheit)?", re.IGNORECASE)

#: A number and what follows it behind an equals sign, up to the comma, bracket or comment that ends the value.
_UNQUOTED = re.compile(r"=\s*(-?[0-9](?:[^=,{}#]|,\s*[0-9])*)")


def metres_meant(text: str) -> float:
    """The metres that a text in feet and inches is, NaN if it is none.

    >>> round(metres_meant("42 ft 6"), 3), round(metres_meant("6 1/2 ft"), 3), metres_meant("42")
    (12.954, 1.981, nan)
    """
    found = _FEET.fullmatch(text) or _INCHES.fullmatch(text)
    if found is None:
        return math.nan
    amounts = found.groupdict()
    return METRES_PER_FOOT * (_amount(amounts.get("feet")) + _amount(amounts["inches"]) / _INCHES_PER_FOOT)


def celsius(fahrenheit: float) -> float:
    """Degrees Celsius: by the definition of both scales 32 °F are 0 °C and 212 °F are 100 °C.

    >>> celsius(32.0), celsius(212.0)
    (0.0, 100.0)
    """
    return (fahrenheit - 32.0) / 1.8


def mend_of_unit(text: str) -> str:
    """What to write for a text in feet, inches or Fahrenheit; empty if it is in none of them.

    >>> mend_of_unit("42 ft 6")
    '42 ft 6 is 12.95 m (feet times 0.3048, inches times 0.0254): write 12.95.'
    >>> mend_of_unit("59 F")
    '59 F is 15 °C (minus 32, divided by 1.8): write 15.'
    """
    written = " ".join(text.split())
    if not math.isnan(metres := metres_meant(written)):
        number = _typed(metres, 2)
        return f"{written} is {number} m (feet times 0.3048, inches times 0.0254): write {number}."
    if found := _FAHRENHEIT.fullmatch(written):
        number = _typed(celsius(float(found[1].replace(",", "."))), 1)
        return f"{written} is {number} °C (minus 32, divided by 1.8): write {number}."
    return ""


def mend_of_number(fahrenheit: float) -> str:
    """What to write if a number that cannot be Celsius was read off in Fahrenheit.

    >>> mend_of_number(59)
    'If that is Fahrenheit, 59 °F is 15 °C (minus 32, divided by 1.8): write 15.'
    """
    return f"If that is Fahrenheit, {mend_of_unit(f'{_typed(fahrenheit, 4)} °F')}"


def mend_of_line(line: str) -> str:
    """The same for a value without quotes in a line that cannot be read; empty if none is in another unit.

    >>> mend_of_line("distance_m = { mains = 11 ft }")
    '11 ft is 3.35 m (feet times 0.3048, inches times 0.0254): write 3.35.'
    """
    return next(filter(None, map(mend_of_unit, _UNQUOTED.findall(line))), "")


def _amount(text: str | None) -> float:
    """A number, a fraction, or one behind the other; nothing is 0."""
    total = 0.0
    for part in re.split("[ -]", (text or "0").replace(",", ".")):
        above, _, below = part.partition("/")
        total += float(above) / float(below or 1)
    return total


def _typed(number: float, decimals: int) -> str:
    """A number as it is typed, without zeros at its end or a sign of nothing."""
    return f"{round(number, decimals) + 0.0:.10g}"
