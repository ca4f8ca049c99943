"""How close the printed sheet is set: by how many outputs there are and how much there is to say of them."""

from __future__ import annotations

import dataclasses
import re

import pytest
from browsing import needs_pdftotext, printed

from analyze.reports.page import page_bytes
from analyze.reports.page_paper import density

NAMES = tuple(f"output {k}" for k in range(1, 17))


def wordy(analysis, n_words: int):
    """The analysis with so many words more in every reason."""
    rows = tuple(
        dataclasses.replace(row, reason=f"{row.reason} {'lantern ' * n_words}".strip(), decision="keep", group="")
        for row in analysis.recommendations
    )
    return dataclasses.replace(analysis, recommendations=rows, inputs=())


@pytest.mark.parametrize(("n", "said"), [(4, ""), (5, "close"), (8, "close"), (9, "dense")])
def test_more_outputs_are_set_closer(make, n, said):
    assert density(wordy(make(NAMES[:n], ("mix",)), 0)) == said


@needs_pdftotext
@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize(("n_words", "left_out"), [(3, "lean"), (12, "scant")])
def test_sixteen_outputs_stay_on_a_page_without_what_can_be_spared(opened, make, tmp_path, n_words, left_out, paper):
    long = wordy(make(NAMES, ("mix", "stage", "back")), n_words)
    assert density(long) == f"dense {left_out}"
    (tmp_path / "report.html").write_bytes(page_bytes(long, ()))  # the sheet needs no drawings
    first = printed(opened(tmp_path), tmp_path / "sheet.pdf", paper)[0]
    assert [name for name in NAMES if not re.search(rf"^ +\d+ +{name}\b", first, re.MULTILINE)] == []
    said = " ".join(first.split())
    assert "Under 80 % the present setting is kept" in said
    assert "the outputs add to" not in said
    assert ("differences inside a group are taken as design" in said) is (left_out == "lean")
