"""The settings sheet in a real browser: on one page of paper whatever its size, and copied as text."""

from __future__ import annotations

import dataclasses
import importlib.resources
import re
import shutil
import subprocess

import pytest
from large_making import OUTPUTS, make_large

from analyze.reports import write_report
from analyze.reports.page_text import sheet_text


@pytest.fixture(scope="module")
def large_report(tmp_path_factory):
    """A report of 16 outputs at 8 positions."""
    target = tmp_path_factory.mktemp("large") / "harbour"
    write_report(make_large(), target)
    return target


def printed(page, path, paper) -> list[str]:
    """The text of every page of paper."""
    page.pdf(path=path, format=paper)
    text = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, check=True).stdout
    return text.decode().split("\f")


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no pdftotext (Debian: apt install poppler-utils)")
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_sheet_of_sixteen_outputs_is_one_page_of_paper(opened, large_report, tmp_path, paper):
    page = opened(large_report)
    first, second = printed(page, tmp_path / "sheet.pdf", paper)[:2]
    places = [re.search(rf"^ +\d+ +{name}\b", first, re.MULTILINE).start() for name in OUTPUTS]
    assert len(places) == 16
    assert "kick out" in first
    assert "Confidence: the probability that" in first
    assert "Better by:" in first
    assert first.index("2026-05-14") < first.index("air 21.0 °C") < min(places)
    assert "What needs a hand" in second
    for left_out in ("Copy the sheet", "The sheet as text", "ms unchanged", "Runner-up"):
        assert left_out not in first


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no pdftotext (Debian: apt install poppler-utils)")
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_sheet_of_eight_outputs_is_one_page_with_its_checks(opened, make, tmp_path, paper):
    names = ("main left", "sub", "tower", "wedge", "fill", "outer", "low", "delay")
    made = make(names, ("mix", "stage centre", "lawn", "balcony"))
    rows = tuple(
        row
        if row.output in ("main left", "sub")
        else dataclasses.replace(
            row,
            recommended_delay_ms=row.setting_delay_ms,
            recommended_polarity="normal",
            delay_change_ms=0.0,
            polarity_change="no",
            decision="keep",
            alternative="",
            reason="Keep it: no other setting adds more.",
        )
        for row in made.recommendations
    )
    made = dataclasses.replace(
        made,
        recommendations=rows,
        inputs=(),
        wiring=tuple(dataclasses.replace(row, polarity="normal") for row in made.wiring),
        proofs=tuple(
            dataclasses.replace(made.proofs[0], outputs=(name,)) for name in ("sub", "tower", "wedge", "fill")
        ),
    )
    write_report(made, tmp_path / "harbour")
    page = opened(tmp_path / "harbour")
    first, second = printed(page, tmp_path / "sheet.pdf", paper)[:2]
    assert [name for name in names if not re.search(rf"^ +\d+ +{name}\b", first, re.MULTILINE)] == []
    assert first.count("Check by ear.") == 4
    for said in (
        "Better by: smallest at balcony: −0.3 dB",
        "Checks, when all is typed",
        "Worse: ",
        "1 error and 1 warning",
    ):
        assert said in " ".join(first.split())
    assert "What needs a hand" in second


def test_the_page_of_sixteen_outputs_at_eight_positions_is_small(large_report):
    assert (large_report / "report.html").stat().st_size < 2_000_000


@pytest.mark.parametrize("width", [1440, 1024, 390])
def test_nothing_of_a_large_page_sticks_out(opened, large_report, width):
    page = opened(large_report, width=width)
    page.locator("summary").first.click()
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_the_sheet_opens_as_text_without_scripts(opened, report, analysis):
    page = opened(report, java_script_enabled=False)
    assert not page.get_by_role("button", name="Copy the sheet").is_visible()
    text = page.get_by_label("The settings sheet as text")
    assert not text.is_visible()
    page.get_by_text("The sheet as text").click()
    assert text.is_visible()
    assert text.text_content() == sheet_text(analysis)


def test_the_button_copies_the_sheet(opened, report, analysis):
    page = opened(report, permissions=["clipboard-read", "clipboard-write"])
    page.get_by_role("button", name="Copy the sheet").click()
    page.get_by_text("Copied.").wait_for()
    assert page.evaluate("navigator.clipboard.readText()") == sheet_text(analysis)


@pytest.mark.parametrize(("may_copy", "said"), [("true", "Copied."), ("false", "Selected: copy it with Ctrl+C")])
def test_where_the_clipboard_is_closed_the_text_stands_selected(opened, report, analysis, may_copy, said):
    page = opened(report)
    page.evaluate(
        f"""() => {{
          Object.defineProperty(navigator, "clipboard", {{ value: undefined }});
          document.execCommand = () => {may_copy};
        }}"""
    )
    page.get_by_role("button", name="Copy the sheet").press("Enter")
    page.get_by_text(said).wait_for()
    selected = page.evaluate("getSelection().toString()")
    assert selected.split() == sheet_text(analysis).split()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_keeps_anybody_out_of_a_large_page(opened, large_report, scheme):
    """axe-core (live), with the text of the sheet open; colours of cells are among what it measures."""
    page = opened(large_report, color_scheme=scheme)
    page.locator("summary").first.click()
    page.evaluate((importlib.resources.files("axe_core_python") / "axe.min.js").read_text("utf-8"))
    broken = page.evaluate("axe.run().then((found) => found.violations)")
    assert [(v["id"], [n["html"][:120] for n in v["nodes"]][:3]) for v in broken] == []


def test_cells_keep_their_colours_on_paper(opened, large_report):
    page = opened(large_report, color_scheme="dark")
    page.emulate_media(media="print")
    cell = page.locator("#seats .tone-up4, #seats .tone-down4").first
    seen = cell.evaluate("(c) => [getComputedStyle(c).printColorAdjust, getComputedStyle(c).backgroundColor]")
    assert seen[0] == "exact"
    assert min(map(int, re.findall(r"\d+", seen[1])[:3])) > 100  # the light variant, which is for paper
