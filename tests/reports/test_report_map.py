"""The map of score over delay, and the legends of what moves; in a real browser."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from browsing import expected, part

from analyze.reports import summaries
from analyze.reports.page import page_bytes
from analyze.reports.page_model import page_model

NAMES = ("mains", "sub left", "lawn tower", "wedge")


def test_best_and_next_best_are_found_on_curves_of_known_peaks(opened, report):
    """Parabolas have their vertex where the closed form says; a ripple beside the best peak is not the next best."""
    found = opened(report).evaluate(
        """() => {
          const shifts = Array.from({ length: 401 }, (_, k) => -20 + k / 10);
          const hill = (x, at, top) => top - 0.1 * (x - at) ** 2;
          const asSet = shifts.map((x) => Math.max(hill(x, 2.53, -1), hill(x, 3.2, -1.01), hill(x, -9.27, -3)));
          const flipped = shifts.map((x) => Math.max(hill(x, 6.18, -1.5), hill(x, 19.9, -1.2)));
          return [bestAndNext(shifts, { asSet, flipped }, true), bestAndNext(shifts, { asSet, flipped }, false)];
        }"""
    )
    assert found[0]["best"] == pytest.approx({"shift_ms": 2.53, "score_db": -1, "isFlipped": False, "isInside": True})
    assert found[0]["next"] == pytest.approx({"shift_ms": 19.9, "score_db": -1.2, "isFlipped": True, "isInside": True})
    assert found[1]["next"] == pytest.approx({"shift_ms": -9.27, "score_db": -3, "isFlipped": False, "isInside": True})


def test_the_map_tells_best_and_next_best_of_what_is_chosen(opened, report, analysis):
    """What is called best is the best of a scan by the program's own arithmetic, and it gets there when typed in."""
    page = opened(report)
    page.get_by_role("button", name="Present").click()
    page.get_by_label(f"{NAMES[1]}: delay in ms").focus()
    page.wait_for_timeout(100)
    told = part(page, "told").text_content()
    best = re.match(r"Best: (\d+\.\d+) ms (\w+), \u2212(\d+\.\d) dB\. Runner-up: ", told)
    delay_ms, polarity, loss_db = float(best[1]), best[2], float(best[3])
    settings = [[o.setting.delay_ms, o.setting.polarity, 0.0, False] for o in analysis.sound_check.outputs.values()]
    scan = {}
    for sign in ("normal", "inverted"):
        for k in range(0, 22):
            settings[1][:2] = [float(k), sign]
            scan[k, sign] = expected(analysis, settings)[1]
    settings[1][:2] = [delay_ms, polarity]
    assert expected(analysis, settings)[1] == pytest.approx(-loss_db, abs=0.051)  # told to a tenth
    assert expected(analysis, settings)[1] >= max(scan.values()) - 0.01
    page.get_by_label(f"{NAMES[1]}: delay in ms").fill(str(delay_ms))
    page.get_by_label(f"{NAMES[1]}: inverted").set_checked(polarity == "inverted")
    page.wait_for_timeout(100)
    assert "Yours: as good as the best." in part(page, "told").text_content()


def test_a_best_beyond_what_was_searched_says_why_it_is_not_recommended(opened, analysis, tmp_path):
    """The same best, once within what was searched and once beyond."""
    for searched_ms, is_beyond in (((0.0, 500.0), False), ((400.0, 410.5), True)):
        scan = replace(analysis.delay_scans[0], searched_ms=searched_ms)
        one = replace(analysis, delay_scans=(scan, *analysis.delay_scans[1:]))
        (tmp_path / "report.html").write_bytes(page_bytes(one, []))
        page = opened(tmp_path)
        page.get_by_role("button", name="Present").click()
        page.get_by_label(f"{NAMES[1]}: delay in ms").focus()
        page.wait_for_timeout(100)
        said = "No delay outside of 400.0 to 410.5 ms is recommended: they are too far from arrivals in step."
        told = part(page, "told").text_content()
        assert told.startswith("Best: ")
        assert (said in told) is is_beyond
        assert ("outside of" in told) is is_beyond


def test_what_was_searched_is_told_of_every_member_as_its_own_setting(analysis):
    """The range is that of the first of a group; another one, set 3 ms later, was searched 3 ms later."""
    check, scan = analysis.sound_check, analysis.delay_scans[0]
    first, second = NAMES[1], NAMES[3]
    setting = check.outputs[first].setting
    later = replace(check.outputs[second], setting=replace(setting, delay_ms=setting.delay_ms + 3.0))
    one = replace(
        analysis,
        sound_check=replace(check, outputs=check.outputs | {second: later}),
        delay_scans=(replace(scan, outputs=(first, second), searched_ms=(1.0, 40.0)),),
    )
    told = {output["name"]: output["searched_ms"] for output in page_model(one)["outputs"]}
    assert told == {NAMES[0]: None, first: [1.0, 40.0], NAMES[2]: None, second: [4.0, 43.0]}


@pytest.mark.parametrize(("name", "is_open"), [(NAMES[1], False), (NAMES[2], True)])
def test_the_best_of_what_is_not_decided_is_not_to_be_typed(opened, report, name, is_open):
    page = opened(report)
    page.get_by_label(f"{name}: delay in ms").focus()
    page.wait_for_timeout(100)
    told = part(page, "told").text_content()
    assert (told.startswith("Not decided: ") and "its best is not to be typed." in told) is is_open


@pytest.mark.parametrize("drawing", ["curves", "map"])
def test_a_legend_shows_values_only_where_the_pointer_is(opened, report, drawing):
    page = opened(report)
    legend, over = (page.locator(f'[data-part="{drawing}"] {one}') for one in (".u-legend", ".u-over"))
    assert not re.search("[–:-]", legend.inner_text())
    assert "dB" not in legend.inner_text()
    over.hover(position={"x": 101, "y": 90})
    page.wait_for_timeout(100)
    assert re.search(r"(third octave|delay)\s*\d+(\.\d+)? (Hz|ms)", legend.inner_text())
    assert re.search(r"\u2212\d+\.\d dB", legend.inner_text())


def test_the_runner_up_of_the_map_is_that_of_the_sheet(opened, tmp_path, analysis):
    """One number on sheet, map, drawing of the scan and figures; none once another output differs."""
    grounds = list(analysis.grounds)
    rival = replace(grounds[1].setting.runner_up, change=(1.0, 3.407), margin_db=0.44)
    grounds[1] = replace(grounds[1], setting=replace(grounds[1].setting, runner_up=rival))
    rows = list(analysis.recommendations)
    rows[1] = replace(rows[1], alternative="normal, 5.41 ms costs 0.4 dB")  # 2.00 and 3.407, on steps of 0.01 ms
    changed = replace(analysis, grounds=tuple(grounds), recommendations=tuple(rows))
    (tmp_path / "report.html").write_bytes(page_bytes(changed, []))
    page = opened(tmp_path)
    said = "Runner-up: 5.41 ms normal, 0.4 dB less where it overlaps with others, as good within 0.5 dB."
    assert said in part(page, "told").text_content()
    assert (
        "Runner-up, as good within 0.5 dB: normal, 5.41 ms, 0.4 dB less"
        in page.locator(".alternative").first.text_content()
    )
    assert "normal, 5.41 ms" in page.locator("#sure-2 ~ details .scroll").first.text_content()
    assert "of the runner-up" in summaries.scan(changed, changed.delay_scans[0])
    assert "(normal, 5.41 ms)" in summaries.scan(changed, changed.delay_scans[0])
    page.get_by_label(f"{NAMES[2]}: mute").check()  # another output is no longer as recommended
    page.get_by_label(f"{NAMES[1]}: delay in ms").focus()
    page.wait_for_timeout(100)
    told = part(page, "told").text_content()
    assert "Runner-up" not in told
    assert re.match(r"Best: .* dB\. Next best: .*(dB less|as good) and \d+\.\d ms", told)


def test_every_name_stands_at_its_own_place_and_polarity(opened, report):
    """A third of a millisecond apart is apart, as is the other polarity at one delay; one setting has one ring."""
    rings = opened(report).evaluate(
        """() => ringsOf([
          { name: "yours", delay_ms: 7.32, polarity: "normal", score_db: -4.5 },
          { name: "recommended", delay_ms: 7.32, polarity: "normal", score_db: -4.5 },
          { name: "present", delay_ms: 7.32, polarity: "inverted", score_db: -6 },
          { name: "best", delay_ms: 6.89, polarity: "normal", score_db: -4.4 },
          { name: "next best", delay_ms: 6.894, polarity: "normal", score_db: -4.4 },
        ]).map(({ names, delay_ms, polarity }) => [names, delay_ms, polarity])"""
    )
    assert rings == [
        [["yours", "recommended"], 7.32, "normal"],
        [["present"], 7.32, "inverted"],
        [["best", "next best"], 6.89, "normal"],
    ]


def test_names_on_the_map_do_not_meet(opened, report):
    rows = opened(report).evaluate(
        """() => rowsOf([[0, 50], [40, 50], [85, 20], [200, 30], [45, 10]].map(([left, width]) => ({ left, width })))
          .map(({ row }) => row)"""
    )
    assert rows == [0, 1, 0, 0, 2]


def test_names_of_settings_among_others_say_so(opened, report):
    """A name is bare only while all else stands as in those settings; levels and mutes are those of all of them."""
    page = opened(report)
    page.evaluate("() => { window.seen = []; const rings = ringsOf; ringsOf = (p) => (seen = p, rings(p)); }")
    names = "() => seen.map(({ name }) => name)"
    page.get_by_role("button", name="Present").click()
    page.get_by_label(f"{NAMES[2]}: level in dB").fill("3")
    part(page, "swept").select_option("1")
    page.wait_for_timeout(100)
    assert {"recommended", "present"} <= set(page.evaluate(names))  # sub left alone is another there
    page.get_by_label(f"{NAMES[2]}: inverted").check()
    part(page, "swept").select_option("1")
    page.wait_for_timeout(100)
    assert {"recommended here", "present here"} <= set(page.evaluate(names))


def test_a_present_setting_among_others_is_told_from_present_settings(opened, report, analysis):
    """Both scores by the program's own arithmetic; nothing is said where all else is as at present."""
    page = opened(report)
    page.get_by_role("button", name="Present").click()
    part(page, "swept").select_option("1")
    page.wait_for_timeout(100)
    assert part(page, "told-present").text_content() == ""
    page.get_by_label(f"{NAMES[2]}: inverted").check()
    page.get_by_label(f"{NAMES[1]}: delay in ms").fill("6")
    page.wait_for_timeout(100)
    told = part(page, "told-present").text_content().replace("\u2212", "-")
    settings = [[o.setting.delay_ms, o.setting.polarity, 0.0, False] for o in analysis.sound_check.outputs.values()]
    whole_db = expected(analysis, settings)[1]
    settings[2][1] = "inverted"
    here_db = expected(analysis, settings)[1]
    assert abs(here_db - whole_db) > 0.2  # else nothing is tested
    assert [float(one) for one in re.findall(r"-\d+\.\d(?= dB)", told)] == pytest.approx([here_db, whole_db], abs=0.055)


def test_the_keys_of_a_legend_stand_beside_their_names(opened, report):
    """The middle of a line's key is within 2 pixels of the middle of its name."""
    apart = opened(report).evaluate(
        """() => [...document.querySelectorAll(".u-legend tr:not(.one-seat, .at-cursor) th")].map((th) => {
          const box = (part) => th.querySelector(part).getBoundingClientRect();
          const middle = (part) => box(part).top + box(part).height / 2;
          return Math.abs(middle(".u-marker") - middle(".u-label"));
        })"""
    )
    assert len(apart) == 6
    assert max(apart) <= 2.0
