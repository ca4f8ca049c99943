"""Every column of every table, declared once.

From these declarations come the order of the CSV columns, the decimals, the data package and the labels of the page.

Conventions: the unit is the ending of a name (`delay_ms`), and the unit fixes the decimals. Cells of what is not known
are empty. Signs are those of `normal`: a positive sample gives positive pressure; a delay is positive when later.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

ColumnType = Literal["string", "date", "number", "integer"]

#: Decimals of a number by its unit; the endings of the names are the keys.
DECIMALS = {"ms": 4, "hz": 2, "deg": 2, "db": 3, "m": 2, "s": 3}

#: How the units are spelt in the data package and on the page.
UNIT_SYMBOLS = {"ms": "ms", "hz": "Hz", "deg": "°", "db": "dB", "m": "m", "s": "s"}

#: Decimals of probabilities.
PROBABILITY_DECIMALS = 3

_AVERAGES_DECIMALS, _VALUE_DIGITS = 1, 6

KINDS = ("main", "sub", "fill", "tower", "monitor")
ZONES = ("audience", "stage")
SIGNS = ("normal", "inverted")
FOUND_SIGNS = ("normal", "inverted", "undecided")
DECISIONS = ("keep", "change", "undecided", "reference")
YES_NO = ("yes", "no")
SEVERITIES = ("note", "warning", "error")


@dataclass(frozen=True)
class Column:
    """One column: name, Frictionless type, unit symbol, decimals (or significant digits), meaning and allowed words."""

    name: str
    type: ColumnType
    meaning: str
    unit: str = ""
    decimals: int | None = None
    digits: int | None = None
    words: tuple[str, ...] = ()
    is_probability: bool = False

    @property
    def is_text(self) -> bool:
        """Whether its values are text: words, or a day as YYYY-MM-DD."""
        return self.type in ("string", "date")

    @property
    def label(self) -> str:
        """The name as a heading: words instead of underscores, the unit in brackets.

        >>> Column("delay_change_ms", "number", "", unit="ms").label
        'delay change (ms)'
        """
        stem = self.name.rsplit("_", 1)[0] if self.unit else self.name
        text = stem.replace("_", " ")
        return f"{text} ({self.unit})" if self.unit else text


@dataclass(frozen=True)
class Table:
    """One table: file stem, title, what a row is, columns, key and the field of `Analysis` that holds its rows."""

    name: str
    title: str
    meaning: str
    columns: tuple[Column, ...]
    field: str
    key: tuple[str, ...] = ()

    @property
    def path(self) -> str:
        """Name of the file in the report folder."""
        return f"{self.name}.csv"

    def column(self, name: str) -> Column:
        """The column of this name; KeyError if there is none."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(f"{self.name} has no column {name}")


def _text(name: str, meaning: str, words: tuple[str, ...] = ()) -> Column:
    return Column(name, "string", meaning, words=words)


def _number(name: str, meaning: str) -> Column:
    """A number whose unit, and so its decimals, is the ending of its name."""
    unit = name.rsplit("_", 1)[1]
    return Column(name, "number", meaning, unit=UNIT_SYMBOLS[unit], decimals=DECIMALS[unit])


def _probability(name: str, meaning: str) -> Column:
    return Column(name, "number", meaning, decimals=PROBABILITY_DECIMALS, is_probability=True)


def _averages() -> Column:
    return Column("averages", "number", "effective number of averages behind the row", decimals=_AVERAGES_DECIMALS)


def _count(name: str, meaning: str) -> Column:
    return Column(name, "integer", meaning)


_CAPTURE = _text("capture", "name of the capture")
_OUTPUT = _text("output", "name of the output")
_POSITION = _text("position", "name of the microphone position")
_ZONE = _text("zone", "where the position is", ZONES)
_BAND = _number("band_hz", "nominal mid-band frequency (IEC 61260-1)")
_REASON = _text("reason", "why, in one sentence")

RECOMMENDATIONS = Table(
    "recommendations",
    "Recommendations",
    "One row per output: what to type into the processor, and why.",
    (
        _OUTPUT,
        _text("kind", "what the output is", KINDS),
        _text("group", "outputs of a group get one common change; empty without a group"),
        _number("setting_delay_ms", "delay setting in force at present"),
        _text("setting_polarity", "polarity setting in force at present", SIGNS),
        _number("recommended_delay_ms", "delay to type in; the present setting where undecided"),
        _text("recommended_polarity", "polarity to set; the present setting where undecided", SIGNS),
        _number("delay_change_ms", "recommended minus present delay; positive is later"),
        _text("polarity_change", "whether the polarity setting changes", YES_NO),
        _text("decision", "what to do with this output", DECISIONS),
        _probability("confidence", "probability that the recommended pair of polarity and delay is right"),
        _probability(
            "polarity_confidence", "probability that the recommended polarity is right; empty where it is no choice"
        ),
        _number("cost_if_wrong_db", "what the other polarity at its own best delay would cost"),
        _number(
            "gain_db",
            "all as recommended against this output, or its group, at present; mean over the cells (see `cell`) of the "
            "audience in which it, or one of its group, is within 10 dB of the loudest output",
        ),
        _text("worst_position", "audience position where the change does least good; empty where nothing changes"),
        _number("worst_gain_db", "the same gain at that position; negative where it loses"),
        _number("overlap_low_hz", "lower edge of the range shared with the other outputs"),
        _number("overlap_high_hz", "upper edge of the range shared with the other outputs"),
        _text("alternative", "the runner-up and what it would cost; the candidate where undecided"),
        _text("reason", "why, in one sentence, behind what puts the description in doubt if anything does"),
    ),
    "recommendations",
    ("output",),
)

WIRING = Table(
    "wiring",
    "Wiring",
    "One row per output: the polarity of the chain from feed to air, its setting taken out.",
    (
        _OUTPUT,
        _text("polarity", "polarity of the lowest driver without the setting", FOUND_SIGNS),
        _probability("confidence", "probability that this polarity is right"),
        _count("positions", "positions with evidence"),
        _count("positions_agreeing", "positions whose own evidence agrees"),
        _REASON,
    ),
    "wiring",
    ("output",),
)

ARRIVALS = Table(
    "arrivals",
    "Arrivals",
    "One row per capture, output and position, as captured: the setting is included.",
    (
        _CAPTURE,
        _OUTPUT,
        _POSITION,
        _ZONE,
        _number("arrival_ms", "pure delay from feed to microphone; what box and crossover add is taken out"),
        _number("arrival_std_ms", "standard error of the arrival"),
        _number("distance_m", "(arrival - setting - latency) times speed of sound; empty unless the latency is given"),
        _text("polarity", "wiring from all positions and captures, times the setting of this capture", FOUND_SIGNS),
        _probability("polarity_confidence", "probability that this polarity is right"),
        _text("own_polarity", "what this row alone shows", FOUND_SIGNS),
        _probability("own_confidence", "probability that what this row alone shows is right"),
        _number("level_db", "20 log|H| over the band of the row, full scale out per full scale in"),
        _number("band_low_hz", "lower edge of the range used"),
        _number("band_high_hz", "upper edge of the range used"),
        _probability("coherence", "mean coherence over the range used; partial where several feeds sound"),
        _averages(),
    ),
    "arrivals",
)

BANDS = Table(
    "bands",
    "Bands",
    "One row per capture, output, position and band, as captured.",
    (
        _CAPTURE,
        _OUTPUT,
        _POSITION,
        _ZONE,
        _BAND,
        _number("band_low_hz", "exact lower edge of the band (IEC 61260-1, base ten)"),
        _number("band_high_hz", "exact upper edge of the band (IEC 61260-1, base ten)"),
        _number("level_db", "20 log|H|, full scale out per full scale in"),
        _number(
            "phase_deg",
            "phase after removing the reference output's arrival at this position, from every output alike; no more",
        ),
        _number("phase_std_deg", "standard error of the phase"),
        _number("group_delay_ms", "group delay re the arrival of the reference at that position; positive is later"),
        _probability("coherence", "coherence; partial where several feeds sound"),
        _averages(),
    ),
    "bands",
)

PAIRS = Table(
    "pairs",
    "Pairs",
    "One row per position, pair of outputs and band; every pair once, in the order of the description.",
    (
        _POSITION,
        _ZONE,
        _OUTPUT,
        _text("other", "name of the output it is compared with"),
        _BAND,
        _number("relative_delay_ms", "group delay of output minus other in the band, room and all; positive is later"),
        _number(
            "relative_phase_deg",
            "phase of output minus other; positive when output is ahead; the page turns the sign where it draws other",
        ),
        _number("level_difference_db", "level of output minus other; positive when output is louder"),
        _number("sum_db", "sum at present settings, re the louder of the two alone"),
        _number("flipped_sum_db", "the same with one polarity flipped"),
        _number("recommended_sum_db", "the same at the recommended settings"),
        _probability("coherence", "the lower coherence of the two"),
        _text("usable", "both within 10 dB of each other, and both carry information", YES_NO),
    ),
    "pairs",
    ("position", "output", "other", "band_hz"),
)

PREDICTION = Table(
    "prediction",
    "Prediction",
    "One row per position and band: the sum of all outputs re the sum of all magnitudes; 0 dB means nothing is lost.",
    (
        _POSITION,
        _ZONE,
        _BAND,
        _number(
            "present_db", "sum at present settings: its energy in the band re that of all magnitudes added line by line"
        ),
        _number("recommended_db", "sum at the recommended settings"),
        _number("change_db", "recommended minus present"),
        _text("cell", "whether this position and band counts in the score", YES_NO),
        _number("present_std_db", "standard error of present_db; empty above 315 Hz"),
        _number("recommended_std_db", "standard error of recommended_db; empty above 315 Hz"),
    ),
    "prediction",
    ("position", "band_hz"),
)

ROBUSTNESS = Table(
    "robustness",
    "Robustness",
    "One row per scenario and position: the score if something changes after the settings were made.",
    (
        _text(
            "scenario",
            "level:<output>:+3 (dB; of a whole group level:<group>:+3), air:+10 (K), "
            "seat:<position> (decided again without it, so another setting may come out), "
            "polarity:<output> (one that is to be turned, kept as it is)",
        ),
        _POSITION,
        _ZONE,
        _number("present_db", "score at present settings in this scenario"),
        _number("recommended_db", "score at the recommended settings in this scenario"),
        _number("advantage_db", "recommended minus present"),
    ),
    "robustness",
    ("scenario", "position"),
)

INPUTS = Table(
    "inputs",
    "Stage inputs",
    "One row per stage input that is compared with another of the same capture.",
    (
        _CAPTURE,
        _text("input", "name of the stage input"),
        _text("against", "name of the input it is compared with"),
        _number("relative_delay_ms", "delay of input minus against; positive when input is later"),
        _number("relative_delay_std_ms", "standard error of that delay"),
        _text("polarity", "polarity of input relative to against", FOUND_SIGNS),
        _probability("polarity_confidence", "probability that this polarity is right"),
        _number("recommended_delay_ms", "delay for the earlier of the two; never negative"),
        _text("recommended_polarity", "polarity to set on input", SIGNS),
        _number("gain_db", "what the recommendation adds to the sum of the two"),
        _text("decision", "what to do with this input", DECISIONS),
        _REASON,
    ),
    "inputs",
)

QUALITY = Table(
    "quality",
    "Quality",
    "One row per finding about recordings, description or results.",
    (
        _text("capture", "capture concerned; empty where none is"),
        _text("track", "output, position or input concerned"),
        _text("file", "audio file, relative to the description"),
        _count("channel", "channel of that file, counted from 1"),
        _text("finding", "short name of what was found"),
        _text("severity", "how much it matters", SEVERITIES),
        Column("value", "number", "the figure behind it, in the unit beside it", digits=_VALUE_DIGITS),
        _text("unit", "unit of value"),
        _number("at_s", "time in the file where it was found"),
        _text("detail", "what it means and what to do"),
    ),
    "findings",
)

#: All tables, in the order in which they are listed everywhere.
TABLES = (RECOMMENDATIONS, WIRING, ARRIVALS, BANDS, PAIRS, PREDICTION, ROBUSTNESS, INPUTS, QUALITY)


def table(name: str) -> Table:
    """The table of this name; KeyError if there is none."""
    for one in TABLES:
        if one.name == name:
            return one
    raise KeyError(f"no table {name}")


def rows_of(analysis: Any, one: Table) -> tuple[Any, ...]:
    """The rows of one table, in the order of the analysis."""
    return tuple(getattr(analysis, one.field))
