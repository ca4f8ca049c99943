"""What the bench of settings to try says of itself: groups, refusals, levels, lines together; in a real browser."""

from __future__ import annotations

from dataclasses import replace

import pytest
from browsing import expected, part

from analyze.reports.page import page_bytes

NAMES = ("mains", "sub left", "lawn tower", "wedge")


@pytest.fixture
def subs(tmp_path, make):
    """The folder of a page with two subs in one group."""
    analysis = make(("mains", "sub left", "sub right"), ("mix", "lawn"))
    outputs = dict(analysis.sound_check.outputs)
    for name in ("sub left", "sub right"):
        outputs[name] = replace(outputs[name], kind="sub", group="subs")
    check = replace(analysis.sound_check, outputs=outputs)
    (tmp_path / "report.html").write_bytes(page_bytes(replace(analysis, sound_check=check), []))
    return tmp_path


def values(page, name):
    return [float(field.input_value()) for field in part(page, name).all()]


@pytest.mark.parametrize("button", ["Back to recommended", "Present"])
def test_settings_of_the_report_bring_groups_together_again(opened, subs, button):
    page = opened(subs)
    page.get_by_label("sub left: moves with its group").uncheck()
    page.get_by_label("sub left: level in dB").fill("-6")
    assert values(page, "level") == [0, -6, 0]
    page.get_by_role("button", name=button, exact=True).click()
    assert page.get_by_label("sub left: moves with its group").is_checked()
    before = values(page, "delay")
    page.get_by_label("sub left: level in dB").fill("2.5")
    page.get_by_label("sub right: delay in ms").focus()
    page.keyboard.press("PageUp")
    assert values(page, "level") == [0, 2.5, 2.5]
    assert values(page, "delay") == [before[0], before[1] + 1, before[2] + 1]


@pytest.mark.parametrize(
    ("field", "typed", "said"),
    [
        ("delay in ms", "-3", "\u22123 ms was not taken over: the device of sub left does 0 to 500 ms."),
        ("delay in ms", "501", "501 ms was not taken over: the device of sub left does 0 to 500 ms."),
        ("delay in ms", "", "That is not a number: the device of sub left does 0 to 500 ms."),
        ("level in dB", "21", "21 dB was not taken over: levels go from \u221260 to 20 dB here."),
    ],
)
def test_what_is_refused_is_said_with_the_reason(opened, subs, field, typed, said):
    page = opened(subs)
    control = page.get_by_label(f"sub left: {field}")
    was = control.input_value()
    control.fill(typed)
    control.press("Tab")
    assert part(page, "refused").text_content() == said
    assert part(page, "refused").evaluate("e => e.closest('[role=status]') !== null")
    assert control.input_value() == was
    control.fill("3")
    assert part(page, "refused").text_content() == ""


def test_levels_and_mutes_are_those_of_all_that_is_compared(opened, report, analysis):
    """Present and recommended scores at the faders that are set, by the program's own arithmetic."""
    page = opened(report)
    assert part(page, "levels-too").is_hidden()
    page.get_by_label(f"{NAMES[1]}: level in dB").fill("-4.5")
    page.get_by_label(f"{NAMES[3]}: mute").check()
    page.wait_for_timeout(100)
    assert part(page, "levels-too").is_visible()
    figures = part(page, "seats").locator("tr").first.locator("data").all()
    outputs, rows = analysis.sound_check.outputs, {row.output: row for row in analysis.recommendations}
    faders = {NAMES[1]: (-4.5, False), NAMES[3]: (0.0, True)}
    present = [(o.setting.delay_ms, o.setting.polarity) for o in outputs.values()]
    recommended = [(rows[name].recommended_delay_ms, rows[name].recommended_polarity) for name in outputs]
    for figure, settings in zip(figures, (present, recommended, recommended), strict=True):
        tried = [(*one, *faders.get(name, (0.0, False))) for name, one in zip(outputs, settings, strict=True)]
        assert float(figure.get_attribute("value")) == pytest.approx(expected(analysis, tried)[1], abs=0.006)


def test_lines_that_fall_together_are_all_seen(opened, report):
    """Where yours is as recommended, pixels of both colours are there, the wider line on both sides of the narrower."""
    page = opened(report)
    seen = page.evaluate(
        """() => {
          const canvas = document.querySelector('[data-part="curves"] canvas'), wanted = ["--recommended", "--ink"];
          const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
          return wanted.map((role) => {
            const [r, g, b] = colour(role).match(/\\w\\w/g).map((two) => parseInt(two, 16));
            let n = 0;
            for (let k = 0; k < data.length; k += 4) {
              const off = Math.abs(data[k] - r) + Math.abs(data[k + 1] - g) + Math.abs(data[k + 2] - b);
              n += off < 24 && data[k + 3] > 200;
            }
            return n;
          });
        }"""
    )
    assert min(seen) > 300
    assert seen[0] > seen[1]


def test_thin_lines_are_spoken_of_where_there_are_some(opened, report):
    page = opened(report)
    assert part(page, "thin").is_visible()
    part(page, "seat").select_option("0")
    page.wait_for_timeout(100)
    assert part(page, "thin").is_hidden()
