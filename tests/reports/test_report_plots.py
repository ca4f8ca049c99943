"""Plots: drawn without a warning from whatever an analysis holds, the same bytes every time, readable by everyone."""

from __future__ import annotations

import dataclasses
import itertools
import math
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from matplotlib.figure import Figure
from page_reading import read
from plot_reading import drawn

from analyze.reports import plots_outputs
from analyze.reports.naming import clean
from analyze.reports.partners import partners
from analyze.reports.plot_style import COLOURS, N_SERIES, Look, render
from analyze.reports.plots import plots
from analyze.reports.plots_outputs import is_error_seen, level_errors_db
from analyze.reports.selections import change_deg, phase_points, seats
from analyze.reports.summaries import unrelated_sum_db

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
    analysis = make(tuple(f"output {i}" for i in range(n_outputs)), ("mix",))
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


@pytest.mark.parametrize("stem", ["arrival", "sum-at", "phase", "score-over-delay", "robustness", "level-at"])
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
def test_any_table_may_be_missing(make, field):
    small = make(("mains", "sub"), ("mix",))
    for plot in plots(dataclasses.replace(small, **{field: ()})):
        drawn(plot)


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
    found = {frozenset(pair) for pair in partners(dataclasses.replace(analysis, pairs=pairs)).items()}
    assert len(found) == len(partners(dataclasses.replace(analysis, pairs=pairs)))  # none twice
    assert set().union(*found) == {"sub left", "lawn tower", "wedge"}


def described(analysis, name: str, **values):
    """The analysis with one output described otherwise."""
    check = analysis.sound_check
    outputs = check.outputs | {name: dataclasses.replace(check.outputs[name], **values)}
    return dataclasses.replace(analysis, sound_check=dataclasses.replace(check, outputs=outputs))


def test_outputs_that_move_as_one_are_not_compared(make):
    analysis = make(("main left", "main right", "sub"), ("mix", "lawn"))
    analysis = described(described(analysis, "main right", kind="main", group="m"), "main left", group="m")
    assert partners(analysis) == {"sub": "main left"}
    analysis = described(described(make(("main", "a", "b"), ("mix", "lawn")), "a", group="g"), "b", group="g")
    assert partners(analysis) == {"a": "main", "b": "main"}
    lone = tuple(row for row in analysis.pairs if row.output != "main")
    assert partners(dataclasses.replace(analysis, pairs=lone)) == {}


def test_phases_are_looked_at_where_the_setting_is_judged(analysis):
    thirds = [25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315]

    def bands(name: str) -> dict[str, list[float]]:
        return {position: [p.band_hz for p in row] for position, row in phase_points(analysis, name, "mains").items()}

    zones = {name: position.zone for name, position in analysis.sound_check.positions.items()}
    assert all(row == thirds for name in ("sub left", "wedge") for row in bands(name).values())
    assert {zones[position] for position in bands("sub left")} == {"audience"}
    assert {zones[position] for position in bands("wedge")} == {"stage"}
    # A tower is lined up by arrival, over the whole range, at one seat where none is named.
    (tower,) = bands("lawn tower").values()
    assert max(tower) == 16000.0
    analysis = described(analysis, "lawn tower", align_at=("mix", "lawn"))
    assert list(bands("lawn tower")) == ["mix", "lawn"]
    analysis = described(analysis, "lawn tower", later_ms=12.0)
    assert all(row == thirds for row in bands("lawn tower").values())


@pytest.mark.parametrize("n_outputs", [2, 5])
def test_no_two_tick_labels_of_an_axis_meet(n_outputs, make):
    analysis = make(("mains", "sub", "tower", "wedge", "fill")[:n_outputs], ("mix", "stage", "lawn", "hill", "box"))
    analysis = described(analysis, "tower", align_at=("mix", "lawn", "hill", "box")) if n_outputs > 2 else analysis
    n_labels = 0
    for plot in plots(analysis):
        for axes in drawn(plot).axes:
            shown = [label for label in axes.get_xticklabels() if label.get_visible() and label.get_text()]
            boxes = sorted((label.get_window_extent() for label in shown), key=lambda box: box.x0)
            inside = [box for box in boxes if axes.bbox.x0 - 1 <= (box.x0 + box.x1) / 2 <= axes.bbox.x1 + 1]
            n_labels += len(inside)
            # A third of the height of a digit, 2 points, keeps two numbers apart (common practice, no source).
            gap = 2.0 * axes.figure.dpi / 72.0
            assert all(one.x1 + gap <= other.x0 for one, other in itertools.pairwise(inside)), plot.stem
    assert n_labels > 50


@pytest.mark.parametrize("std_deg", [3.0, 20.0])
def test_the_error_of_a_phase_is_drawn_two_of_it_either_way(analysis, std_deg):
    bands = tuple(dataclasses.replace(row, phase_std_deg=std_deg) for row in analysis.bands)
    plot = next(one for one in plots(dataclasses.replace(analysis, bands=bands)) if "phase_sub-left" in one.stem)
    collections = [lines for axes in drawn(plot).axes for lines in axes.collections if hasattr(lines, "get_segments")]
    bars = [segment for lines in collections for segment in lines.get_segments() if len(segment) == 2]
    lengths = [np.ptp(bar[:, 1]) for bar in bars]
    assert len(lengths) > 20
    # Both outputs carry the same error, so that of the difference is sqrt(2) of it; two either way are four.
    assert lengths == pytest.approx([4.0 * math.sqrt(2.0) * std_deg] * len(lengths))
    # 3 sqrt(2) = 4.2 and 20 sqrt(2) = 28.3.
    assert f"{std_deg * math.sqrt(2.0):.0f}° at most" in plot.text
    assert "pale bars" in plot.text


def test_an_error_too_small_to_be_drawn_is_said(analysis):
    bands = tuple(dataclasses.replace(row, phase_std_deg=0.4) for row in analysis.bands)
    plot = next(one for one in plots(dataclasses.replace(analysis, bands=bands)) if "phase_sub-left" in one.stem)
    assert "1° at most, too little to be drawn" in plot.text


def test_sums_are_drawn_in_the_range_of_the_score_on_one_scale(analysis):
    figures = [drawn(plot) for plot in plots(analysis) if "sum-at" in plot.stem]
    assert len(figures) == 4
    assert len({figure.axes[0].get_ylim() for figure in figures}) == 1
    for figure in figures:
        low, high = figure.axes[0].get_xlim()
        # Outer edges of the third octaves 25 and 315 Hz: 22.39 and 354.8 Hz (IEC 61260-1, base ten).
        assert (low, high) == pytest.approx((22.39, 354.8), rel=0.01)
        assert len(figure.axes[0].lines[0].get_xdata()) == 12


def test_a_position_that_heard_one_output_has_no_sum(analysis):
    pairs = tuple(row for row in analysis.pairs if row.position != "lawn")
    assert [seat.position for seat in seats(dataclasses.replace(analysis, pairs=pairs))] == [
        "mix",
        "balcony",
        "stage centre",
    ]


def test_the_stage_is_drawn_apart_from_the_audience(analysis, report):
    drawn = plots(analysis)
    for question in ("sums", "levels"):
        zones = [plot.is_on_stage for plot in drawn if plot.question == question and " at " in plot.title]
        assert zones == sorted(zones)
        assert zones.count(True) == 1
    assert [plot.is_on_stage for plot in drawn if plot.title == "Phase of wedge against mains"] == [True]
    figure = Figure(figsize=(5, 5))
    plots_outputs.arrival(figure, analysis, Look.of(analysis))
    names = [label.get_text() for label in figure.axes[0].get_yticklabels()]
    assert names == ["mix", "lawn", "balcony", "stage centre (stage)"]
    text = read(report).text
    assert text.index("Sum of all outputs at balcony.") < text.index("Do they add on stage?")
    assert text.index("Do they add on stage?") < text.index("Sum of all outputs at stage centre.")


@pytest.mark.parametrize("n_outputs", [2, 4])
def test_unrelated_outputs_add_to_what_a_reverberant_room_gives(n_outputs):
    # Circular Gaussian responses, whose magnitudes are Rayleigh distributed; 0.006 dB is the spread over seeds.
    rng = np.random.default_rng(11)
    h = rng.standard_normal((n_outputs, 400_000)) + 1j * rng.standard_normal((n_outputs, 400_000))
    sums, possible = np.abs(h.sum(axis=0)) ** 2, np.abs(h).sum(axis=0) ** 2
    assert unrelated_sum_db(n_outputs) == pytest.approx(10 * np.log10(sums.mean() / possible.mean()), abs=0.02)


def test_names_at_an_axis_become_squares_too():
    axes = []

    def draw(figure):
        axes.append(figure.subplots())
        axes[0].set_yticks([0, 1], ["1. 舞台", "mix"])

    svg, _ = render(draw, (2.0, 1.0))
    assert "1. 舞台" in texts(svg)
    assert [label.get_text() for label in axes[0].get_yticklabels()] == ["1. □□", "mix"]


@pytest.mark.parametrize(("std_deg", "is_seen"), [(8.0, False), (16.0, True)])
def test_the_error_of_a_level_is_the_width_of_a_band(analysis, std_deg, is_seen):
    """Two standard errors: 8 degrees are 0.1396 rad, 2 * 8.686 * 0.1396 = 2.43 dB, not drawn; 16 degrees twice that."""
    rows = tuple(dataclasses.replace(row, phase_std_deg=std_deg) for row in analysis.bands)
    changed = dataclasses.replace(analysis, bands=rows)
    hz = np.array([63.0])
    assert level_errors_db(changed, "sub left", "mix", hz) == pytest.approx(2.0 * 8.686 * np.radians(std_deg), rel=1e-3)
    figure = Figure(figsize=(5, 4))
    plots_outputs.level(figure, changed, Look.of(changed), "mix")
    assert bool(figure.axes[0].collections) is is_seen


def with_sum_errors(analysis, present_db, recommended_db):
    rows = tuple(
        dataclasses.replace(row, present_std_db=present_db, recommended_std_db=recommended_db)
        for row in analysis.prediction
    )
    return next(plot for plot in plots(dataclasses.replace(analysis, prediction=rows)) if "sum-at" in plot.stem)


def test_the_error_of_a_sum_is_the_width_of_its_curve(analysis):
    """Two standard errors either way: four in all, of each curve its own."""
    plot = with_sum_errors(analysis, 0.5, 0.3)
    axes = drawn(plot).axes[0]
    widths = []
    for band in axes.collections:
        corners = band.get_paths()[0].vertices
        at_63 = corners[np.isclose(corners[:, 0], 63.0), 1]
        widths.append(np.ptp(at_63))
    assert widths == pytest.approx([2.0, 1.2])
    assert "Standard error: 0.5 dB in the middle, 0.5 dB at most; pale is two of it either way." in plot.text


def test_an_error_of_a_sum_that_is_not_seen_or_not_known_is_no_width(analysis):
    assert "under 0.1 dB, too little to be drawn" in with_sum_errors(analysis, 0.02, 0.03).text
    unknown = with_sum_errors(analysis, math.nan, math.nan)
    assert "Standard error" not in unknown.text
    corners = [band.get_paths()[0].vertices for band in drawn(unknown).axes[0].collections]
    lines = [line.get_ydata() for line in drawn(unknown).axes[0].lines]
    assert {float(y) for one in corners for y in one[:, 1]} == {float(y) for one in lines for y in one}


@pytest.mark.parametrize(
    ("either_db", "seen"), [([4], [1]), ([0, 4], [1, 1]), ([4, 0, 0], [1, 1, 0]), ([0, 0, 4, 0], [0, 1, 1, 1])]
)
def test_the_error_of_a_level_is_drawn_beside_where_it_is_seen_however_few_bands_were_heard(either_db, seen):
    assert is_error_seen(np.array(either_db, dtype=float)).tolist() == [bool(one) for one in seen]


@pytest.mark.parametrize(("std_deg", "is_told"), [(40.0, True), (60.0, False)])
def test_a_phase_known_no_better_than_chance_tells_nothing(analysis, std_deg, is_told):
    """Phases by chance are spread by 104 degrees (uniform over a turn: 360 / sqrt 12)."""
    vague = tuple(
        dataclasses.replace(row, phase_std_deg=std_deg if row.output == "sub left" else 0.1) for row in analysis.bands
    )
    one = dataclasses.replace(analysis, bands=vague)
    assert bool(phase_points(one, "sub left", "mains")) is is_told
    assert ("Phase of sub left against mains" in [plot.title for plot in plots(one)]) is is_told
    assert bool(phase_points(analysis, "sub left", "mains"))


def test_a_phase_in_one_band_alone_is_not_drawn(analysis):
    """However many positions have it: two points of one frequency tell neither a delay nor a crossover."""
    ours = [row for row in analysis.pairs if {row.output, row.other} == {"sub left", "mains"} and row.usable == "yes"]
    first, *others = sorted({row.band_hz for row in ours})
    assert others
    hidden = tuple(
        dataclasses.replace(row, usable="no") if row in ours and row.band_hz != first else row for row in analysis.pairs
    )
    assert phase_points(dataclasses.replace(analysis, pairs=hidden), "sub left", "mains") == {}


def test_arrivals_of_recorders_of_their_own_are_told_against_one_another(analysis):
    """Before the feed they may come to lie: when it was sent no such recorder knows."""
    captures = tuple(
        dataclasses.replace(one, unsynced=tuple((track.file,) for track in one.mics.values()))
        for one in analysis.sound_check.captures
    )
    apart = dataclasses.replace(analysis, sound_check=dataclasses.replace(analysis.sound_check, captures=captures))
    for one, axis in ((analysis, "Arrival after the feed (ms)"), (apart, "Arrival against one another (ms)")):
        axes = drawn(next(plot for plot in plots(one) if "arrival" in plot.stem)).axes[0]
        assert axes.get_xlabel() == f"{axis}, setting included"
