"""`report.html`: the page a person reads, the answer first.

One file that opens from the disk: style, drawings and scripts are inside, and its security policy forbids loading
anything and running anything else. Without scripts it is whole but for the settings to try. It is kept below 2 MB:
drawings that would exceed that are named, not shown.
"""

from __future__ import annotations

from base64 import b64encode
from dataclasses import dataclass
from hashlib import sha256
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from analyze.reports import (
    change_lines,
    confidences,
    headline,
    holes,
    page_distances,
    page_evidence,
    page_findings,
    page_paper,
    page_sheet,
    page_waveforms,
    plots_sums,
    proof_words,
    wiring_notes,
)
from analyze.reports.cautions import CAUTIONS
from analyze.reports.crossover_words import crossover_words
from analyze.reports.granted import granted_words
from analyze.reports.naming import clean
from analyze.reports.page_plots import InlineDrawings, colour_rules
from analyze.reports.page_text import sheet_text
from analyze.reports.plots import ARRIVAL, CERTAINTY, LEVELS, SUMS
from analyze.reports.selections import spreads
from analyze.reports.summaries import air, number, unrelated_sum_db

if TYPE_CHECKING:
    from collections.abc import Sequence

    from jinja2 import Template
    from markupsafe import Markup

    from analyze.pipeline import Analysis
    from analyze.reports.plots import Plot

#: Most bytes of a page; drawings take what all else leaves.
PAGE_BYTES = 2_000_000

# What a drawing takes beside itself and its title, which is there three times.
_PLACE_BYTES = 300

_TEMPLATE, _STYLES = "report.html.j2", ("report.css", "sheet.css", "seats.css", "waveforms.css", "vendor/uplot.css")
#: In this order: what copies the sheet, a library that draws curves, sums, settings, the two drawings, what moves.
SCRIPTS = ("sheet.js", "vendor/uplot.js", "model.js", "settings.js", "curves.js", "try.js")

_QUESTIONS = (ARRIVAL, SUMS, CERTAINTY, LEVELS)

# How the description's free text is called on the page.
_NOTES = {"venue": "Venue", "engineer": "Engineer", "humidity_percent": "Humidity (%)", "notes": "Notes"}


@dataclass(frozen=True)
class Figure:
    """A drawing with its words; `svg` is empty where the page had no room for it."""

    title: str
    text: str
    file: str
    svg: Markup | None
    is_on_stage: bool


def page_bytes(analysis: Analysis, drawings: Sequence[tuple[Plot, bytes]]) -> bytes:
    """The whole page.

    Parameters
    ----------
    drawings : every plot with its SVG
    """
    from markupsafe import Markup

    from analyze.reports.page_model import model_text, page_model

    model = page_model(analysis)
    scripts = [page_part(name) for name in (SCRIPTS if model else SCRIPTS[:1])]
    policy = " ".join(f"'sha256-{b64encode(sha256(text.encode()).digest()).decode()}'" for text in scripts)
    inline = InlineDrawings()
    drawn = [(plot, inline.add(svg, plot.title)) for plot, svg in drawings]
    content = _content(analysis) | {
        "style": "\n".join([colour_rules(), *(page_part(name) for name in _STYLES), inline.rules()]),
        "scripts": scripts,
        "policy": Markup(policy),
        "model": model_text(model) if model else "",
    }
    template = page_template(_TEMPLATE)

    def rendered(budget: int) -> bytes:
        """The page with drawings of so many bytes."""
        return template.render(figures=figures(drawn, budget), **content).encode("utf-8", "replace")

    return rendered(PAGE_BYTES - len(rendered(0)))


def page_template(name: str, package: str = "analyze.reports") -> Template:
    """A template of a page, from the folder `templates` of a package; what all pages are made of lies in this one."""
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=ChoiceLoader([PackageLoader(package), PackageLoader("analyze.reports")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_shown,
    )
    return environment.get_template(name)


def page_part(name: str) -> str:
    """A style sheet or script of the pages."""
    return (files("analyze.reports") / "templates" / name).read_text(encoding="utf-8")


def _shown(value: Any) -> Any:
    """What the template prints of a value: text without what cannot be seen, direction overrides among it."""
    return clean(value) if type(value) is str else value


def figures(drawn: Sequence[tuple[Plot, Markup]], budget: int) -> dict[str, list[Figure]]:
    """The drawings of each question, as many as fit into so many bytes."""
    shown: dict[str, list[Figure]] = {question: [] for question in _QUESTIONS}
    left = budget
    for plot, drawing in drawn:
        size = len(drawing.encode("utf-8")) + 3 * len(plot.title.encode("utf-8")) + _PLACE_BYTES
        fits = size <= left
        left -= size if fits else 0
        shown[plot.question].append(
            Figure(plot.title, plot.text, plot.svg, drawing if fits else None, plot.is_on_stage)
        )
    return shown


def _content(analysis: Analysis) -> dict[str, Any]:
    """What the template prints, but for what depends on the room that is left."""
    from markupsafe import escape

    # these bring in all that decides, and what reads audio with it
    from analyze.alignment.cells import MEETS_DB
    from analyze.audio.damage_statistics import SPANS_APART_S
    from analyze.reports import page_grounds, page_lasting, page_seats

    check = analysis.sound_check
    hand = page_findings.findings(analysis)
    is_judged = any(row.decision != "reference" for row in analysis.recommendations)
    sure = page_grounds.sureness(analysis) if is_judged else []
    return {
        "title": page_sheet.title(analysis),
        "identity": page_sheet.identity(analysis),
        "date": str(check.date or ""),
        "air_temperature": air(check.temperature_c, check.is_temperature_assumed),
        "temperature": number(check.temperature_c),
        "notes": [(label, check.notes[key]) for key, label in _NOTES.items() if check.notes.get(key)],
        "version": analysis.version,
        "libraries": ", ".join(f"{name} {version}" for name, version in analysis.libraries.items()),
        "bands_per_octave": analysis.bands_per_octave,
        "lead": headline.lead(analysis),
        "changes": change_lines.change_lines(analysis),
        "score_sentence": headline.score_sentence(analysis),
        "effects": headline.effect_words(analysis),
        "notice": page_findings.notice(analysis),
        "is_notice_first": page_findings.is_description_doubtful(analysis),
        "is_hand_first": bool(wiring_notes.not_as_described(analysis)),
        "hand_sentence": wiring_notes.hand_sentence(analysis),
        "until_mended": wiring_notes.until_mended(analysis),
        "caution": page_sheet.CAUTION,
        "cautions": CAUTIONS,
        "confidence_words": confidences.confidence_words(analysis),
        "half_judged_words": page_sheet.half_judged_words(analysis),
        "sheet": page_sheet.sheet_steps(analysis),
        "signs": {"normal": "+", "inverted": "−"},
        "checks": proof_words.HOW if analysis.proofs else "",
        "no_check": proof_words.NO_CHECK,
        "sheet_text": escape(sheet_text(analysis)),
        "density": page_paper.density(analysis),
        "inputs": page_sheet.input_rows(analysis),
        "hand": hand[: page_evidence.MAX_ROWS],
        "mends": page_findings.mends(hand[: page_evidence.MAX_ROWS]),
        "n_hand_left": max(len(hand) - page_evidence.MAX_ROWS, 0),
        "is_any_undecided": bool(headline.undecided_words(analysis)),
        "remarks": page_findings.findings(analysis, ("note",))[: page_evidence.MAX_ROWS],
        "meets_db": f"{MEETS_DB:g}",
        "unrelated_db": {n: number(unrelated_sum_db(n)) for n in (2, 4)},
        "arrivals": page_evidence.arrival_tables(analysis),
        "order": page_evidence.order_words(analysis),
        "unarrived": page_evidence.unarrived_words(analysis),
        "crossover": crossover_words(analysis),
        "distances": page_distances.distance_tables(analysis),
        "wiring": page_evidence.wiring_table(analysis),
        "turned": wiring_notes.turned_words(analysis),
        "both_ways": page_grounds.both_ways_up(analysis),
        "own_clock": page_evidence.own_clock_names(analysis),
        "seats": page_evidence.seat_table(analysis),
        "reference": check.reference,
        "late": page_seats.late_tables(analysis),
        "air": page_lasting.air_words(analysis),
        "read": page_seats.polarity_tables(analysis),
        "band_changes": page_seats.band_table(analysis) if headline.changes_anything(analysis) else None,
        "lasting": page_lasting.lasting_rows(analysis),
        "cases": list(page_lasting.CASES.values()),
        "holes": holes.hole_words(analysis),
        "feeds_sentence": granted_words(analysis),
        "certainty": page_evidence.certainty_table(analysis),
        "is_judged": is_judged,
        "sure": sure,
        "sure_numbers": {one.number for one in sure},
        "taken": page_grounds.taken_for_granted(),
        "is_tried": bool(spreads(analysis)),
        "is_forgotten_drawn": plots_sums.has_rule(plots_sums.drawn_spreads(analysis)),
        "has_limits": any(one.has_limits for one in sure),
        "flips": page_evidence.flip_tables(analysis),
        "shares": page_evidence.share_tables(analysis),
        "tricks": page_evidence.trick_table(analysis),
        "files": page_evidence.file_table(analysis),
        "captures": page_evidence.capture_table(analysis),
        "pictures": (takes := page_waveforms.pictures(analysis)),
        "is_left_out": any(lane.left_out for take in takes for lane in take.lanes),
        "is_found": any(take.moments for take in takes),
        "apart_s": SPANS_APART_S,
        "height": page_waveforms.HEIGHT,
    }
