"""Plots: drawn without a warning from whatever an analysis holds, the same bytes every time, readable by everyone."""

from __future__ import annotations

import dataclasses
import itertools
import math
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from analyze.reports.naming import clean
from analyze.reports.plot_style import COLOURS, N_SERIES, Look, render
from analyze.reports.plots import plots
from analyze.reports.selections import change_deg, partners, phase_points, seats, spreads

SVG = "{http://www.w3.org/2000/svg}"

# Machado, Oliveira & Fernandes 2009, table 1, severity 1.0 (linear RGB); from memory.
VISION = {
    "usual": np.eye(3),
    "protan": np.array([[0.152, 1.053, -0.205], [0.115, 0.786, 0.099], [-0.004, -0.048, 1.052]]),
    "deutan": np.array([[0.367, 0.861, -0.228], [0.280, 0.673, 0.047], [-0.012, 0.043, 0.969]]),
    "tritan": np.array([[1.256, -0.077, -0.179], [-0.078, 0.931, 0.148], [0.005, 0.691, 0.304]]),
}


def linear_rgb(text: str) -> np.ndarray:
    """sRGB of IEC 61966-2-1 without its transfer function."""
    c = np.array([int(text[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def lab(linear: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b*, white D65."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = np.clip(to_xyz @ linear / [0.9505, 1.0, 1.089], 0.0, None)
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def texts(svg: bytes) -> list[str]:
    return ["".join(item.itertext()) for item in ElementTree.fromstring(svg).iter(f"{SVG}text")]


@pytest.mark.parametrize("vision", VISION)
@pytest.mark.parametrize("variant", [0, 1])
def test_series_colours_stay_apart(vision, variant):
    seen = [lab(np.clip(VISION[vision] @ linear_rgb(COLOURS[f"s{i}"][variant]), 0, 1)) for i in range(N_SERIES)]
    # Ten units of CIE 1976 are several times a just noticeable difference (common practice, no source).
    assert min(np.linalg.norm(a - b) for a, b in itertools.combinations(seen, 2)) > 10.0


@pytest.mark.parametrize("variant", [0, 1])
def test_colours_stand_out_from_the_paper(variant, contrast):
    paper = COLOURS["paper"][variant]
    for role in ("ink", "muted", "present", "recommended"):
        assert contrast(COLOURS[role][variant], paper) >= 4.5  # WCAG 2.1, 1.4.3
    for index in range(N_SERIES):
        assert contrast(COLOURS[f"s{index}"][variant], paper) >= 3.0  # WCAG 2.1, 1.4.11
    for role in ("upright", "flipped", "unclear", "shade"):
        assert contrast(COLOURS["ink"][variant], COLOURS[role][variant]) >= 4.5


def test_no_two_outputs_look_alike():
    series = Look([f"output {i}" for i in range(64)], []).series.values()
    assert len({(one.colour, str(one.line), one.marker) for one in series}) == 64
    assert len({(str(one.line), one.marker) for one in list(series)[:16]}) == 16


@pytest.mark.parametrize("n_outputs", [1, 2, 16])
def test_any_number_of_outputs_can_be_drawn(n_outputs, make):
    analysis = make(tuple(f"output {i}" for i in range(n_outputs)), ("mix", "stage", "lawn"))
    for plot in plots(analysis):
        svg, png = plot.render()
        assert png.startswith(b"\x89PNG")
        assert len(texts(svg)) > 3


def test_the_hostile_names_are_text_and_nothing_else(hostile):
    drawn = plots(hostile)
    words = [text for plot in drawn[:2] for text in texts(plot.render()[0])]
    for label in Look.of(hostile).outputs.values():
        assert label in words
        assert label == clean(label)


@pytest.mark.parametrize(
    "stem", ["arrival", "polarity", "sum-at", "phase", "score-over-delay", "robustness", "level-at"]
)
def test_there_is_a_plot_for_every_question(analysis, stem):
    assert any(plot.stem[4:].startswith(stem) for plot in plots(analysis))


def test_names_of_plots_are_numbered_and_ascii(hostile):
    stems = [plot.stem for plot in plots(hostile)]
    assert [int(stem[:3]) for stem in stems] == list(range(1, len(stems) + 1))
    assert all(stem.isascii() and "/" not in stem and "." not in stem for stem in stems)


def test_a_drawing_has_no_date_and_no_maker(analysis):
    svg, png = plots(analysis)[0].render()
    assert b"<dc:date>" not in svg
    assert b"atplotlib" not in png
    assert b"Software" not in png


def test_drawing_twice_gives_the_same_bytes(analysis):
    plot = plots(analysis)[2]
    assert plot.render() == plot.render()


def test_characters_the_font_lacks_stay_text_in_svg_and_become_squares_in_png():
    drawn = []

    def draw(figure):
        drawn.append(figure.text(0.5, 0.5, "1. 舞台 a"))

    svg, _ = render(draw, (2.0, 1.0))
    assert "1. 舞台 a" in texts(svg)
    assert drawn[0].get_text() == "1. □□ a"


def test_an_analysis_of_nothing_has_no_plots(make):
    empty = make((), ())
    assert plots(dataclasses.replace(empty, robustness=())) == ()


@pytest.mark.parametrize("field", ["arrivals", "bands", "pairs", "prediction", "wiring", "delay_scans", "robustness"])
def test_any_table_may_be_missing(analysis, field):
    for plot in plots(dataclasses.replace(analysis, **{field: ()})):
        plot.render()


def test_rows_without_figures_are_drawn_as_nothing(analysis):
    unknown = dataclasses.replace(
        analysis,
        arrivals=tuple(
            dataclasses.replace(row, arrival_std_ms=math.nan, own_confidence=math.nan) for row in analysis.arrivals
        ),
        prediction=tuple(
            dataclasses.replace(row, recommended_db=math.nan, change_db=math.nan) for row in analysis.prediction
        ),
        pairs=tuple(
            dataclasses.replace(row, relative_phase_deg=math.nan) if i % 2 else row
            for i, row in enumerate(analysis.pairs)
        ),
        bands=tuple(dataclasses.replace(row, phase_std_deg=math.nan) for row in analysis.bands),
    )
    for plot in plots(unknown):
        plot.render()


def test_the_phase_of_a_pair_does_not_depend_on_its_order(analysis):
    forth, back = phase_points(analysis, "sub left", "mains"), phase_points(analysis, "mains", "sub left")
    for position, points in forth.items():
        for one, other in zip(points, back[position], strict=True):
            assert math.cos(math.radians(one.present_deg + other.present_deg)) == pytest.approx(1.0)
            assert one.std_deg == pytest.approx(math.hypot(8.0, 8.0))


def test_the_recommendation_turns_the_phase_by_delay_and_sign(analysis):
    # sub left is inverted and 3 ms later than before: at 100 Hz 180 - 108 degrees.
    assert change_deg(analysis, "sub left", "mains", 100.0) == pytest.approx(180.0 - 360.0 * 100.0 * 0.003)
    assert change_deg(analysis, "mains", "sub left", 100.0) == pytest.approx(180.0 + 360.0 * 100.0 * 0.003)
    assert change_deg(analysis, "wedge", "mains", 100.0) == 0.0


def test_everyone_is_compared_with_the_reference_once(analysis):
    assert partners(analysis) == {"sub left": "mains", "lawn tower": "mains", "wedge": "mains"}


def test_without_the_reference_the_nearest_other_is_taken(analysis):
    pairs = tuple(row for row in analysis.pairs if "mains" not in (row.output, row.other))
    assert partners(dataclasses.replace(analysis, pairs=pairs)) in (
        {"sub left": "lawn tower", "wedge": "lawn tower"},
        {"sub left": "wedge", "lawn tower": "wedge"},
        {"sub left": "wedge", "lawn tower": "sub left"},
        {"sub left": "lawn tower", "wedge": "sub left"},
    )


def test_a_seat_is_the_mean_over_its_cells(analysis):
    seat = next(seat for seat in seats(analysis) if seat.position == "mix")
    cells = [row for row in analysis.prediction if row.position == "mix" and row.cell == "yes"]
    assert seat.n_bands == len(cells)
    assert seat.present_db == pytest.approx(sum(row.present_db for row in cells) / len(cells))
    assert seat.change_db == pytest.approx(sum(row.change_db for row in cells) / len(cells))
    assert not next(seat for seat in seats(analysis) if seat.zone == "stage").is_scored


def test_the_spread_of_a_scenario_is_that_of_the_audience(analysis):
    one = next(one for one in spreads(analysis) if one.scenario == "air:+10")
    rows = [row for row in analysis.robustness if row.scenario == "air:+10" and row.zone == "audience"]
    assert (one.low_db, one.high_db) == (min(r.advantage_db for r in rows), max(r.advantage_db for r in rows))
    assert one.low_db < one.mean_db < one.high_db


def test_names_at_an_axis_become_squares_too():
    axes = []

    def draw(figure):
        axes.append(figure.subplots())
        axes[0].set_yticks([0, 1], ["1. 舞台", "mix"])

    svg, _ = render(draw, (2.0, 1.0))
    assert "1. 舞台" in texts(svg)
    assert [label.get_text() for label in axes[0].get_yticklabels()] == ["1. □□", "mix"]
