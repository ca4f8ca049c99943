"""One word per meaning on page, plots, sheet and terminal: present, recommended, unchanged."""

from __future__ import annotations

import dataclasses
import io
import re

import pytest
from page_reading import read
from rich.console import Console

from analyze.description import Setting
from analyze.reports import page, summaries
from analyze.reports.page_text import sheet_text
from analyze.reports.plots import plots
from analyze.reports.selections import present_arrivals
from analyze.reports.terminal import print_summary

#: Other words for settings in force, and for what is not changed.
OTHER_WORDS = re.compile(
    r"\bas captured|\bas recorded|\bas (?:it is|they are)\b|left as|leav(?:e|ing) it\b|\bcurrent(?:ly)?\b"
)


def said(analysis, report) -> dict[str, str]:
    """What is read where: of the page also what its scripts write."""
    stream = io.StringIO()
    print_summary(analysis, console=Console(file=stream, width=100))
    scripts = "\n".join(page.page_part(name) for name in page.SCRIPTS if not name.startswith("vendor/"))
    written = re.sub(r"^\s*//.*$", "", scripts, flags=re.MULTILINE)
    return {
        "page": read(report).text,
        "scripts": written,
        "sheet": sheet_text(analysis),
        "terminal": stream.getvalue(),
        "plots": " ".join(plot.text for plot in plots(analysis)),
    }


def test_settings_in_force_are_called_present_and_nothing_else(analysis, report):
    for where, text in said(analysis, report).items():
        assert OTHER_WORDS.findall(text) == [], where
    assert "unchanged" in read(report).text
    assert re.search(r"output +present +set to", said(analysis, report)["terminal"])


def test_arrivals_are_drawn_at_present_settings(analysis):
    """A capture made with 5 ms less on the sub shows it 5 ms later than it was recorded, as the page's table does."""
    check = analysis.sound_check
    (capture,) = check.captures
    present_ms = check.outputs["sub left"].setting.delay_ms
    other = dataclasses.replace(capture, settings=capture.settings | {"sub left": Setting(present_ms - 5.0)})
    moved = dataclasses.replace(analysis, sound_check=dataclasses.replace(check, captures=(other,)))
    before, after = ({(r.output, r.position): r.arrival_ms for r in present_arrivals(a)} for a in (analysis, moved))
    for key, arrival_ms in before.items():
        assert after[key] == pytest.approx(arrival_ms + 5.0 * (key[0] == "sub left"))
    assert summaries.arrival(moved) != summaries.arrival(analysis)
