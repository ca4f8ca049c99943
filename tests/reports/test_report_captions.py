"""What captions promise is drawn, and what is not drawn is not promised."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from analyze.alignment.rows import Robustness
from analyze.reports import page, plots_outputs, summaries
from analyze.reports.page_evidence import certainty_table
from analyze.reports.partners import partners
from analyze.reports.plot_style import Look
from analyze.reports.plots import plots
from analyze.reports.plots_outputs import MOST_ERROR_DB
from analyze.reports.plots_sums import drawn_spreads, has_rule
from analyze.reports.runner_up import scan_places


def page_of(analysis) -> str:
    return page.page_bytes(analysis, []).decode("utf-8")


def with_scenarios(analysis, **means):
    rows = tuple(Robustness(name, "mix", "audience", -3.0, -3.0 + db, db) for name, db in means.items())
    return dataclasses.replace(analysis, robustness=rows)


def test_lines_below_a_rule_are_spoken_of_where_they_are_drawn(analysis):
    cases, forgotten = {"air:+10": 0.9}, {"polarity:sub left": -2.3}
    for means, is_drawn in ((cases, False), (cases | forgotten, True), (forgotten, False)):
        changed = with_scenarios(analysis, **means)
        assert has_rule(drawn_spreads(changed)) is is_drawn
        assert ("lines below the rule" in page_of(changed)) is is_drawn


def test_brackets_are_spoken_of_where_a_sentence_has_some(analysis):
    bare = tuple(
        dataclasses.replace(one, setting=one.setting and dataclasses.replace(one.setting, limits=()))
        for one in analysis.grounds
    )
    for grounds, has_some in ((analysis.grounds, True), (bare, False)):
        text = page_of(dataclasses.replace(analysis, grounds=grounds))
        assert ("(otherwise" in text) is ("in brackets stands" in text) is has_some


@pytest.mark.parametrize(
    ("error_db", "said"), [(0.4, "A curve is as wide as"), (0.01, "move the curves by 0.1 dB at most")]
)
def test_the_width_of_a_curve_is_spoken_of_where_it_is_seen(analysis, error_db, said):
    """Of curves some dB high, 0.8 dB either way is seen and 0.02 dB is thinner than the line."""
    one = analysis.delay_scans[0]
    std_db = np.full_like(one.normal_db, error_db)
    changed = dataclasses.replace(one, normal_std_db=std_db, inverted_std_db=std_db)
    text = summaries.scan(analysis, changed)
    assert said in text
    assert ("as wide as" in text) is (error_db > 0.1)
    unknown = dataclasses.replace(one, normal_std_db=std_db * np.nan, inverted_std_db=std_db * np.nan)
    assert "curve" not in summaries.scan(analysis, unknown)


@pytest.mark.parametrize(
    ("std_deg", "is_pale", "is_broken"), [(2.0, False, False), (25.0, True, False), (45.0, False, True)]
)
def test_errors_of_levels_are_spoken_of_where_they_are_drawn(analysis, std_deg, is_pale, is_broken):
    """Two standard errors in dB: 2 degrees are 0.6, 25 degrees 7.6, 45 degrees 13.6, more than is drawn."""
    changed = dataclasses.replace(
        analysis, bands=tuple(dataclasses.replace(row, phase_std_deg=std_deg) for row in analysis.bands)
    )
    text = summaries.level(changed, "mix")
    assert ("Pale: two standard errors" in text) is is_pale
    assert (f"A line breaks where two standard errors are more than {MOST_ERROR_DB:g} dB." in text) is is_broken
    from matplotlib.figure import Figure

    figure = Figure(figsize=(5, 4))
    plots_outputs.level(figure, changed, Look.of(changed), "mix")
    lines = [line for line in figure.axes[0].lines if len(line.get_xdata()) > 2]
    assert all(np.isnan(line.get_ydata()).all() for line in lines) is is_broken
    assert bool(figure.axes[0].collections) is is_pale


def test_hatching_and_numbers_are_spoken_of_where_there_are_some(analysis):
    assert any(one.left_out for one in analysis.waveforms)
    whole = tuple(dataclasses.replace(one, left_out=()) for one in analysis.waveforms)
    plain = page_of(dataclasses.replace(analysis, waveforms=whole, findings=()))
    assert "What was in the recordings" in plain
    for words in ("Hatched", "Numbers are the findings", 'id="left-out"'):
        assert words not in plain
    assert "closer together than 0.5 s" in page_of(analysis)


def test_what_is_left_out_is_hatched_over_the_wave(analysis):
    """Drawn later is drawn above: a clipped stretch, which is a solid block, does not hide that it is left out."""
    text = page_of(analysis)
    drawing = next(part for part in text.split('role="img"') if "url(#left-out)" in part)
    assert drawing.index("<path d=") < drawing.index("url(#left-out)")


def test_arrivals_as_recommended_are_drawn_where_a_delay_changes(analysis):
    """A line per arrival whose output gets another delay, as long as the change; words only where there is one."""
    from matplotlib.figure import Figure

    for changes in (analysis.recommended_change, {}):
        changed = dataclasses.replace(analysis, recommended_change=changes)
        moved = {name: ms for name, (_, ms) in changes.items() if ms}
        figure = Figure(figsize=(5, 5))
        plots_outputs.arrival(figure, changed, Look.of(changed))
        lengths = [np.ptp(line.get_xdata()) for line in figure.axes[0].lines if len(set(line.get_ydata())) == 1]
        drawn = sorted({round(float(one), 3) for one in lengths if len(lengths) and one > 0.0 and one != 1.0})
        assert drawn == sorted({abs(ms) for ms in moved.values()})
        text = summaries.arrival(changed)
        assert ("the arrival as recommended" in text) is bool(moved)
        assert text.startswith("At present settings: ")


def test_where_outputs_meet_is_told_no_closer_than_a_band(analysis):
    """Edges of third octaves, 17 782.8 and 141.3 Hz (IEC 61260-1, base ten), with two digits."""
    rows = tuple(
        dataclasses.replace(row, overlap_low_hz=141.254, overlap_high_hz=17782.8) for row in analysis.recommendations
    )
    table = certainty_table(dataclasses.replace(analysis, recommendations=rows))
    assert {row[-2:] for row in table.rows} == {("140", "18000")}


def louder(analysis, pairs: set[tuple[str, str]]):
    """The analysis with these pairs 6 dB apart, the first of each the quieter, and all other pairs equally loud."""
    rows = tuple(
        dataclasses.replace(row, level_difference_db=-6.0 if (row.output, row.other) in pairs else 0.0, usable="yes")
        for row in analysis.pairs
    )
    return dataclasses.replace(analysis, pairs=rows)


def test_a_sub_is_compared_with_the_main_beside_it(make):
    """The main whose arrivals its own follow from seat to seat, 3 ms later, whichever is louder; a tower's is fixed."""
    analysis = make(("main left", "main right", "sub left", "sub right", "tower"), ("mix", "lawn", "hill"))
    outputs = dict(analysis.sound_check.outputs)
    for name in outputs:
        kind, _, side = name.partition(" ")
        outputs[name] = dataclasses.replace(outputs[name], kind=kind, group=f"{kind}s" if side else "")
    arrivals = dict(analysis.arrival_present_ms)
    for (name, position), ms in analysis.arrival_present_ms.items():
        if name.startswith("main"):
            arrivals[name.replace("main", "sub"), position] = ms + 3.0
    check = dataclasses.replace(analysis.sound_check, outputs=outputs)
    analysis = dataclasses.replace(analysis, sound_check=check, arrival_present_ms=arrivals)
    analysis = louder(analysis, {("main left", "sub right"), ("main left", "sub left")})
    assert partners(analysis) == {"sub left": "main left", "sub right": "main right", "tower": "main left"}
    said = {plot.title: plot.text for plot in plots(analysis) if plot.title.startswith("Phase")}
    assert "the main that stands nearest to it" in said["Phase of sub right against main right"]
    assert "the reference that its arrival is set against" in said["Phase of tower against main left"]
    assert {title for title, text in said.items() if "is lined up by arrival, as late as was asked" in text} == {
        "Phase of tower against main left"
    }
    lone = make(("mains", "sub"), ("mix", "lawn"))
    assert all("nearest to it" not in plot.text for plot in plots(lone))


def test_without_a_main_an_output_is_compared_with_what_it_meets_most(analysis):
    pairs = tuple(row for row in analysis.pairs if "mains" not in (row.output, row.other))
    bare = louder(dataclasses.replace(analysis, pairs=pairs), {("sub left", "wedge")})
    assert partners(bare)["sub left"] == "wedge"
    text = next(plot.text for plot in plots(bare) if plot.title.startswith("Phase of sub left"))
    assert "minus wedge, which it meets most, where both" in text


def test_what_is_likeliest_is_marked_where_nothing_is_recommended(analysis):
    """A setting that only stays is not called recommended."""
    one = next(scan for scan in analysis.delay_scans if scan.outputs == ("sub left",))
    row = next(row for row in analysis.recommendations if row.output == "sub left")
    open_row = dataclasses.replace(
        row,
        decision="undecided",
        recommended_delay_ms=row.setting_delay_ms,
        recommended_polarity=row.setting_polarity,
    )
    rows = [open_row if other is row else other for other in analysis.recommendations]
    still = dataclasses.replace(analysis, recommendations=tuple(rows))
    decided, undecided = scan_places(analysis, "sub left"), scan_places(still, "sub left")
    assert list(decided) == ["at present", "as recommended", "runner-up"]
    assert list(undecided) == ["at present", "likeliest so far", "runner-up"]
    assert undecided["likeliest so far"] == decided["as recommended"]
    assert "of the likeliest so far" in summaries.scan(still, one)
    assert "as recommended " not in summaries.scan(still, one).removeprefix(
        "Score with all other outputs as recommended"
    )


@pytest.mark.parametrize(("n", "called"), [(1, "octaves"), (3, "third octaves"), (12, "twelfth octaves")])
def test_bands_are_called_what_they_are(analysis, n, called):
    texts = [one.text for one in plots(dataclasses.replace(analysis, bands_per_octave=n)) if "in phase" in one.text]
    assert texts
    assert all(f"where both are heard, {called} from" in text for text in texts)
