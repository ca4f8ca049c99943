"""The tables and keys of a description, with types, ranges and enumerated values: one declaration for all of them.

Only what one value shows by itself is checked here; what several must agree on is in `description_checks.py`. Every
key may be absent from the models, so that the rest of a description with mistakes can still be checked.
"""

from __future__ import annotations

import copy
import datetime
import json
import math
import re
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from pydantic_core import PydanticCustomError

from analyze.description_lines import KeyPath, Mistake, did_you_mean, listed, normalised, shown
from analyze.description_units import celsius, mend_of_number, mend_of_unit
from analyze.description_words import button_meant, value_meant

#: Versions of the format that are read.
FORMATS = (1,)

#: Longest name of an output, position, capture, input or group, in characters.
MAX_NAME_CHARACTERS = 200

#: Temperatures that a sound check may have, degrees Celsius.
MIN_TEMPERATURE_C, MAX_TEMPERATURE_C = -30.0, 50.0

#: Largest delay and latency (ms: 3 km of air), step (ms), weight, distance (m), and time in a file (s: a week); finest
#: step (ms: the last decimal that is printed) and smallest weight and distance. No device, room or recorder has others,
#: and their sums and products stay within what numbers hold.
MAX_DELAY_MS, MAX_WEIGHT, MAX_DISTANCE_M, MAX_TIME_S = 10_000.0, 1000.0, 10_000.0, 604_800.0
MIN_STEP_MS, MIN_WEIGHT, MIN_DISTANCE_M = 0.0001, 0.001, 0.001

#: Unicode categories that break a line or are not text: control, line and paragraph separators.
_NOT_IN_NAMES = ("Cc", "Zl", "Zp")


def _refused(problem: str, expected: str = "") -> PydanticCustomError:
    """A mistake found by a validator of ours."""
    return PydanticCustomError("refused", "{problem}", {"problem": problem, "expected": expected})


def _name(text: str) -> str:
    """A name, normalised."""
    if not text.strip():
        raise _refused("empty name", "at least one visible character")
    if len(text) > MAX_NAME_CHARACTERS:
        raise _refused(f"name of {len(text)} characters", f"at most {MAX_NAME_CHARACTERS}")
    if any(unicodedata.category(character) in _NOT_IN_NAMES for character in text):
        raise _refused("control character in a name", "printable text on one line")
    return normalised(text)


def _text(value: object) -> str:
    """Free text; numbers and dates are taken as they are written."""
    if isinstance(value, bool) or not isinstance(value, str | int | float | datetime.date | datetime.time):
        raise _refused("not text", "text in quotes")
    text = value if isinstance(value, str) else shown(value)
    if any(unicodedata.category(character) == "Cc" and character not in "\n\t" for character in text):
        raise _refused("control character in a text", "printable text")
    return text


def _date(value: object) -> str:
    """A day, as ISO 8601 text."""
    if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
        return value.isoformat()
    try:
        return datetime.date.fromisoformat(value if isinstance(value, str) else "").isoformat()
    except ValueError as error:
        raise _refused("not a day", "a day such as 2026-05-14") from error


def _temperature(value: float) -> float:
    """A temperature in degrees Celsius."""
    if not MIN_TEMPERATURE_C <= value <= MAX_TEMPERATURE_C:
        raise _refused("out of range", f"{MIN_TEMPERATURE_C:g} to {MAX_TEMPERATURE_C:g} degrees Celsius")
    return value


def _clocks(value: object) -> object:
    """`unsynced` with every entry as a list of files that share a clock."""
    clocks = [[entry] if isinstance(entry, str) else entry for entry in value] if isinstance(value, list) else [None]
    if not all(isinstance(clock, list) and clock and all(isinstance(file, str) for file in clock) for clock in clocks):
        raise _refused("wrong type", "a list of files, those that share one clock in a list of their own")
    return clocks


Name = Annotated[str, AfterValidator(_name)]
Text = Annotated[str, BeforeValidator(_text)]
Day = Annotated[str, BeforeValidator(_date)]
Temperature = Annotated[float, AfterValidator(_temperature)]
Delay = Annotated[float, Field(ge=-MAX_DELAY_MS, le=MAX_DELAY_MS)]
Latency = Annotated[float, Field(ge=0, le=MAX_DELAY_MS)]
Step = Annotated[float, Field(ge=MIN_STEP_MS, le=MAX_DELAY_MS)]
Weight = Annotated[float, Field(ge=MIN_WEIGHT, le=MAX_WEIGHT)]
Distance = Annotated[float, Field(ge=MIN_DISTANCE_M, le=MAX_DISTANCE_M)]
Time = Annotated[float, Field(ge=0, le=MAX_TIME_S)]
Clocks = Annotated[list[list[str]], BeforeValidator(_clocks)]
Polarity = Literal["normal", "inverted"]
Kind = Literal["main", "sub", "fill", "tower", "monitor"]
Zone = Literal["audience", "stage"]


class _Table(BaseModel):
    """Strict types, no unknown keys, no infinite or undefined numbers."""

    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)


class SettingTable(_Table):
    """What differed in one capture: `settings` of a capture, one output."""

    delay_ms: Delay | None = None
    polarity: Polarity | None = None


class OutputTable(_Table):
    """`[outputs.NAME]`."""

    kind: Kind | None = None
    group: Name | None = None
    delay_ms: Delay = 0.0
    polarity: Polarity = "normal"
    feed_tap: Literal["before", "after"] = "before"
    adjust: Literal["both", "polarity", "delay", "none"] | None = None
    min_delay_ms: Delay = 0.0
    max_delay_ms: Delay = 500.0
    delay_step_ms: Step = 0.01
    can_invert: bool = True
    latency_ms: Latency | None = None
    align_at: list[Name] = []
    later_ms: Delay = 0.0
    device: Text | None = None
    channel: Text | None = None
    preset: Text | None = None


class PositionTable(_Table):
    """`[positions.NAME]`."""

    zone: Zone | None = None
    weight: Weight = 1.0
    polarity: Polarity | None = None
    distance_m: dict[Name, Distance] = {}
    microphone: Text | None = None
    serial: Text | None = None
    calibration: Text | None = None
    measured_by: Text | None = None


class CaptureTable(_Table):
    """`[[captures]]`."""

    name: Name | None = None
    playing: list[Name] | None = None
    start_s: Time = 0.0
    end_s: Time | None = None
    feeds: dict[Name, str] = {}
    mics: dict[Name, str] = {}
    unsynced: Clocks = []
    settings: dict[Name, SettingTable] = {}
    temperature_c: Temperature | None = None
    same_start: bool = False
    inputs: dict[Name, str] = {}
    against: dict[Name, Name] = {}

    @property
    def tracks(self) -> Iterator[str]:
        """Every track that it names, as it was written."""
        for table in (self.feeds, self.mics, self.inputs):
            yield from table.values()

    def name_or_number(self, number: int) -> str:
        """The capture's own name, else its number, which counts from 1."""
        return self.name if self.name is not None else f"capture {number}"


class DescriptionTable(_Table):
    """The whole file."""

    format: int = 1
    title: Text = ""
    date: Day = ""
    temperature_c: Temperature = 20.0
    reference: Name | None = None
    venue: Text | None = None
    engineer: Text | None = None
    notes: Text | None = None
    humidity_percent: Text | None = None
    outputs: dict[Name, OutputTable] = {}
    positions: dict[Name, PositionTable] = {}
    captures: list[CaptureTable] = []


#: What may stand where a value has the wrong type, by the validator's name of the error.
_EXPECTED_TYPES = {
    "string_type": "text in quotes",
    "float_type": "a number",
    "finite_number": "a finite number",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "list_type": "a list",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
}

#: The same for keys that are often written as another kind of table.
_EXPECTED_TABLES = {
    "outputs": "tables headed [outputs.NAME]",
    "positions": "tables headed [positions.NAME]",
    "captures": "tables headed [[captures]], with double brackets",
}

# A number in quotes, with or without a unit.
_NUMBER = re.compile(r"\s*(-?\d+(?:[.,]\d+)?)\s*(°?[^\W\d_]*)\s*")

_BOUNDS = {"greater_than_equal": ("ge", "a number of at least"), "less_than_equal": ("le", "a number of at most")}


def validated(document: Mapping[str, Any]) -> tuple[DescriptionTable, list[Mistake]]:
    """A parsed description as tables, and what is wrong with single values; those are left out of the tables."""
    try:
        return DescriptionTable.model_validate(document), []
    except ValidationError as error:
        details = error.errors(include_url=False)
    mistakes = [_mistake(detail["type"], detail["loc"], detail["input"], detail.get("ctx", {})) for detail in details]
    rest = copy.deepcopy(dict(document))
    for detail in details:
        _leave_out(rest, detail["loc"])
    return DescriptionTable.model_validate(rest), mistakes


def format_mistake(document: Mapping[str, Any]) -> Mistake | None:
    """The mistake if the format is absent or not one that is read; None if all is well."""
    known = " | ".join(str(number) for number in FORMATS)
    if "format" not in document:
        meant = next((key for key in document if did_you_mean(key, ["format"])), None)
        return Mistake(("format",) if meant is None else (meant,), "format is missing", expected=f"format = {known}")
    number = document["format"]
    is_number = isinstance(number, int) and not isinstance(number, bool)
    if is_number and number in FORMATS:
        return None
    hint = "Newer formats need a newer version of the program." if is_number and number > max(FORMATS) else ""
    return Mistake(("format",), "unknown format", shown(number), known, hint=hint)


def _mistake(kind: str, place: KeyPath, value: object, context: Mapping[str, Any]) -> Mistake:
    """One error of the validator in words of ours."""
    key = place[:-1] if place[-1] == "[key]" else place
    if kind == "extra_forbidden":
        keys = _known_keys(key)
        return Mistake(key, "unknown key", shown(key[-1]), listed(keys), str(key[-1]), keys)
    if kind == "literal_error":
        choices = tuple(re.findall(r"'([^']*)'", context["expected"]))
        word = value if isinstance(value, str) else ""
        meant = value_meant(str(key[-1]), word or shown(value))
        if not meant or meant == did_you_mean(word, choices):  # none, or said anyway
            return Mistake(key, f"unknown {key[-1]}", shown(value), listed(choices), word, choices)
        button = f": the polarity button is {side}" if (side := button_meant(str(key[-1]), word)) else ""
        return Mistake(key, f"unknown {key[-1]}", shown(value), listed(choices), hint=f"Write {shown(meant)}{button}.")
    if kind == "refused":
        return Mistake(key, context["problem"], shown(value), context["expected"], hint=_fahrenheit_hint(key, value))
    if kind in _BOUNDS:
        bound, words = _BOUNDS[kind]
        return Mistake(key, "out of range", shown(value), f"{words} {context[bound]:g}")
    expected = _EXPECTED_TABLES.get(str(key[0])) if len(key) == 1 else None
    expected = expected or _EXPECTED_TYPES.get(kind, "another value")
    problem = "not a finite number" if _is_not_finite(value) else "wrong type"
    return Mistake(key, problem, shown(value), expected, hint=_hint(kind, key, value))


def _hint(kind: str, key: KeyPath, value: object) -> str:
    """How a text is written that stands where a number or a list of texts has to."""
    if not isinstance(value, str):
        return ""
    if kind == "list_type":
        return f"Put it in brackets: [{json.dumps(value, ensure_ascii=False)}]."
    if kind not in ("float_type", "int_type"):
        return ""
    if (key[-1] == "temperature_c" or "distance_m" in key) and (mend := mend_of_unit(value)):
        return mend
    number = _NUMBER.fullmatch(value)
    if number is None:
        return ""
    written, unit = number[1].replace(",", "."), number[2]
    if not unit:
        return f"Take the quotes away: {written}."
    of_key = "distance_m" if "distance_m" in key else str(key[-1])  # distances stand under names of outputs
    if not of_key.endswith(f"_{unit.casefold().lstrip('°')}"):
        return ""  # in another unit it is another number
    return f"Write {written}, without unit and quotes."


def _fahrenheit_hint(key: KeyPath, value: object) -> str:
    """What a number that is too hot for Celsius may be; empty for anything else."""
    if key[-1] != "temperature_c" or not isinstance(value, int | float):
        return ""
    is_meant = value > MAX_TEMPERATURE_C and celsius(value) <= MAX_TEMPERATURE_C
    return mend_of_number(value) if is_meant else ""


def _is_not_finite(value: object) -> bool:
    """Whether a value is an infinite or undefined number."""
    return isinstance(value, float) and not math.isfinite(value)


def _known_keys(key: KeyPath) -> tuple[str, ...]:
    """The keys that may stand where an unknown one was found."""
    tables: dict[tuple[str, int], type[_Table]] = {
        ("outputs", 3): OutputTable,
        ("positions", 3): PositionTable,
        ("captures", 3): CaptureTable,
        ("captures", 5): SettingTable,
    }
    return tuple(tables.get((str(key[0]), len(key)), DescriptionTable).model_fields)


def _leave_out(document: dict[str, Any], place: Sequence[str | int]) -> None:
    """Delete what stands at a place: the key itself or, for an item of a list, the key of the list."""
    node: Any = document
    found: tuple[dict[str, Any], str] | None = None
    for step in place:
        if isinstance(node, dict) and isinstance(step, str) and step in node:
            found, node = (node, step), node[step]
        elif isinstance(node, list) and isinstance(step, int):
            node = node[step]
        elif isinstance(node, dict) and step != "[key]":
            return  # left out already
        else:
            break
    if found is not None:
        del found[0][found[1]]
