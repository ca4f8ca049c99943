"""The form of `results.json`: its format number, and what of it everything here relies on.

What a report or record holds may have been written by anybody. What passes is of the right kind in every place that is
read later; whether it is what the program wrote once is asked of checksums.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, Field, FiniteFloat, ValidationError

from analyze.description_schema import MAX_TEMPERATURE_C, MIN_TEMPERATURE_C
from analyze.reports.naming import shortened

_Temperature = Annotated[FiniteFloat, Field(ge=MIN_TEMPERATURE_C, le=MAX_TEMPERATURE_C)]
_Rows = list[dict[str, Any]]


def _day(text: str) -> str:
    return date.fromisoformat(text).isoformat() if text else text


class _Setting(BaseModel):
    delay_ms: FiniteFloat
    polarity: Literal["normal", "inverted"]


class _Output(BaseModel):
    kind: str
    setting: _Setting
    group: str | None = None
    latency_ms: FiniteFloat | None = None


class _Position(BaseModel):
    zone: str
    weight: FiniteFloat = 1.0
    distance_m: dict[str, FiniteFloat] = {}


class _Track(BaseModel):
    file: str


class _Capture(BaseModel):
    name: str
    temperature_c: _Temperature = 20.0
    feeds: dict[str, _Track] = {}
    mics: dict[str, _Track] = {}
    settings: dict[str, _Setting] = {}
    unsynced: list[list[str]] = []


class _SoundCheck(BaseModel):
    title: str | None = None
    date: Annotated[str, AfterValidator(_day)] | None = None
    temperature_c: _Temperature = 20.0
    reference: str | None = None
    notes: dict[str, Any] = {}
    outputs: dict[str, _Output]
    positions: dict[str, _Position]
    captures: list[_Capture]


class _Arrival(BaseModel):
    capture: str
    output: str
    position: str
    arrival_ms: FiniteFloat | None


class _Recommendation(BaseModel):
    output: str
    decision: str
    reason: str | None = None


class _ShortTake(BaseModel):
    capture: str
    outputs: list[str]
    is_at_once: bool


class _File(BaseModel):
    path: str


class _Results(BaseModel):
    program: dict[str, Any]
    sound_check: _SoundCheck
    arrivals: list[_Arrival]
    bands: _Rows
    recommendations: list[_Recommendation] = []
    input_files: list[_File] = []
    short_takes: list[_ShortTake] = []
    wiring: _Rows = []
    responses: dict[str, dict[str, str]]


def what_is_wrong(results: dict[str, Any]) -> str:
    """What of the results of a report is not as it should be, with its place in them; empty if nothing is."""
    try:
        read = _Results.model_validate(results)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = shortened(".".join(map(str, first["loc"])), 100)
        return f"lacks {place}" if first["type"] == "missing" else f"{place}: {first['msg'].lower()}"
    for output, files in read.responses.items():
        if output not in read.sound_check.outputs or not set(files) <= set(read.sound_check.positions):
            return "responses: an output or position that is not described"
    return ""
