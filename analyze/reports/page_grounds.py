"""How sure, and why, output by output: a sentence and the figures it rests on.

The first table of an output holds the settings, wiring and arrival in all, the second what every position says of them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from analyze.alignment.confidence import MODEL_DB, MOST
from analyze.alignment.device import rounded, setting_after
from analyze.alignment.grounds import SPARES, SumGrounds, TimingGrounds
from analyze.reports.certainty_words import error_db, sure_sentence, words_of
from analyze.reports.page_evidence import DASH, Heading, PageTable
from analyze.reports.page_order import typing_order
from analyze.reports.page_positions import position_table
from analyze.reports.runner_up import RunnerUp
from analyze.reports.summaries import as_known, number, percent, plural, signed
from analyze.responses.wiring import MICROPHONE_PRIOR, OUTPUT_PRIOR

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analyze.alignment.grounds import Rival
    from analyze.alignment.output_grounds import OutputGrounds, PositionGrounds
    from analyze.alignment.rows import Recommendation
    from analyze.pipeline import Analysis

# A share of bands that noise hides is told from here on.
_TOLD_SHARE = 0.005
# What is lost without a position is said from here on.
_SHOWN_DB = 0.1

_QUESTIONS = (
    Heading("question"),
    Heading("answer"),
    Heading("ahead by"),
    Heading("give or take"),
    Heading("drawn from", is_name=True),
)


@dataclass(frozen=True)
class Sureness:
    """One output: its line on the sheet, how sure and why, and the figures.

    has_limits : whether the sentence says what takes from the confidence
    """

    number: int
    output: str
    sentence: str
    tables: tuple[PageTable, ...]
    has_limits: bool


def sureness(analysis: Analysis) -> list[Sureness]:
    """Every output whose grounds are known, in the order of the sheet; of a group all but the first point to it."""
    known = {one.output: one for one in analysis.grounds}
    rows = {row.output: row for row in analysis.recommendations}
    found: list[Sureness] = []
    for line, name in enumerate(typing_order(analysis), 1):
        if name not in known:
            continue
        first = next((one for one in found if _is_one_with(analysis, known[one.output], known[name])), None)
        sentence = sure_sentence(analysis, rows[name], known[name])
        if first and sentence == first.sentence:
            sentence = f"As {first.output}, with which it moves as one."
        tables = _tables(analysis, rows[name], known, first.output if first else "")
        found.append(Sureness(line, name, sentence, tables, _has_limits(known[name])))
    return found


def _is_one_with(analysis: Analysis, first: OutputGrounds, grounds: OutputGrounds) -> bool:
    """Whether two outputs of a group are judged as one by sums."""
    is_group = grounds.output in analysis.sound_check.group_of(first.output)
    return is_group and isinstance(grounds.setting, SumGrounds) and grounds.setting == first.setting


def _has_limits(grounds: OutputGrounds) -> bool:
    return grounds.setting is not None and bool(grounds.setting.limits)


def both_ways_up(analysis: Analysis) -> PageTable | None:
    """Each polarity of every output that is judged by sums, at its best delay; None where none may be turned."""
    rows = {row.output: row for row in analysis.recommendations}
    known = {one.output: one.setting for one in analysis.grounds}
    cells = []
    for name in typing_order(analysis):
        setting = known.get(name)
        if not isinstance(setting, SumGrounds) or setting.other_polarity is None or setting.claim == SPARES:
            continue
        outputs = analysis.sound_check.outputs
        members = [outputs[one] for one in analysis.sound_check.group_of(name)]
        polarity, delay_ms = setting_after(outputs[name], rounded(members, setting.change))
        other = RunnerUp.of(analysis, name, setting.other_polarity)
        called = "likeliest" if rows[name].decision == "undecided" else "recommended"
        error_of = error_db(setting, setting.other_polarity)
        lead, error = (
            as_known(value, error_of, words) for value, words in ((-other.cost_db, signed), (error_of, number))
        )
        words = {
            polarity: f"{number(delay_ms, 2)} ms, {called}",
            other.polarity: f"{number(other.delay_ms, 2)} ms, {lead} dB, give or take {error} dB",
        }
        cells.append((name, words["normal"], words["inverted"]))
    headings = (Heading("output", is_name=True), Heading("normal"), Heading("inverted"))
    caption = "Both ways up: each polarity at its best delay, and what the other one adds in the output's overlap"
    return PageTable(caption, headings, tuple(cells)) if cells else None


def taken_for_granted() -> dict[str, str]:
    """What counts before anything is heard: how sure `normal` is of an output and a microphone, the least error."""
    return {
        "output": percent(_probability(OUTPUT_PRIOR)),
        "microphone": percent(_probability(MICROPHONE_PRIOR)),
        "most": f"{100.0 * MOST:g} %",
        "error_db": number(MODEL_DB, 2),
    }


def _probability(log_odds: float) -> float:
    return 1.0 / (1.0 + math.exp(-log_odds))


def _tables(
    analysis: Analysis, row: Recommendation, known: Mapping[str, OutputGrounds], first: str
) -> tuple[PageTable, ...]:
    """The figures of one output, in all and position by position; what it shares with `first` stands there."""
    grounds = known[row.output]
    setting = grounds.setting
    lines: list[tuple[str, ...]] = []
    if first:
        lines += [("setting", f"as {first}: a group moves as one", DASH, DASH, DASH)]
    elif isinstance(setting, SumGrounds):
        lines += _sum_lines(analysis, row.output, setting)
    elif isinstance(setting, TimingGrounds):
        lines += _timing_lines(analysis, row.output, setting)
    lines += [_wiring_line(analysis, row.output, grounds), _arrival_line(grounds.positions)]
    whole = PageTable(f"{row.output}: what this rests on", _QUESTIONS, tuple(lines))
    seats = position_table(analysis, replace(grounds, setting=None) if first else grounds)
    return (whole, seats) if seats.rows else (whole,)


def _sum_lines(analysis: Analysis, output: str, setting: SumGrounds) -> list[tuple[str, ...]]:
    """The setting against its rivals, and without each seat."""
    other, runner_up = setting.other_polarity, setting.runner_up
    is_same = other is not None and runner_up is not None and other.change == runner_up.change
    margins = [seat.polarity_margin_db for seat in setting.seats.values()]
    lines = []
    if setting.claim == SPARES:
        question = "the present setting, at the seats"
    else:
        question = "against the other polarity" + (", the runner-up" if is_same else "")
    if other is not None:
        lines.append(_rival_line(analysis, output, setting, question, other, margins))
    if runner_up is not None and not is_same:
        margins = [seat.runner_up_margin_db for seat in setting.seats.values()]
        lines.append(_rival_line(analysis, output, setting, "against the runner-up", runner_up, margins))
    if setting.present is not None:
        lines.append(_rival_line(analysis, output, setting, "against the present setting", setting.present, []))
    hidden = 1.0 - setting.heard_share
    if hidden >= _TOLD_SHARE:
        lines.append(
            (
                "low bands hidden by noise or by outputs playing alike",
                percent(hidden),
                DASH,
                DASH,
                "all in which it may overlap with others",
            )
        )
    missing = 1.0 - setting.measured_share
    if missing >= _TOLD_SHARE:
        words = "seats without a response of it beside another output's"
        lines.append((words, percent(missing), DASH, DASH, "the audience by weight"))
    held = {name: seat.holds_left_out for name, seat in setting.seats.items() if seat.holds_left_out is not None}
    costs_db = [seat.left_out_cost_db for seat in setting.seats.values()]
    return [*lines, *_left_out_lines(held, max((c for c in costs_db if math.isfinite(c)), default=0.0))]


def _rival_line(
    analysis: Analysis, output: str, setting: SumGrounds, question: str, rival: Rival, margins: Sequence[float]
) -> tuple[str, ...]:
    """One other setting: what it is behind by, in all, and at how many positions."""
    n_ahead = sum(margin > 0.0 for margin in margins)
    ahead = f"; ahead at {n_ahead} of them" if margins else ""
    return (
        question,
        words_of(analysis, output, rival.change),
        f"{signed(rival.margin_db)} dB",
        f"{number(error_db(setting, rival))} dB",
        f"{_bands_words([seat.n_cells for seat in setting.seats.values()])}{ahead}",
    )


def _bands_words(n_bands: Sequence[int]) -> str:
    """How many bands were counted, each at every position where it counts.

    >>> _bands_words([9, 9, 8]), _bands_words([4])
    ('26 bands counted seat by seat: 8 to 9 at each of 3 positions', '4 bands at 1 position')
    """
    whole = plural(sum(n_bands), "band")
    if len(n_bands) < 2:
        return f"{whole} at {plural(len(n_bands), 'position')}"
    each = " to ".join(dict.fromkeys((str(min(n_bands)), str(max(n_bands)))))
    return f"{whole} counted seat by seat: {each} at each of {plural(len(n_bands), 'position')}"


def _left_out_lines(held: Mapping[str, bool], cost_db: float = 0.0) -> list[tuple[str, ...]]:
    """Whether the answer stands with every position left out in turn; nothing where there is but one.

    cost_db : what it costs at the most against the best without that position
    """
    if not held:
        return []
    lost = [name for name, holds in held.items() if not holds]
    answer = f"no longer without {' or '.join(lost)}" if lost else "yes, without any one of them"
    answer += f": at most {number(cost_db)} dB behind another one then" if not lost and cost_db >= _SHOWN_DB else ""
    return [("still right with a position left out", answer, DASH, DASH, plural(len(held), "position"))]


def _timing_lines(analysis: Analysis, output: str, setting: TimingGrounds) -> list[tuple[str, ...]]:
    """How an alignment comes out, and the polarity beside it."""
    seats = setting.seats.get(output, {})
    held = {name: one.holds_left_out for name, one in seats.items() if one.holds_left_out is not None}
    p = setting.polarity_confidence
    return [
        (
            "arrival against what was asked",
            _late_text(setting.late_ms, setting.std_ms),
            DASH,
            f"{number(setting.std_ms, 2)} ms",
            ", ".join(seats) or DASH,
        ),
        (
            f"polarity as that of {analysis.sound_check.reference}",
            f"{'the same' if p >= 0.5 else 'not the same'}, {percent(max(p, 1.0 - p))}",
            DASH,
            DASH,
            "both wirings and settings",
        ),
        *_left_out_lines(held),
    ]


def _late_text(late_ms: float, std_ms: float) -> str:
    """How late something comes out, in words."""
    text = as_known(abs(late_ms), std_ms)
    return f"{text} ms {'late' if late_ms > 0 else 'early'}" if float(text) else "in time"


def _wiring_line(analysis: Analysis, output: str, grounds: OutputGrounds) -> tuple[str, ...]:
    """The wiring, all positions and captures together."""
    row = next((one for one in analysis.wiring if one.output == output), None)
    p = grounds.normal_probability
    if row is None or not math.isfinite(p):
        return ("wiring", "cannot be told", DASH, DASH, "not heard")
    if not row.positions:  # what would be claimed is only how boxes are usually wired
        return ("wiring", "cannot be told", DASH, DASH, "no position tells")
    likelier = "normal" if p > 0.5 else "inverted"
    word = f"not decided, likelier {likelier}" if row.polarity == "undecided" else row.polarity
    captures = {one.capture for one in analysis.arrivals if one.output == output and math.isfinite(one.level_db)}
    drawn = f"{_agreeing(row.positions_agreeing, row.positions)}, {plural(len(captures), 'capture')}"
    return ("wiring", f"{word}, {percent(max(p, 1.0 - p))}", DASH, DASH, drawn)


def _agreeing(n_agreeing: int, n: int) -> str:
    """How many positions that tell a wiring read it alike.

    >>> _agreeing(3, 4), _agreeing(0, 1), _agreeing(0, 0)
    ('3 of 4 positions agree', 'the one position that tells disagrees', 'no position tells')
    """
    if n == 1:
        return f"the one position that tells {'agrees' if n_agreeing else 'disagrees'}"
    return f"{n_agreeing} of {n} positions agree" if n else "no position tells"


def _arrival_line(positions: Sequence[PositionGrounds]) -> tuple[str, ...]:
    """First and last arrival, and how closely they are known."""
    known = [one for one in positions if math.isfinite(one.arrival_ms)]
    return (
        "arrival at present settings",
        _range([one.arrival_ms for one in known], [one.arrival_std_ms for one in known]),
        DASH,
        _range([one.arrival_std_ms for one in known], [one.arrival_std_ms for one in known]),
        plural(len(known), "position"),
    )


def _range(values_ms: Sequence[float], stds_ms: Sequence[float]) -> str:
    """Lowest and highest time, or the one there is, with the decimals that their errors leave them."""
    if not values_ms:
        return DASH
    known = sorted(zip(values_ms, stds_ms, strict=True))
    return f"{' to '.join(dict.fromkeys(as_known(*one) for one in (known[0], known[-1])))} ms"
