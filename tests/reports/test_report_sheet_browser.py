"""The settings sheet in a real browser: on one page of paper whatever its size, and copied as text."""

from __future__ import annotations

import dataclasses
import re

import pytest
from browsing import needs_pdftotext, printed

from analyze.reports.page import page_bytes
from analyze.reports.page_text import sheet_text


@needs_pdftotext
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
    (tmp_path / "report.html").write_bytes(page_bytes(made, ()))  # the sheet needs no drawings
    page = opened(tmp_path)
    first, second = printed(page, tmp_path / "sheet.pdf", paper)[:2]
    assert [name for name in names if not re.search(rf"^ +\d+ +{name}\b", first, re.MULTILINE)] == []
    assert first.count("Check by ear.") == 4
    for said in (
        "Better by: worst at balcony: −0.3 dB",
        "Checks, when all is typed",
        "Worse: ",
        "1 error and 1 warning",
    ):
        assert said in " ".join(first.split())
    assert "What needs a hand" in second


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
