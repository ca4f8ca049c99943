"""What stands on the page below the settings sheet: tables of evidence, as text.

Columns come from their declarations; the page rounds them to what a person reads, the CSV files hold the rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from analyze.reports.columns import RECOMMENDATIONS, WIRING, Column, Table
from analyze.reports.naming import labels, shortened
from analyze.reports.page_sheet import is_changed
from analyze.reports.selections import by_zone, own_clocks, seats
from analyze.reports.summaries import as_known, frequency, listed, number, percent, signed

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analyze.description import Capture
    from analyze.pipeline import Analysis

#: Rows of a table on the page; all of them stand in its CSV file.
MAX_ROWS = 200

#: What stands where nothing is known.
DASH = "–"

#: Decimals on the page by unit, and of numbers without one.
_PAGE_DECIMALS = {"ms": 2, "°": 0, "dB": 1, "m": 2, "s": 1}
_PLAIN_DECIMALS = 2

# Headings that say more than the name of the column.
_HEADINGS = {
    "polarity_confidence": "polarity alone",
    "cost_if_wrong_db": "other polarity costs (dB)",
    "worst_position": "least at",
    "gain_db": "better by (dB)",
    "worst_gain_db": "there by (dB)",
    "overlap_low_hz": "overlap from (Hz)",
    "overlap_high_hz": "to (Hz)",
}

#: What a table of one zone says of it.
ZONE_WORDS = {"audience": " in the audience", "stage": " on stage"}

# Fewer positions than this have no order to speak of.
_FEWEST_ORDERED = 3
_NAME_LENGTH = 40
# Positions beside each other in the table of arrivals, as many as a printed page holds.
_POSITIONS_PER_TABLE = 8


@dataclass(frozen=True)
class Heading:
    """A column of a page table: its text and whether it holds numbers or names."""

    text: str
    is_number: bool = False
    is_name: bool = False


@dataclass(frozen=True)
class PageTable:
    """A table on the page; every cell is text, the first of a row its heading. `n_left` rows are in `file` alone."""

    caption: str
    headings: tuple[Heading, ...]
    rows: tuple[tuple[str, ...], ...]
    file: str = ""
    n_left: int = 0


def arrival_tables(analysis: Analysis) -> list[PageTable]:
    """When every output arrives at every position at present settings, a few positions at a time."""
    arrivals = analysis.arrival_present_ms
    outputs = [name for name in analysis.sound_check.outputs if any(name == output for output, _ in arrivals)]
    positions = [name for name in analysis.sound_check.positions if any(name == position for _, position in arrivals)]
    zones = by_zone(analysis, positions)
    stds = {(one.output, at.position): at.arrival_std_ms for one in analysis.grounds for at in one.positions}
    heard = [(row.output, row.position) for row in analysis.arrivals if math.isfinite(row.arrival_ms)]
    of_several = "mean of the captures that agree; " if len(set(heard)) < len(heard) else ""
    return [
        _arrivals_at(
            chunk,
            outputs,
            arrivals,
            stds,
            f"Arrival{ZONE_WORDS[zone] if len(zones) > 1 else ''} at present settings (ms); {of_several}"
            "errors and distances stand in arrivals.csv",
        )
        for zone, there in zones.items()
        for chunk in in_columns(there)
    ]


def unarrived_words(analysis: Analysis) -> str:
    """Outputs that were recorded and of which no arrival is told; empty where there are none."""
    timed = {output for output, _ in analysis.arrival_present_ms}
    recorded = {name for capture in analysis.sound_check.captures for name in capture.feeds}
    names = [name for name in analysis.sound_check.outputs if name in recorded - timed]
    if not names or not timed:
        return ""
    mains = [name for name in names if analysis.sound_check.outputs[name].kind == "main"]
    first = f" What is said to be the first main here and below is so without {listed(mains)}." if mains else ""
    return f"No arrival can be told of {listed(names)}, at any position: too little stands out.{first}"


def order_words(analysis: Analysis) -> str:
    """Positions from the nearest to the reference to the farthest, for whoever knows the room; empty for fewer than 3.

    Without those on recorders of their own, whose time zero is not known.
    """
    reference, apart = analysis.sound_check.reference, _always_apart(analysis)
    arrivals = {
        position: ms
        for (output, position), ms in analysis.arrival_present_ms.items()
        if output == reference and position not in apart and math.isfinite(ms)
    }
    order = sorted(arrivals, key=lambda position: arrivals[position])
    if len(order) < _FEWEST_ORDERED:
        return ""
    names = ", ".join(shortened(position, _NAME_LENGTH) for position in order)
    return (
        f"From the nearest to {shortened(reference, _NAME_LENGTH)} to the farthest: {names}. If they did not stand so, "
        "microphones or their tracks are exchanged."
    )


def in_columns(positions: Sequence[str]) -> list[Sequence[str]]:
    """Positions as many at a time as a table has columns for on paper."""
    return [positions[i : i + _POSITIONS_PER_TABLE] for i in range(0, len(positions), _POSITIONS_PER_TABLE)]


def _arrivals_at(
    positions: Sequence[str],
    outputs: Sequence[str],
    arrivals: Mapping[tuple[str, str], float],
    stds: Mapping[tuple[str, str], float],
    caption: str,
) -> PageTable:
    """The arrivals at some positions, a row per output, with the decimals that their errors leave them."""

    def cell(key: tuple[str, str]) -> str:
        known = math.isfinite(arrivals.get(key, math.nan))
        return as_known(arrivals[key], stds.get(key, math.nan)) if known else DASH

    headings = (
        Heading("output", is_name=True),
        *(Heading(text, is_number=True) for text in labels(positions).values()),
    )
    rows = tuple((output, *(cell((output, position)) for position in positions)) for output in outputs)
    return PageTable(caption, headings, rows, "arrivals.csv")


def wiring_table(analysis: Analysis) -> PageTable:
    """Polarity of every chain without its setting."""
    columns = ("output", "polarity", "confidence", "reason")
    # of what is not told the table has the likelier side: beside `undecided` it would read as how sure that is
    rows = [replace(row, confidence=math.nan) if row.polarity == "undecided" else row for row in analysis.wiring]
    return _from_table(rows, WIRING, columns, "Wiring: polarity from feed to air, without the setting")


def certainty_table(analysis: Analysis) -> PageTable:
    """How sure every recommendation is; what stays as it is has no gain."""
    columns = (
        "output",
        "decision",
        "confidence",
        "polarity_confidence",
        "cost_if_wrong_db",
        "gain_db",
        "worst_position",
        "worst_gain_db",
        "overlap_low_hz",
        "overlap_high_hz",
    )
    rows = [
        row if is_changed(row) else replace(row, gain_db=math.nan, worst_position="", worst_gain_db=math.nan)
        for row in analysis.recommendations
    ]
    # without a switch the other polarity is no mistake that could be made
    fixed = {name for name, output in analysis.sound_check.outputs.items() if not output.can_invert}
    rows = [
        replace(row, polarity_confidence=math.nan, cost_if_wrong_db=math.nan) if row.output in fixed else row
        for row in rows
    ]
    return _from_table(rows, RECOMMENDATIONS, columns, "Confidence, and what a mistake would cost")


def _from_table(rows: Sequence[Any], table: Table, names: tuple[str, ...], caption: str) -> PageTable:
    """Some columns of a declared table."""
    columns = [table.column(name) for name in names]
    headings = tuple(
        Heading(
            _HEADINGS.get(column.name, column.label),
            not column.is_text,
            column.type == "string" and not column.words,
        )
        for column in columns
    )
    cells = tuple(tuple(page_cell(column, getattr(row, column.name)) for column in columns) for row in rows[:MAX_ROWS])
    return PageTable(caption, headings, cells, table.path, max(len(rows) - MAX_ROWS, 0))


def page_cell(column: Column, raw: Any) -> str:
    """A value as a person reads it, with a true minus sign; a dash where it is not known."""
    if column.is_text:
        return str(raw) if raw else DASH
    if column.is_probability:
        return percent(raw) or DASH
    if column.unit == "Hz" and math.isfinite(raw):
        return f"{float(f'{raw:.2g}'):.0f}"  # where two outputs meet is known no closer than a band is wide
    return _known(raw, _PAGE_DECIMALS.get(column.unit, _PLAIN_DECIMALS))


def _known(value: float, decimals: int) -> str:
    """A number, or a dash."""
    return number(value, decimals) if math.isfinite(value) else DASH


def seat_table(analysis: Analysis) -> PageTable:
    """What the recommendation does at every seat."""
    headings = (
        Heading("position", is_name=True),
        Heading("zone"),
        Heading("bands", is_number=True),
        Heading("at present (dB)", is_number=True),
        Heading("as recommended (dB)", is_number=True),
        Heading("change (dB)", is_number=True),
        Heading("weakest band then"),
        Heading("counts in the score"),
    )
    rows = tuple(
        (
            seat.position,
            seat.zone,
            str(seat.n_bands),
            number(seat.present_db),
            number(seat.recommended_db),
            signed(seat.change_db),
            f"{frequency(seat.worst_hz)}, {number(seat.worst_db)} dB",
            f"yes{_weight_words(analysis, seat.position)}" if seat.is_scored else "no",
        )
        for seat in seats(analysis)
    )
    return PageTable("Sum of all outputs at every position, mean over the bands", headings, rows, "prediction.csv")


def _weight_words(analysis: Analysis, position: str) -> str:
    """How much a seat counts, where not all count alike."""
    positions = analysis.sound_check.positions
    weights = {one.weight for one in positions.values() if one.zone == "audience"}
    return f", weight {positions[position].weight:g}" if len(weights) > 1 else ""


def own_clock_names(analysis: Analysis) -> str:
    """Positions recorded on a clock of their own in every capture that has them; empty where there are none."""
    named = _always_apart(analysis)
    return listed(named) if named else ""


def _always_apart(analysis: Analysis) -> list[str]:
    """The same, one by one."""
    own = own_clocks(analysis)
    return [
        name
        for name in analysis.sound_check.positions
        if (takes := [one.name for one in analysis.sound_check.captures if name in one.mics])
        and all((take, name) in own for take in takes)
    ]


def flip_tables(analysis: Analysis) -> list[PageTable]:
    """What flipping an output did, measured and predicted, per position and band; one table per pair of captures."""
    tables = []
    for plain, flipped, output in dict.fromkeys((r.capture, r.flipped_capture, r.output) for r in analysis.flips):
        here = [r for r in analysis.flips if (r.capture, r.flipped_capture, r.output) == (plain, flipped, output)]
        bands = sorted({r.band_hz for r in here})
        headings = (
            Heading("position", is_name=True),
            Heading("level (dB)"),
            *(Heading(frequency(band_hz), is_number=True) for band_hz in bands),
        )
        rows = []
        for position in dict.fromkeys(r.position for r in here):
            at = {r.band_hz: r for r in here if r.position == position}
            rows.append((position, "measured", *(_signed_or_dash(at[b].change_db) for b in bands)))
            if any(math.isfinite(at[b].predicted_db) for b in bands):
                rows.append((position, "predicted", *(_signed_or_dash(at[b].predicted_db) for b in bands)))
        caption = f"Level in {flipped}, {output} flipped, less that in {plain}"
        if any(math.isfinite(row.predicted_db) for row in here):
            caption += "; predicted from captures of single outputs"
        tables.append(PageTable(caption, headings, tuple(rows)))
    return tables


def _signed_or_dash(value: float) -> str:
    return signed(value) if math.isfinite(value) else DASH


def share_tables(analysis: Analysis) -> list[PageTable]:
    """What of each output's signal no other feed holds, octave by octave; one table per capture."""
    tables = []
    for capture in dict.fromkeys(r.capture for r in analysis.shares):
        here = {(r.output, r.band_hz): r.own_share for r in analysis.shares if r.capture == capture}
        bands = list(dict.fromkeys(band_hz for _, band_hz in here))
        headings = (Heading("output", is_name=True), *(Heading(frequency(b), is_number=True) for b in bands))
        rows = tuple(
            (output, *(percent(here[output, b]) or DASH for b in bands))
            for output in dict.fromkeys(output for output, _ in here)
        )
        caption = f"{capture}: share of each output's signal that no other feed holds; only that can be told apart"
        tables.append(PageTable(caption, headings, rows))
    return tables


def trick_table(analysis: Analysis) -> PageTable:
    """What inverting a monitor on purpose would do."""
    headings = (
        Heading("monitor", is_name=True),
        Heading("low end on stage (dB)", is_number=True),
        Heading("left of it after a fader move of 3 dB (dB)", is_number=True),
        Heading("sum in the audience (dB)", is_number=True),
    )
    rows = tuple(
        (one.output, signed(one.thinner_db), signed(one.after_fader_db), signed(one.audience_db))
        for one in analysis.monitor_tricks
    )
    return PageTable("Change by inverting this monitor on purpose; negative on stage is thinner", headings, rows)


def file_table(analysis: Analysis) -> PageTable:
    """Every audio file that was read."""
    headings = (
        Heading("file", is_name=True),
        Heading("format"),
        Heading("channels", is_number=True),
        Heading("rate (Hz)", is_number=True),
        Heading("length (s)", is_number=True),
        Heading("SHA-256", is_name=True),
    )
    rows = tuple(
        (
            one.path,
            one.format,
            str(one.n_channels),
            str(one.sample_rate_hz),
            number(one.n_frames / one.sample_rate_hz if one.sample_rate_hz else math.nan),
            one.sha256,
        )
        for one in analysis.input_files
    )
    return PageTable("Audio files", headings, rows)


def capture_table(analysis: Analysis) -> PageTable:
    """Every capture: what sounded, what was recorded where."""
    headings = (
        Heading("capture", is_name=True),
        Heading("playing", is_name=True),
        Heading("microphones at", is_name=True),
        Heading("stage inputs", is_name=True),
        Heading("part (s)"),
        Heading("air (°C)", is_number=True),
    )
    rows = tuple(
        (
            one.name,
            ", ".join(one.playing) or DASH,
            ", ".join(one.mics) or DASH,
            ", ".join(one.inputs) or DASH,
            _part(one),
            number(one.temperature_c),
        )
        for one in analysis.sound_check.captures
    )
    return PageTable("Captures", headings, rows)


def _part(capture: Capture) -> str:
    """Which part of the files is used."""
    if capture.start_s == 0.0 and not math.isfinite(capture.end_s):
        return "all"
    return f"{number(capture.start_s)} to {number(capture.end_s) if math.isfinite(capture.end_s) else 'end'}"
