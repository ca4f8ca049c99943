"""Settings to try on the page: keys, groups, the address, the seats, the map; in a real browser."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from pathlib import Path
from urllib.parse import quote, unquote

import numpy as np
import pytest
from browsing import expected, part, violations

from analyze.reports.page import page_bytes

NAMES = ("mains", "sub left", "lawn tower", "wedge")
MODEL = """const model = readModel(JSON.parse(document.getElementById("model").textContent));"""


@pytest.fixture(scope="module")
def grouped(make) -> object:
    """An analysis with two mains and two fills, each a group; the fills are set 1 ms apart, the second can do 10 ms."""
    analysis = make(("main left", "main right", "fill left", "fill right"), ("mix", "lawn", "balcony"))
    outputs = dict(analysis.sound_check.outputs)
    for name, kind, group, most_ms in (
        ("main right", "main", "", 500.0),
        ("fill left", "fill", "fills", 500.0),
        ("fill right", "fill", "fills", 10.0),
    ):
        outputs[name] = replace(outputs[name], kind=kind, group=group, max_delay_ms=most_ms)
    rows = [
        replace(row, setting_delay_ms=ms, recommended_delay_ms=ms + 1.0, recommended_polarity="normal")
        for row, ms in zip(analysis.recommendations, (0.0, 0.0, 5.0, 6.0), strict=True)
    ]
    return replace(analysis, sound_check=replace(analysis.sound_check, outputs=outputs), recommendations=tuple(rows))


@pytest.fixture(scope="module")
def grouped_report(tmp_path_factory, grouped) -> Path:
    folder = tmp_path_factory.mktemp("grouped")
    (folder / "report.html").write_bytes(page_bytes(grouped, []))
    return folder


def delays(page):
    return [float(field.input_value()) for field in page.locator('[data-part="delay"]').all()]


def as_number(text):
    return float(re.search(r"-?\d+\.\d+", text.replace("\u2212", "-")).group())


def exact(figure):
    """What a figure holds for machines, of which a tenth is shown."""
    return float(figure.get_attribute("value"))


def address(settings, names=NAMES):
    """The address' fragment of (delay_ms, polarity, level_db, more) per output, as it is documented in settings.js."""
    return "#try=" + "&".join(
        f"{quote(n)}~{d}~{p}~{level}{more}" for n, (d, p, level, more) in zip(names, settings, strict=True)
    )


SHARED = [(1, "normal", 0, ""), (9.3, "inverted", -6, ""), (4, "normal", 0, "~muted"), (6, "normal", 0, "")]


def in_address(page, pattern):
    """Waits until the address matches; the page may not evaluate text, so that it is not asked itself."""
    for _ in range(50):
        if re.search(pattern, unquote(page.url)):
            return True
        page.wait_for_timeout(100)
    return False


def test_controls_change_the_score_as_the_program_would(opened, report, analysis):
    page = opened(report)
    before = part(page, "score").text_content()
    settings = [[o.setting.delay_ms, o.setting.polarity, 0.0, False] for o in analysis.sound_check.outputs.values()]
    page.get_by_role("button", name="Present").click()
    page.get_by_label(f"{NAMES[1]}: delay in ms").fill("7.355")  # finer than the step of the keys
    page.get_by_label(f"{NAMES[1]}: inverted").check()
    page.get_by_label(f"{NAMES[2]}: level in dB").fill("-4.5")
    page.get_by_label(f"{NAMES[3]}: mute").check()
    settings[1][:2], settings[2][2], settings[3][3] = [7.355, "inverted"], -4.5, True
    assert in_address(page, r"sub left~7\.355~inverted~0&.*~muted$")
    after = part(page, "score").text_content()
    assert after != before
    assert as_number(after) == pytest.approx(expected(analysis, settings)[1], abs=0.051)  # to a tenth
    assert exact(part(page, "score")) == pytest.approx(expected(analysis, settings)[1], abs=0.006)


@pytest.mark.parametrize(
    ("field", "key", "step"),
    [
        ("delay in ms", "ArrowUp", 0.01),
        ("delay in ms", "ArrowDown", -0.01),
        ("delay in ms", "Shift+ArrowUp", 0.1),
        ("delay in ms", "PageDown", -1.0),
        ("level in dB", "ArrowUp", 0.5),
        ("level in dB", "PageDown", -3.0),
    ],
)
def test_keys_move_by_what_is_said(opened, report, field, key, step):
    page = opened(report, address([(1, "normal", 0, ""), (9.3042, "inverted", 1.25, ""), *SHARED[2:]]))
    control = page.get_by_label(f"{NAMES[1]}: {field}")
    start = float(control.input_value())
    control.focus()
    page.keyboard.press(key)
    assert float(control.input_value()) == pytest.approx(start + step, abs=1e-9)
    assert part(page, "swept").input_value() == "1"


def test_space_inverts_and_mutes(opened, report):
    page = opened(report, address(SHARED))
    for what in ("inverted", "mute"):
        box = page.get_by_label(f"{NAMES[1]}: {what}")
        was = box.is_checked()
        box.focus()
        page.keyboard.press("Space")
        assert box.is_checked() is not was


def test_a_group_moves_together_and_one_alone_where_asked(opened, grouped_report):
    page = opened(grouped_report)
    assert delays(page) == [1.0, 1.0, 6.0, 7.0]
    page.get_by_label("fill left: delay in ms").focus()
    page.keyboard.press("PageUp")
    page.get_by_label("fill right: level in dB").focus()
    page.keyboard.press("ArrowDown")
    page.get_by_label("main right: inverted").check()
    page.get_by_label("main left: mute").check()
    assert delays(page) == [1.0, 1.0, 7.0, 8.0]
    assert [f.input_value() for f in part(page, "level").all()] == ["0", "0", "-0.5", "-0.5"]
    assert [f.is_checked() for f in part(page, "polarity").all()] == [True, True, False, False]
    assert [f.is_checked() for f in part(page, "mute").all()] == [True, True, False, False]
    page.get_by_label("fill right: moves with its group").uncheck()
    page.get_by_label("fill right: delay in ms").fill("2.5")
    assert delays(page) == [1.0, 1.0, 7.0, 2.5]
    page.get_by_label("fill left: delay in ms").fill("20")
    assert delays(page) == [1.0, 1.0, 20.0, 2.5]
    page.get_by_label("fill left: back to recommended").click()
    assert delays(page) == [1.0, 1.0, 6.0, 2.5]


def test_a_group_goes_as_far_as_all_its_devices_can(opened, grouped_report):
    page = opened(grouped_report)
    page.get_by_label("fill left: delay in ms").fill("50")
    assert delays(page) == [1.0, 1.0, 9.0, 10.0]
    assert part(page, "limited").is_visible()
    page.get_by_label("fill right: delay in ms").fill("10.5")  # beyond its own range: nothing moves
    assert delays(page)[2] == 9.0


def test_what_a_device_cannot_do_is_not_to_be_had(opened, tmp_path, grouped):
    outputs = dict(grouped.sound_check.outputs)
    outputs["fill left"] = replace(outputs["fill left"], can_invert=False)
    analysis = replace(grouped, sound_check=replace(grouped.sound_check, outputs=outputs))
    (tmp_path / "report.html").write_bytes(page_bytes(analysis, []))
    page = opened(tmp_path)
    assert page.get_by_label("fill left: inverted").is_disabled()
    page.get_by_label("fill right: inverted").click()  # alone it could, with its group it cannot
    assert not page.get_by_label("fill left: inverted").is_checked()
    assert not page.get_by_label("fill right: inverted").is_checked()


def test_the_address_carries_settings_and_the_way_back(opened, report, analysis):
    page = opened(report, address(SHARED))
    assert page.get_by_label(f"{NAMES[1]}: delay in ms").input_value() == "9.3"
    assert page.get_by_label(f"{NAMES[1]}: inverted").is_checked()
    assert page.get_by_label(f"{NAMES[2]}: mute").is_checked()
    assert page.locator("#try").evaluate("e => Math.abs(e.getBoundingClientRect().top) < innerHeight")
    page.get_by_role("button", name="Copy as text").click()
    copied = page.get_by_label("These settings as text").input_value()
    assert re.search(rf"^{NAMES[1]}\t9\.30 ms\tinverted\t\u22126 dB\t\(recommended .* ms, \w+\)$", copied, re.M)
    assert f"Score {part(page, 'score').text_content()} dB, worst seat: " in copied
    assert copied.endswith(address(SHARED))
    page.get_by_role("button", name="Back to recommended", exact=True).click()
    assert in_address(page, r"report\.html$")
    row = next(r for r in analysis.recommendations if r.output == NAMES[1])
    assert float(page.get_by_label(f"{NAMES[1]}: delay in ms").input_value()) == row.recommended_delay_ms
    page.evaluate("fragment => { location.hash = fragment; }", address(SHARED))
    page.wait_for_timeout(200)
    assert page.get_by_label(f"{NAMES[1]}: delay in ms").input_value() == "9.3"


def test_hostile_names_travel_in_the_address(opened, hostile_report):
    page = opened(hostile_report)
    page.get_by_label("NaN: delay in ms").fill("25.5")
    assert in_address(page, r"NaN~25\.5~")
    other = opened(hostile_report, page.url[page.url.index("#") :])
    assert part(other, "broken").is_hidden()
    assert other.get_by_label("NaN: delay in ms").input_value() == "25.5"


@pytest.mark.parametrize(
    ("fragment", "said"),
    [
        ("#try=", "they are for 1 output, and here are 4"),
        ("#try=mains~1~normal~0", "they are for 1 output, and here are 4"),
        (address(SHARED, ("mains", "sub", *NAMES[2:])), "output 2 has another name there"),
        (address(SHARED, ("mains", "<img src=x onerror=alert(1)>", *NAMES[2:])), "output 2 has another name there"),
        (address(SHARED).replace("sub%20left", "%E0%A4%A"), "output 2 has another name there"),
        (address(SHARED).replace("9.3", "1e3"), "what they say of output 2 is not whole"),
        (address(SHARED).replace("9.3", ""), "what they say of output 2 is not whole"),
        (address(SHARED).replace("inverted", "constructor"), "what they say of output 2 is not whole"),
        (address(SHARED).replace("muted", "loud"), "what they say of output 3 is not whole"),
        (address(SHARED).replace("9.3", "-9.3"), "the delay of output 2 is not within 0 to 500 ms"),
        (address(SHARED).replace("9.3", "9999"), "the delay of output 2 is not within 0 to 500 ms"),
        (address(SHARED).replace("~-6", "~40"), "the level of output 2 is not within -60 to 20 dB"),
    ],
)
def test_a_broken_address_is_said_and_does_nothing(opened, report, analysis, fragment, said):
    page = opened(report, fragment)
    broken = part(page, "broken").text_content()
    assert broken == f"The settings in the address were not taken over: {said}. You see the recommended ones."
    assert delays(page) == [r.recommended_delay_ms for r in analysis.recommendations]


def test_an_address_of_another_place_says_nothing(opened, report):
    assert part(opened(report, "#add"), "broken").is_hidden()


@pytest.mark.parametrize("width", [1440, 390])
def test_nothing_keeps_anybody_out_while_it_is_used(opened, grouped_report, width):
    """axe-core (live), with a broken address, a group at its end, one output apart, and the text shown."""
    page = opened(grouped_report, "#try=x", width=width)
    page.get_by_label("fill left: delay in ms").fill("50")
    page.get_by_label("fill left: moves with its group").uncheck()
    page.get_by_role("button", name="Copy as text").click()
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_seats_have_scores_of_their_own(opened, report, analysis):
    page = opened(report)
    page.get_by_label(f"{NAMES[1]}: inverted").check()
    page.wait_for_timeout(100)
    seen = [row.locator("th, td").all_text_contents() for row in part(page, "seats").locator("tr").all()]
    figures = [[exact(one) for one in row.locator("data").all()] for row in part(page, "seats").locator("tr").all()]
    names, yours = [row[0] for row in seen], [row[2] for row in figures]
    assert names == ["all seats", "mix", "lawn", "balcony"]  # not the stage
    assert yours[0] == pytest.approx(sum(yours[1:]) / 3, abs=0.4)  # cells differ in number from seat to seat
    assert [row[3].startswith("worst") for row in seen[1:]] == [v == min(yours[1:]) for v in yours[1:]]
    assert part(page, "worst").text_content() == names[yours.index(min(yours[1:]))]
    assert f"{min(yours[1:]):.1f}".replace("-", "\u2212") in part(page, "worst-score").text_content()
    assert [f"{one:.1f}".replace("-", "\u2212") for one in yours] == [row[3].removeprefix("worst ") for row in seen]
    assert figures[0][0] == pytest.approx(
        expected(analysis, [(o.setting.delay_ms, "normal", 0, False) for o in analysis.sound_check.outputs.values()])[
            1
        ],
        abs=0.006,
    )


def test_score_over_delay_is_the_score_of_those_delays(opened, report, analysis):
    """Two outputs moved together, the second of them inverted, against the program's own arithmetic."""
    curve = opened(report).evaluate(
        f"""() => {{
          {MODEL}
          const settings = presentSettings(model);
          settings[2].polarity = "inverted";
          return scoreOverShift(model, settings, [1, 2], [-1.5, 0, 1.5, 3]);
        }}"""
    )
    for flip, found in ((False, curve["asSet"]), (True, curve["flipped"])):
        for shift_ms, score_db in zip((-1.5, 0.0, 1.5, 3.0), found, strict=True):
            settings = [
                (o.setting.delay_ms, o.setting.polarity, 0.0, False) for o in analysis.sound_check.outputs.values()
            ]
            settings[1] = (settings[1][0] + shift_ms, "inverted" if flip else "normal", 0.0, False)
            settings[2] = (settings[2][0] + shift_ms, "normal" if flip else "inverted", 0.0, False)
            assert score_db == pytest.approx(expected(analysis, settings)[1], abs=0.005)


def test_what_was_not_measured_at_a_seat_is_no_curve(opened, tmp_path, grouped):
    """A seat at which nothing was measured is left out of the mean, which stays that of the others."""
    responses = grouped.responses
    h = responses.h.copy()
    h[:, 2] = np.nan
    analysis = replace(grouped, responses=replace(responses, h=h))
    (tmp_path / "report.html").write_bytes(page_bytes(analysis, []))
    page = opened(tmp_path)
    assert [row.locator("th").text_content() for row in part(page, "seats").locator("tr").all()] == ["all seats", "mix"]
    read = {}
    for seat, shown in itertools.product(("all", "0", "2"), ("loss", "level")):
        part(page, "seat").select_option(seat)
        part(page, "shown").select_option(shown)
        page.locator('[data-part="curves"] .u-over').hover(position={"x": 101, "y": 90})
        page.wait_for_timeout(100)
        read[seat, shown] = page.locator('[data-part="curves"] .u-legend tr:last-child .u-value').text_content()
    for shown in ("loss", "level"):
        assert re.match(r"\u2212\d+\.\d dB", read["0", shown])
        assert read["all", shown] == read["0", shown]
        assert read["2", shown] == "not measured"


def test_the_map_opens_on_an_output_that_may_be_moved(opened, tmp_path_factory, make):
    """With nothing to change: a sub before mains and fills; the group of the reference says that it stays."""
    analysis = make(("main left", "main right", "fill", "sub"), ("mix", "lawn", "balcony"))
    outputs = dict(analysis.sound_check.outputs)
    for name, kind in (("main right", "main"), ("fill", "fill"), ("sub", "sub")):
        outputs[name] = replace(outputs[name], kind=kind)
    rows = [
        replace(
            row,
            recommended_delay_ms=row.setting_delay_ms,
            recommended_polarity=row.setting_polarity,
            decision="reference" if "main" in row.output else "undecided",
        )
        for row in analysis.recommendations
    ]
    check = replace(analysis.sound_check, outputs=outputs)
    folder = tmp_path_factory.mktemp("still")
    still = replace(analysis, sound_check=check, recommendations=tuple(rows))
    (folder / "report.html").write_bytes(page_bytes(still, []))
    page = opened(folder)
    assert part(page, "swept").input_value() == "3"
    assert "do not move" not in part(page, "told").text_content()
    part(page, "swept").select_option("1")
    page.wait_for_timeout(100)
    assert "The reference and its group do not move" in part(page, "told").text_content()
