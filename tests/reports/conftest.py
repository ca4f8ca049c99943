"""Analyses to write reports of, reports on the disk, and a browser to open them in."""

from __future__ import annotations

import fcntl
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
from analysis_making import HOSTILE, make_analysis

from analyze.pipeline import Analysis
from analyze.reports import write_report


@pytest.fixture(scope="session")
def analysis() -> Analysis:
    """An ordinary analysis: four outputs, four positions."""
    return make_analysis()


@pytest.fixture(scope="session")
def hostile() -> Analysis:
    """An analysis in which every name is hostile."""
    return make_analysis(HOSTILE, HOSTILE[:5], title='<img src=x onerror=alert(1)> "title"')


@pytest.fixture(scope="session")
def make():
    """The maker of analyses, for tests that need their own."""
    return make_analysis


@pytest.fixture(scope="session")
def report(tmp_path_factory, analysis) -> Path:
    """A report of the ordinary analysis on the disk; not to be changed."""
    return written_once(tmp_path_factory, "ordinary", analysis)


@pytest.fixture(scope="session")
def hostile_report(tmp_path_factory, hostile) -> Path:
    """A report of the hostile analysis on the disk; not to be changed."""
    return written_once(tmp_path_factory, "hostile", hostile)


def written_once(tmp_path_factory, name: str, analysis: Analysis) -> Path:
    """The report folder of an analysis, written by the first process that asks for it and shared by all."""
    base = tmp_path_factory.getbasetemp()
    base = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base
    target = base / name / "harbour"
    with (base / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not target.exists():
            write_report(analysis, target)
    return target


@pytest.fixture(scope="session")
def contrast():
    """The contrast ratio of two colours, 1 to 21, by WCAG 2.1."""
    return contrast_ratio


def contrast_ratio(one: str, two: str) -> float:
    low, high = sorted((luminance(one), luminance(two)))
    return (high + 0.05) / (low + 0.05)


def luminance(text: str) -> float:
    """Relative luminance of an sRGB colour (WCAG 2.1, after IEC 61966-2-1)."""
    c = np.array([int(text[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return float(np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4) @ [0.2126, 0.7152, 0.0722])


@pytest.fixture(scope="session")
def browser():
    """The system's Chromium; tests that need it are skipped with the reason where it cannot be had."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    path = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
    if path is None:
        pytest.skip("no Chromium on this machine (Debian: apt install chromium)")
    with sync_api.sync_playwright() as playwright:
        try:
            started = playwright.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-dev-shm-usage"])
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
