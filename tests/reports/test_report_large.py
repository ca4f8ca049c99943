"""The page of a simulated sound check of sixteen outputs at eight positions: every promise of the page, kept on it."""

from __future__ import annotations

import csv
import json
import re

import numpy as np
import pytest
from browsing import PAPER_PX, SUMS, as_objects, line_errors_db, needs_pdftotext, print_width, printed, violations
from large_making import DROWNED, FILL_INVERTED, OUTPUTS, POSITIONS, SUB_INVERTED, TOWER_EARLY, large_scene, write_large

from analyze.acoustics import energy_db
from analyze.description import load_sound_check
from analyze.pipeline import analyse
from analyze.reports import write_report
from analyze.reports.page_model import model_text, page_model
from analyze.simulate_scene import true_responses


@pytest.fixture(scope="module")
def large(tmp_path_factory):
    return analyse(load_sound_check(write_large(tmp_path_factory.mktemp("takes"))), workers=1)


@pytest.fixture(scope="module")
def large_report(tmp_path_factory, large):
    folder = tmp_path_factory.mktemp("large") / "shed"
    write_report(large, folder)
    return folder


def rows_of(folder, name):
    with (folder / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_its_hidden_faults_are_found(large):
    rows = {row.output: row for row in large.recommendations}
    assert {row.output for row in large.wiring if row.polarity == "inverted"} == {SUB_INVERTED, FILL_INVERTED}
    assert (rows[FILL_INVERTED].decision, rows[FILL_INVERTED].recommended_polarity) == ("change", "inverted")
    assert (rows[TOWER_EARLY].decision, rows[TOWER_EARLY].polarity_change) == ("change", "no")
    # what it is early by, within what counts as lined up
    assert rows[TOWER_EARLY].delay_change_ms == pytest.approx(24.0, abs=0.3)
    undecided = {name for name, row in rows.items() if row.decision == "undecided"}
    assert undecided == {DROWNED, *large.sound_check.group_of(SUB_INVERTED)}


def test_it_opens_with_one_request_and_is_whole_without_scripts(opened, large_report):
    page = opened(large_report)
    assert len(page.requests) == 1
    assert page.locator("#try").is_visible()
    plain = opened(large_report, java_script_enabled=False)
    assert not plain.locator("#try").is_visible()
    for part in ("settings", "hand", "arrive", "way-up", "add", "seats", "sure", "monitors", "takes", "recorded"):
        assert plain.locator(f"#{part}").is_visible()


def test_its_page_and_its_block_are_within_their_sizes(large_report):
    page = (large_report / "report.html").read_bytes()
    block = re.search(rb'<script type="application/json" id="model">(.*?)</script>', page, re.DOTALL)[1]
    assert len(json.loads(block)["outputs"]) == 16
    assert len(json.loads(block)["positions"]) == 8
    assert len(block) <= 1_000_000
    assert len(page) <= 2_000_000
    assert b"drawn in plots/" not in page  # nothing was left out for it


def test_a_block_uses_the_room_it_has(make):
    """Up to 18 kHz: every line below 355 Hz; above, more per octave than the fewest, fewer than of a small one."""
    counts = {}
    for name, one in (("large", make(OUTPUTS, tuple(p.name for p in POSITIONS))), ("small", make())):
        model = page_model(one)
        assert len(model_text(model)) <= 1_000_000
        hz = np.array(model["lines"]) * model["line_spacing_hz"]
        assert np.all(np.diff(np.array(model["lines"])[hz < 355.0]) == 1)
        counts[name] = int(((hz >= 1000.0) & (hz < 2000.0)).sum())
    assert counts["small"] == pytest.approx(192, abs=1)
    assert 150 < counts["large"] < 192


def tried(large):
    """Settings as (delay_ms, polarity, level_db, mute): as recommended, and others with a fader moved and one muted."""
    rows = {row.output: row for row in large.recommendations}
    best = [(rows[name].recommended_delay_ms, rows[name].recommended_polarity, 0, False) for name in OUTPUTS]
    other = [
        (delay_ms + 0.37 * k, ("normal", "inverted")[k % 2], -1.5 * (k % 4), k == 14)
        for k, (delay_ms, *_) in enumerate(best)
    ]
    return {"recommended": best, "other": other}


def test_its_sums_are_those_of_the_program(opened, large_report, large):
    page = opened(large_report)
    for settings in tried(large).values():
        errors_db = line_errors_db(large, page.evaluate(SUMS, as_objects(settings)), settings)
        assert len(errors_db) > 8 * 300
        assert np.abs(errors_db).max() < 0.05


def test_its_bands_are_those_of_the_file(opened, large_report, large, capsys):
    """Within 0.1 dB below 315 Hz; above, how far off is measured and printed."""
    page, rows = opened(large_report), rows_of(large_report, "prediction.csv")
    positions, off = [one.name for one in POSITIONS], {True: [], False: []}
    for settings, column in ((None, "present_db"), (as_objects(tried(large)["recommended"]), "recommended_db")):
        found = page.evaluate(SUMS, settings)
        for row in rows:
            hz = float(row["band_hz"])
            if hz in found["centres"]:
                band = found["bands"][positions.index(row["position"])][found["centres"].index(hz)]
                said = float(energy_db(band["actual"] / band["most"]))
                off[hz <= 315.0].append(abs(said - float(row[column])))
    assert len(off[True]) == 2 * 8 * 12
    assert max(off[True]) < 0.1
    assert off[False]
    with capsys.disabled():
        median, most = np.median(off[False]), max(off[False])
        print(f"\nabove 315 Hz the large page is {median:.2f} dB off in the median, {most:.2f} dB at most")  # noqa: T201


def test_its_errors_are_those_of_the_file_and_the_width_of_a_curve(opened, large_report):
    """Of every seat two standard errors are drawn; of faders that were moved there is none."""
    page = opened(large_report)
    errors = page.evaluate("JSON.parse(document.getElementById('model').textContent).recommended_std_db")
    rows = [row for row in rows_of(large_report, "prediction.csv") if 25.0 <= float(row["band_hz"]) <= 315.0]
    by_position = [[row for row in rows if row["position"] == one.name] for one in POSITIONS]
    assert errors == [[pytest.approx(float(row["recommended_std_db"]), abs=6e-4) for row in at] for at in by_position]
    assert all(
        row["present_std_db"] == "" for row in rows_of(large_report, "prediction.csv") if float(row["band_hz"]) > 315.0
    )
    n_pale = """() => {
      const canvas = document.querySelector('[data-part="curves"] canvas');
      const copy = new OffscreenCanvas(canvas.width, canvas.height);
      const ctx = copy.getContext("2d", { willReadFrequently: true });
      ctx.fillStyle = "white";
      ctx.fillRect(0, 0, copy.width, copy.height);
      ctx.drawImage(canvas, 0, 0);
      const { data } = ctx.getImageData(0, 0, copy.width, copy.height);
      let n = 0;
      for (let k = 0; k < data.length; k += 4) n += data[k] > 120 && data[k + 1] - data[k] > 20;
      return n;
    }"""
    pale, before = page.locator('[data-part="pale"]'), page.evaluate(n_pale)
    assert pale.is_visible()
    page.locator('[data-part="level"]').first.fill("-0.0001")
    page.wait_for_timeout(200)
    assert not pale.is_visible()
    assert before > 3 * page.evaluate(n_pale)  # edges of the line itself are left


def test_its_stated_errors_of_sums_hold(large):
    """Against the true sums of every output, one of which is drowned in noise and left out: 0.95 within two of them.

    The root mean square in units of the error is 0.91; errors of noise alone, without what resamples show of the hall,
    gave 5. What is heard is summed to 0.10 dB, root mean square: the rest of the error is for what may hide there.
    """
    scene = large_scene()
    f, h = scene.frequency_hz, true_responses(scene, scene.present)
    changes = [large.recommended_change.get(name, (1.0, 0.0)) for name in OUTPUTS]
    turn = np.array([sign * np.exp(-2j * np.pi * f * delay_ms / 1000.0) for sign, delay_ms in changes])
    rows = [row for row in large.prediction if 25.0 <= row.band_hz <= 315.0]
    off = {DROWNED: [], "": []}
    for drowned, errors in off.items():
        i = [k for k, name in enumerate(OUTPUTS) if name != drowned]
        for row in rows:
            centre_hz = 10.0 ** (round(10.0 * np.log10(row.band_hz)) / 10.0)  # IEC 61260-1, base ten
            lines = slice(*np.searchsorted(f, centre_hz * 10.0 ** np.array([-0.05, 0.05])))
            now = h[i, [one.name for one in POSITIONS].index(row.position), lines]
            then, most = now * turn[i, lines], np.mean(np.abs(now).sum(axis=0) ** 2)
            true = [energy_db(np.mean(np.abs(x.sum(axis=0)) ** 2) / most) for x in (now, then)]
            errors += [(row.present_db - true[0], row.present_std_db)]
            errors += [(row.recommended_db - true[1], row.recommended_std_db)]
    heard_db = np.array(off[DROWNED])[:, 0]
    sigmas = np.divide(*np.array(off[""]).T)
    assert len(sigmas) == 192
    assert np.mean(np.abs(sigmas) < 2.0) > 0.9
    assert 0.8 < np.sqrt(np.mean(np.square(sigmas))) < 1.3
    assert np.sqrt(np.mean(np.square(heard_db))) < 0.15


def test_its_numbers_are_those_of_the_files(opened, large_report):
    """What is typed, against recommendations.csv; means at every seat, against prediction.csv."""
    page = opened(large_report)
    rows = {row["output"]: row for row in rows_of(large_report, "recommendations.csv")}
    sheet = page.locator("table.outputs tbody:not(.step) > tr:first-child").evaluate_all(
        """(all) => all.map((tr) => [
          tr.querySelector("th bdi").textContent,
          ...[...tr.querySelectorAll("td.set")].map((td) => td.querySelector("strong").textContent),
        ])"""
    )
    assert sorted(name for name, *_ in sheet) == sorted(OUTPUTS)
    for name, delay, polarity in sheet:
        assert float(delay.removesuffix(" ms")) == float(rows[name]["recommended_delay_ms"])
        until_mended = name == SUB_INVERTED  # undecided in the table, and set over for the time being
        assert polarity == ("inverted" if until_mended else rows[name]["recommended_polarity"])
    cells = (
        page.locator("#add table")
        .first.locator("tbody tr")
        .evaluate_all("(all) => all.map((tr) => [...tr.children].map((cell) => cell.textContent.replace('−', '-')))")
    )
    bands = rows_of(large_report, "prediction.csv")
    assert len(cells) == 8
    for position, _, n_bands, present, recommended, *_ in cells:
        here = [row for row in bands if row["position"] == position and 25.0 <= float(row["band_hz"]) <= 315.0]
        used = [row for row in here if row["cell"] == "yes"] or here
        assert int(n_bands) == len(used)
        for said, column in ((present, "present_db"), (recommended, "recommended_db")):
            assert float(said) == pytest.approx(np.mean([float(row[column]) for row in used]), abs=0.051)


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


def test_paper_is_wide_enough(opened, large_report):
    assert print_width(opened(large_report)) <= PAPER_PX


@needs_pdftotext
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_its_sheet_is_one_page_of_paper(opened, large_report, large, tmp_path, paper):
    first, second = printed(opened(large_report), tmp_path / "sheet.pdf", paper)[:2]
    rows = {row.output: row for row in large.recommendations}
    lines = [re.search(rf"^ +\d+ +{name}\b.*$", first, re.MULTILINE) for name in OUTPUTS]
    for name, line in zip(OUTPUTS, lines, strict=True):
        assert f"{rows[name].recommended_delay_ms:.2f} ms" in line[0]
    places = [line.start() for line in lines]
    assert "Confidence: how likely it is that" in first
    assert "Better by:" in first
    assert first.index("2026-06-05") < first.index("air 21.5 °C") < min(places)
    assert "What needs a hand" in second
    said = " ".join(first.split())
    for note in (
        "listen there for a thicker sound or an echo. Unless it is meant for that seat, aim it away or turn it down.",
        "differences inside a group are taken as",
    ):
        assert note in said
    for left_out in ("Copy the sheet", "The sheet as text", "ms unchanged", "Runner-up"):
        assert left_out not in first


@pytest.mark.parametrize("width", [1440, 1024, 390])
def test_nothing_of_it_sticks_out(opened, large_report, width):
    page = opened(large_report, width=width)
    page.evaluate("() => { for (const one of document.querySelectorAll('details')) one.open = true; }")
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_nothing_keeps_anybody_out_of_it(opened, large_report):
    """With the text of the sheet open; colours of cells are among what is measured (both schemes: the sample)."""
    page = opened(large_report, color_scheme="dark")
    page.locator("summary").first.click()
    brightness = page.evaluate("getComputedStyle(document.body).backgroundColor.match(/\\d+/g).map(Number)")
    assert max(brightness) < 60
    assert violations(page) == []


def test_cells_keep_their_colours_on_paper(opened, large_report):
    page = opened(large_report, color_scheme="dark")
    page.emulate_media(media="print")
    cell = page.locator("#seats .tone-up4, #seats .tone-down4").first
    seen = cell.evaluate("(c) => [getComputedStyle(c).printColorAdjust, getComputedStyle(c).backgroundColor]")
    assert seen[0] == "exact"
    assert min(map(int, re.findall(r"\d+", seen[1])[:3])) > 100  # the light variant, which is for paper
