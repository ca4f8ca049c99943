"""What the guide's page `consulting` calls headings, buttons, files and columns of a report are theirs."""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

from analyze.guide import text_on
from analyze.reports.columns import TABLES

TEMPLATES = files("analyze.reports") / "templates"
PAGE = (TEMPLATES / "report.html.j2").read_text(encoding="utf-8")
NAMED = re.findall(r"(?<!\*)\*([A-Z][^*]+)\*(?!\*)", text_on("consulting"))
NAMED += [word for word in re.findall(r"`([^`]+)`", text_on("consulting")) if re.match(r"(Copy|The sheet)", word)]


@pytest.mark.parametrize("words", sorted(set(NAMED) - {"Coherence"}))
def test_headings_and_buttons_are_those_of_the_page(words: str) -> None:
    assert words in PAGE


def test_enough_is_named() -> None:
    assert len(set(NAMED)) >= 8


def test_the_address_begins_as_it_says() -> None:
    assert "`#try=`" in text_on("consulting")
    assert 'FRAGMENT = "#try="' in (TEMPLATES / "settings.js").read_text(encoding="utf-8")


def test_its_tables_are_in_a_report() -> None:
    named = set(re.findall(r"`(\w+)\.csv`", text_on("consulting")))
    assert named >= {"bands", "recommendations", "quality", "robustness"}
    assert named <= {table.name.removesuffix(".csv") for table in TABLES}
