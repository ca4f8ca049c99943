"""A browser that opens reports, and what the program itself computes of settings to try on the page."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

from analyze.alignment.cells import find_cells
from analyze.alignment.score import efficiency_db, mean_score, trusted, with_changes

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)


@pytest.fixture(scope="module")
def browser():
    """Chromium, or a skip that says why there is none."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine (Debian: apt install chromium)")
    with sync_api.sync_playwright() as playwright:
        try:
            started = playwright.chromium.launch(
                executable_path=CHROMIUM, args=["--no-sandbox", "--disable-dev-shm-usage"]
            )
        except sync_api.Error as error:
            pytest.skip(f"Chromium does not start on this machine: {error.message.splitlines()[0]}")
        yield started
        started.close()


@pytest.fixture
def opened(browser):
    """Opens a report and gathers what it asks for and complains of; nothing may be complained of."""
    contexts, said = [], []

    def open_(folder, fragment="", width=1440, **how):
        context = browser.new_context(offline=True, viewport={"width": width, "height": 900}, **how)
        contexts.append(context)
        page = context.new_page()
        page.requests = []
        page.on("request", lambda request: page.requests.append(request.url))
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("dialog", lambda dialog: said.append(dialog.message))
        page.goto(f"file://{folder / 'report.html'}{fragment}")
        return page

    yield open_
    for context in contexts:
        context.close()
    assert said == []


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
