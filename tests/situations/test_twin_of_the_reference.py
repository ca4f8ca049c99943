"""A main wired opposite to the reference beside it: turned over until that is mended, the rest set as if it were."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from takes import Take, build_scene, write

from analyze.description import load_sound_check
from analyze.pipeline import Analysis, analyse
from analyze.reports.headline import headline
from analyze.reports.page_sheet import sheet_rows, sheet_steps
from analyze.reports.wiring_notes import repair_note, until_mended
from analyze.simulate_feeds import pink_noise

OUTPUTS = ("main left", "main right", "sub left", "sub right")


def analysed(folder: Path, turned: tuple[str, ...]) -> Analysis:
    """Every output alone, those of `turned` wired inverted: recorded turned over, and not described so."""
    scene = build_scene(2)
    noise = pink_noise(12 * 24_000, 24_000, 30.0, 10_000.0, np.random.default_rng(8))
    takes = [Take(f"{name} alone", {name: noise}, turned=[name] if name in turned else []) for name in OUTPUTS]
    file = write(scene, folder, takes)
    text, n = re.subn(r"(?m)^settings = .*\n", "", file.read_text(encoding="utf-8"))
    assert n == len(turned)
    file.write_text(text, encoding="utf-8")
    return analyse(load_sound_check(file))


@pytest.fixture(scope="module")
def mended(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    return analysed(tmp_path_factory.mktemp("mended"), ())


@pytest.fixture(scope="module")
def both_wrong(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    return analysed(tmp_path_factory.mktemp("both_wrong"), ("main left", "main right"))


@pytest.fixture(scope="module")
def cancelling(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    return analysed(tmp_path_factory.mktemp("cancelling"), ("main right",))


def test_it_is_turned_over_and_all_else_set_as_if_it_were_mended(cancelling: Analysis, mended: Analysis) -> None:
    rows = {row.output: row for row in cancelling.recommendations}
    right = {row.output: row for row in mended.recommendations}
    assert right["main right"].decision == "reference"
    assert rows["main left"].decision == "reference"
    twin = rows["main right"]
    assert (twin.decision, twin.polarity_change, twin.delay_change_ms) == ("change", "yes", 0.0)
    for name in ("sub left", "sub right"):
        assert rows[name].decision == right[name].decision
        assert rows[name].recommended_polarity == right[name].recommended_polarity
        assert rows[name].recommended_delay_ms == right[name].recommended_delay_ms
    recommended = {(row.position, row.band_hz): row.recommended_db for row in mended.prediction}
    apart = [abs(row.recommended_db - recommended[row.position, row.band_hz]) for row in cancelling.prediction]
    assert np.nanmean(apart) < 0.004  # 0.0022: the microphones' noise is not turned over


def test_the_sheet_says_what_to_set_until_it_is_mended_and_after(cancelling: Analysis) -> None:
    rows = {row.output: row for row in sheet_rows(cancelling)}
    assert (rows["main right"].is_polarity_changed, rows["main right"].is_optional) == (True, False)
    assert "they cancel" in rows["main right"].reason
    row = next(row for row in cancelling.recommendations if row.output == "main right")
    other = {"normal": "inverted", "inverted": "normal"}[row.recommended_polarity]
    assert repair_note(cancelling, row) == f"Wired inverted: once that is mended, set {other}, same delay."
    assert until_mended(cancelling) == (
        "The settings below make up for that until then; once it is mended, turn the polarity back."
    )
    assert "only a twin that cancels it is turned over" in sheet_steps(cancelling)[0].hint
    assert "Keep the present settings" not in " ".join(headline(cancelling))


def test_nothing_is_said_of_a_twin_that_is_well(mended: Analysis) -> None:
    assert sheet_steps(mended)[0].hint.startswith("unchanged")


def test_where_the_whole_group_is_wrong_it_says_what_to_set_once_it_is_mended(
    both_wrong: Analysis, mended: Analysis
) -> None:
    """Turned over, what was set against it is as right as what is recommended where nothing is wrong."""
    rows = {row.output: row for row in both_wrong.recommendations}
    right = {row.output: row for row in mended.recommendations}
    assert (rows["main left"].decision, rows["main right"].decision) == ("reference", "reference")
    sub, other = rows["sub left"], {"normal": "inverted", "inverted": "normal"}
    assert sub.decision == "change"
    assert repair_note(both_wrong, sub).startswith(
        f"Once main left and main right are mended: set {other[sub.recommended_polarity]}, same delay"
    )
    assert other[sub.recommended_polarity] == right["sub left"].recommended_polarity
    assert sub.recommended_delay_ms == right["sub left"].recommended_delay_ms
    assert until_mended(both_wrong).startswith("The settings below fit the wiring as it is")
    assert repair_note(both_wrong, rows["main left"]) == ""
    assert "Wired inverted" not in repair_note(mended, right["sub left"])
