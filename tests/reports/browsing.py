"""What tests ask of a page in a browser, and what the program itself computes of settings to try on it."""

from __future__ import annotations

import importlib.resources
import shutil
import subprocess

import numpy as np
import pytest

from analyze.alignment.cells import find_cells
from analyze.alignment.score import efficiency_db, mean_score, trusted, with_changes

#: Sums of the page at settings, present ones where none are given.
SUMS = """(settings) => {
  const model = readModel(JSON.parse(document.getElementById("model").textContent));
  const sums = sumOf(model, settings ?? presentSettings(model));
  return {
    score: scoreOf(model, sums),
    bands: sums.map((sum) => bandEnergies(model, sum)),
    lines: sums.map((sum) => Array.from(sum.re, (re, k) => Math.hypot(re, sum.im[k]))),
    centres: model.bands.map(([hz]) => hz),
    frequency_hz: model.frequency_hz,
  };
}"""

#: A4 less the margins of the page, 186 mm, at 96 pixels to the inch.
PAPER_PX = 703

needs_pdftotext = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="no pdftotext (Debian: apt install poppler-utils)"
)


def expected(analysis, settings):
    """Responses (output, position, line) at settings, and the score of their sum, by the program's own arithmetic."""
    responses, outputs = analysis.responses, list(analysis.sound_check.outputs.values())
    changes, gains = {}, []
    for output, (delay_ms, polarity, level_db, mute) in zip(outputs, settings, strict=True):
        sign = 1.0 if polarity == output.setting.polarity else -1.0
        changes[output.name] = (sign, delay_ms - output.setting.delay_ms)
        gains.append(0.0 if mute else 10.0 ** (level_db / 20.0))
    weights = [p.weight * (p.zone == "audience") for p in analysis.sound_check.positions.values()]
    cells = find_cells(responses, weights)
    low = with_changes(trusted(responses), responses.frequency_hz, responses.outputs, changes)
    low *= np.array(gains)[:, None, None]
    return low, float(mean_score(efficiency_db(low, cells), cells))


def part(page, name):
    return page.locator(f'[data-part="{name}"]')


def as_objects(settings):
    return [dict(zip(("delay_ms", "polarity", "level_db", "mute"), one, strict=True)) for one in settings]


def line_errors_db(analysis, found, settings):
    """How far the page's sums are from the program's, line by line below 315 Hz, where not 40 dB under the loudest."""
    low, _ = expected(analysis, settings)
    frequency_hz = np.array(found["frequency_hz"])
    below = frequency_hz < 315.0
    at = np.searchsorted(analysis.responses.frequency_hz, frequency_hz[below] - 0.01)
    errors = []
    for p, magnitudes in enumerate(found["lines"]):
        by_program = np.abs(low[:, p, at].sum(axis=0))
        loud = by_program > 0.01 * by_program.max()
        errors.append(20.0 * np.log10(np.array(magnitudes)[below][loud] / by_program[loud]))
    return np.concatenate(errors)


def violations(page):
    """What axe-core (live) finds: rules of WCAG 2.1 A and AA, contrast 4.5 to 1 among them.

    Of what passes one example each is gathered, which takes a third of the time.
    """
    page.evaluate((importlib.resources.files("axe_core_python") / "axe.min.js").read_text("utf-8"))
    broken = page.evaluate("axe.run({ resultTypes: ['violations'] }).then((found) => found.violations)")
    return [(v["id"], [n["html"][:120] for n in v["nodes"]][:3]) for v in broken]


def print_width(page) -> int:
    """How wide the page is on paper of A4, in pixels; of more than fits a browser shrinks all that is printed."""
    page.set_viewport_size({"width": PAPER_PX, "height": 1000})
    page.emulate_media(media="print")
    return page.evaluate("document.documentElement.scrollWidth")


def printed(page, path, paper) -> list[str]:
    """The text of every page of paper."""
    page.pdf(path=path, format=paper)
    text = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, check=True).stdout
    return text.decode().split("\f")
