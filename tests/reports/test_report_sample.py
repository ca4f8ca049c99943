"""The kept report of the sample, as it lies in the tree: the promises of the page, kept on it."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from browsing import PAPER_PX, SUMS, needs_pdftotext, print_width, printed, violations

from analyze.acoustics import energy_db
from analyze.reports.columns import TABLES

REPORT = Path(__file__).parents[2] / "reports" / "sample_audio"


def test_the_kept_report_has_the_tables_of_today_and_no_finding():
    """Where this fails, `analyze run sample_audio` has not been run since a change of columns."""
    kept = {table.path: (REPORT / table.path).read_text(encoding="utf-8").partition("\n")[0] for table in TABLES}
    assert {path: head.split(",") for path, head in kept.items()} == {
        table.path: [column.name for column in table.columns] for table in TABLES
    }
    assert len((REPORT / "quality.csv").read_text(encoding="utf-8").splitlines()) == 1


def test_it_opens_with_one_request_and_is_whole_without_scripts(opened):
    page = opened(REPORT)
    assert len(page.requests) == 1
    assert page.locator("#try").is_visible()
    plain = opened(REPORT, java_script_enabled=False)
    for name in ("settings", "hand", "arrive", "way-up", "add", "seats", "sure", "monitors", "takes", "recorded"):
        assert plain.locator(f"#{name}").is_visible()
    assert (REPORT / "report.html").stat().st_size <= 2_000_000


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nobody_is_kept_out(opened, scheme):
    assert violations(opened(REPORT, color_scheme=scheme)) == []


@pytest.mark.parametrize("width", [1440, 1024, 390])
def test_nothing_is_wider_than_the_window(opened, width):
    page = opened(REPORT, width=width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_paper_is_wide_enough(opened):
    assert print_width(opened(REPORT)) <= PAPER_PX


@needs_pdftotext
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_sheet_fits_one_page(opened, tmp_path, paper):
    pages = printed(opened(REPORT), tmp_path / "page.pdf", paper)
    outputs = ("main left", "main right", "sub left", "sub right", "front fill", "delay tower", "wedge", "side fill")
    assert all(name in pages[0] for name in outputs)
    assert "What needs a hand" not in pages[0]


def test_its_bands_are_those_of_the_file(opened):
    found = opened(REPORT).evaluate(SUMS, None)
    with (REPORT / "prediction.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if 25.0 <= float(row["band_hz"]) <= 315.0]
    positions = list(dict.fromkeys(row["position"] for row in rows))
    assert len(rows) == 12 * len(positions)
    for row in rows:
        band = found["bands"][positions.index(row["position"])][found["centres"].index(float(row["band_hz"]))]
        said = float(energy_db(band["actual"] / band["most"]))
        assert said == pytest.approx(float(row["present_db"]), abs=0.1)
