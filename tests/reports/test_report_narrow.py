"""The page on a narrow screen and on paper: nothing cut without a sign, folds without scripts, pages filled."""

from __future__ import annotations

import re
import shutil
import subprocess

import pytest

from analyze.reports.page import page_bytes
from analyze.reports.plots import plots

OUTPUTS = ("main left", "main right", "sub left", "sub right", "fill", "tower", "wedge", "side fill")
POSITIONS = ("mix", "stage", "front", "left", "back", "balcony")


def test_findings_are_whole_on_a_narrow_screen(opened, report):
    """Severity, name, place, figure and what to do of every finding lie within the screen, the latter named."""
    page = opened(report, width=390)
    rows = page.locator("#hand tbody tr").all()
    assert rows
    for row in rows:
        for cell in row.locator("th, td:not(:empty)").all():
            box = cell.bounding_box()
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= 390
    named = rows[0].locator("td.long").evaluate("e => getComputedStyle(e, '::before').content")
    assert named.startswith("attr(") or "what to do" in named


def test_what_is_wider_than_the_screen_shows_that_it_is(opened, report):
    """Tables by shadows that scroll with the edge of the frame, not with the table; drawings in words."""
    page = opened(report, width=390)
    page.evaluate("() => { for (const one of document.querySelectorAll('details')) one.open = true; }")
    wide = page.locator(".scroll").evaluate_all(
        """(all) => all.filter((e) => e.scrollWidth > e.clientWidth + 1).map((e) => [
          e.closest("figure") !== null,
          getComputedStyle(e).backgroundAttachment,
          getComputedStyle(e, "::before").content,
        ])"""
    )
    assert {is_figure for is_figure, _, _ in wide} == {True, False}
    for is_figure, attachment, words in wide:
        assert attachment == "local, local, scroll, scroll"
        assert ("slide it sideways" in words) is is_figure


def test_a_small_table_is_no_wider_than_a_narrow_screen(opened, report):
    """Arrivals at the one position on stage: two columns, of which the first does not take all."""
    page = opened(report, width=390)
    region = page.locator("#arrive .scroll", has_text="on stage at present settings").last
    assert region.evaluate("e => e.scrollWidth <= e.clientWidth")
    first, second = (cell.bounding_box() for cell in region.locator("thead th").all()[:2])
    assert second["x"] + second["width"] <= 390
    assert first["width"] < 0.75 * (first["width"] + second["width"])


def test_figures_fold_on_narrow_screens_alone_and_without_scripts(opened, report):
    narrow = opened(report, width=390, java_script_enabled=False)
    first = narrow.locator("#sure details.figures-of").first
    assert not first.locator("table").first.is_visible()
    assert narrow.locator("#sure-1 + p").is_visible()
    height_px = first.bounding_box()["height"]
    first.locator("summary").click()
    assert first.locator("table").first.is_visible()
    assert first.bounding_box()["height"] > 3 * height_px
    wide = opened(report, java_script_enabled=False)
    assert wide.locator("#sure details.figures-of table").first.is_visible()
    assert not wide.locator("#sure details.figures-of summary").first.is_visible()
    assert wide.locator("#add details.figures-of svg").first.is_visible()


@pytest.fixture(scope="module")
def printed(make, browser, tmp_path_factory):
    """Eight outputs at six positions on paper: per page the lowest word, in parts of its height, and text."""
    if shutil.which("pdftotext") is None:
        pytest.skip("no pdftotext (Debian: apt install poppler-utils)")
    folder = tmp_path_factory.mktemp("printed")
    analysis = make(OUTPUTS, POSITIONS)
    drawn = [(plot, plot.render()[0]) for plot in plots(analysis)]
    (folder / "report.html").write_bytes(page_bytes(analysis, drawn))
    page = browser.new_page()
    page.goto(f"file://{folder / 'report.html'}")
    page.pdf(path=folder / "page.pdf", format="A4")
    page.close()
    found = subprocess.run(["pdftotext", "-bbox", folder / "page.pdf", "-"], capture_output=True, check=True).stdout
    pages = []
    for text in found.decode().split("<page ")[1:]:
        height = float(re.search(r'height="([\d.]+)"', text)[1])
        words = re.findall(r'yMax="([\d.]+)">(.*?)</word>', text)
        pages.append((max(float(y) for y, _ in words) / height, " ".join(word for _, word in words)))
    return pages


def test_printed_pages_are_filled(printed):
    """All but the sheet and the last reach down to three fifths of the paper; no page holds the last line alone."""
    assert len(printed) > 5
    assert min(low for low, _ in printed[1:-1]) > 0.6
    assert "A prediction is no measurement" in printed[-1][1]


def test_figures_that_fold_on_a_screen_are_printed(printed):
    text = " ".join(words for _, words in printed)
    assert "sub left: what every position says" in text
    assert "How loud is each output at balcony?" in text
