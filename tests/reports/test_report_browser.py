"""The page in a real browser: offline, its numbers those of the program, usable by keyboard, harmless with any name."""

from __future__ import annotations

import re

import numpy as np
import pytest
from browsing import SUMS, as_objects, expected, line_errors_db, needs_pdftotext, printed, violations

from analyze.acoustics import energy_db
from analyze.alignment.cells import find_cells
from analyze.alignment.prediction import prediction_rows
from analyze.reports.page import SCRIPTS

#: Two settings to try, (delay_ms, polarity, level_db, mute) per output of the ordinary analysis.
TRIED = [
    [(0.0, "normal", 0, False), (9.3, "inverted", -6.0, False), (4.0, "normal", 3.0, False), (6.0, "normal", 0, True)],
    [(1.27, "inverted", 0, False), (2.0, "normal", 0, False), (4.0, "normal", 0, False), (31.5, "inverted", 0, False)],
]


def test_it_opens_with_one_request_and_no_network(opened, report):
    page = opened(report)
    assert len(page.requests) == 1
    assert page.locator("#try").is_visible()


@pytest.mark.parametrize("settings", TRIED)
def test_its_sums_are_those_of_the_program(opened, report, analysis, settings):
    """Sums of magnitudes line by line below 315 Hz within 0.05 dB wherever they are not 40 dB under the loudest."""
    found = opened(report).evaluate(SUMS, as_objects(settings))
    assert found["score"]["mean_db"] == pytest.approx(expected(analysis, settings)[1], abs=0.005)
    assert np.abs(line_errors_db(analysis, found, settings)).max() < 0.05


def test_its_bands_are_those_of_the_prediction(opened, report, analysis, capsys):
    """Within 0.1 dB below 315 Hz, where every line is there; above, how far off is measured and printed."""
    found = opened(report).evaluate(SUMS, None)
    weights = [p.weight * (p.zone == "audience") for p in analysis.sound_check.positions.values()]
    cells = find_cells(analysis.responses, weights)
    rows = prediction_rows(analysis.responses, analysis.sound_check, {}, cells, 3)
    positions = list(analysis.sound_check.positions)
    off = {True: [], False: []}
    for row in rows:
        if row.band_hz not in found["centres"]:
            continue
        band = found["bands"][positions.index(row.position)][found["centres"].index(row.band_hz)]
        off[row.band_hz <= 315.0].append(abs(float(energy_db(band["actual"] / band["most"])) - row.present_db))
    assert len(off[True]) == 12 * len(positions)
    assert max(off[True]) < 0.1
    assert len(off[False]) > 12 * len(positions)
    with capsys.disabled():
        median, most = np.median(off[False]), max(off[False])
        print(f"\nabove 315 Hz the page is {median:.2f} dB off in the median, {most:.2f} dB at most")  # noqa: T201


def test_without_scripts_the_page_is_whole(opened, report):
    page = opened(report, java_script_enabled=False)
    assert not page.locator("#try").is_visible()
    assert not page.get_by_role("link", name="Try other settings").is_visible()
    assert page.locator("#settings").is_visible()
    assert page.locator("#sure").is_visible()


def test_hostile_names_run_nothing(opened, hostile_report, hostile):
    page = opened(hostile_report)
    assert page.locator('[data-part="rows"] tr').count() == len(hostile.sound_check.outputs)
    assert page.evaluate("document.scripts.length") == len(SCRIPTS) + 1  # the block of responses


@pytest.mark.parametrize(("which", "scheme"), [("report", "light"), ("report", "dark"), ("hostile_report", "dark")])
def test_nothing_keeps_anybody_out(opened, request, scheme, which):
    assert violations(opened(request.getfixturevalue(which), color_scheme=scheme)) == []


def test_dark_is_dark(opened, report):
    colour = "getComputedStyle(document.body).backgroundColor.match(/\\d+/g).map(Number)"
    assert max(opened(report, color_scheme="dark").evaluate(colour)) < 60
    assert min(opened(report, color_scheme="light").evaluate(colour)) > 200


@pytest.mark.parametrize("width", [1440, 1024, 390])
def test_nothing_sticks_out_at_any_width(opened, report, hostile_report, width):
    for folder in (report, hostile_report):
        page = opened(folder, width=width)
        assert page.evaluate("document.documentElement.scrollWidth") <= width


@needs_pdftotext
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_printed_sheet_is_one_page(opened, report, analysis, tmp_path, paper):
    whole = printed(opened(report), tmp_path / "sheet.pdf", paper)
    first, second = whole[:2]
    for row in analysis.recommendations:
        assert re.search(rf"\b{re.escape(row.output)}\b", first)
    assert "Confidence: how likely it is that" in first
    assert "Better by:" in first
    assert "What needs a hand" in second
    assert "Try other settings" not in "".join(whole)
