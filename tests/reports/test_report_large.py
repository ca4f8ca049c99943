"""The page of sixteen outputs at eight positions: its size, and that it still moves."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest

from analyze.reports import write_report
from analyze.reports.page_model import page_model

KINDS = ("main", "sub", "outer fill", "lip fill", "tower", "balcony", "wedge", "under balcony")
OUTPUTS = tuple(f"{kind} {side}" for kind in KINDS for side in ("left", "right"))
POSITIONS = ("mix", "stage centre", *(f"row {letter}" for letter in "CHMRVZ"))


@pytest.fixture(scope="module")
def large(make):
    return make(OUTPUTS, POSITIONS)


@pytest.fixture(scope="module")
def large_report(tmp_path_factory, large):
    folder = tmp_path_factory.mktemp("large") / "hall"
    write_report(large, folder)
    return folder


def test_its_page_and_its_block_are_within_their_sizes(large_report):
    page = (large_report / "report.html").read_bytes()
    block = re.search(rb'<script type="application/json" id="model">(.*?)</script>', page, re.DOTALL)[1]
    assert len(json.loads(block)["outputs"]) == 16
    assert len(block) <= 1_000_000
    assert len(page) <= 2_000_000
    assert b"drawn in plots/" not in page  # nothing was left out for it


def test_its_block_uses_the_room_it_has(large, analysis):
    """Every line below 355 Hz; above, more per octave than the fewest and fewer than a small sound check has."""
    counts = {}
    for name, one in (("large", large), ("small", analysis)):
        model = page_model(one)
        hz = np.array(model["lines"]) * model["line_spacing_hz"]
        assert np.all(np.diff(np.array(model["lines"])[hz < 355.0]) == 1)
        counts[name] = int(((hz >= 1000.0) & (hz < 2000.0)).sum())
    assert counts["small"] == pytest.approx(192, abs=1)
    assert 150 < counts["large"] < 192


def test_it_still_moves(opened, large_report, capsys):
    """How long a redraw takes is printed, not judged: machines differ."""
    page = opened(large_report)
    score = page.locator('[data-part="score"]')
    before = score.text_content()
    took_ms = page.evaluate(
        """async () => {
          const field = document.querySelectorAll('[data-part="delay"]')[2];
          field.focus();
          const took = [];
          for (let k = 0; k < 9; k++) {
            await new Promise(requestAnimationFrame);
            field.value = Number(field.value) + 1;
            const start = performance.now();
            field.dispatchEvent(new Event("input", { bubbles: true }));
            await new Promise((done) => requestAnimationFrame(() => setTimeout(done)));
            took.push(performance.now() - start);
          }
          return took.sort((a, b) => a - b)[4];
        }"""
    )
    assert score.text_content() != before
    assert page.locator('[data-part="rows"] tr').count() == 16
    with capsys.disabled():
        print(f"\nsixteen outputs at eight positions: a control redraws in {took_ms:.0f} ms")  # noqa: T201
