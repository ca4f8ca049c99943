"""The page: the answer first, safe with any name, complete by itself, within its budget."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import math
import re
from pathlib import Path

import pytest
from page_reading import Reader, read

from analyze.guide import text_on
from analyze.reports import page, page_evidence
from analyze.reports.certainty_words import sure_sentence
from analyze.reports.naming import clean
from analyze.reports.page_plots import InlineDrawings
from analyze.reports.plot_style import COLOURS
from analyze.reports.plots import plots
from analyze.reports.summaries import unrelated_sum_db

STYLE = Path(page.__file__).parent / "templates" / "report.css"


@pytest.mark.parametrize("which", ["report", "hostile_report"])
def test_nothing_is_loaded_and_nothing_runs_from_attributes(which, request):
    folder = request.getfixturevalue(which)
    reader = read(folder)
    names = {tag for tag, _ in reader.tags}
    assert not names & {"link", "img", "iframe", "object", "embed", "base", "form", "image", "audio", "video"}
    for _, attributes in reader.tags:
        for key, text in attributes.items():
            assert not key.startswith("on")
            assert key not in ("src", "srcset", "action", "data")
            if key in ("href", "xlink:href"):
                assert text.startswith("#")
    source = (folder / "report.html").read_text("utf-8")
    style = source[source.index("<style>") : source.index("</style>")]
    assert "@import" not in style
    assert "url(" not in style


def test_the_security_policy_is_strict_and_knows_every_script(report):
    policies = [a["content"] for tag, a in read(report).tags if a.get("http-equiv") == "Content-Security-Policy"]
    source = (report / "report.html").read_text("utf-8")
    scripts = re.findall(r"<script>(.*?)</script>", source, re.DOTALL)
    hashes = [base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in scripts]
    allowed = " ".join(f"'sha256-{one}'" for one in hashes)
    assert len(scripts) == len(page.SCRIPTS)
    assert policies == [
        "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
        f"script-src {allowed}"
    ]


def test_without_sums_there_is_no_script_but_the_one_that_copies_the_sheet(make):
    lone = make(("mains",), ("mix",))
    page_text = page.page_bytes(lone, []).decode()
    assert page_text.count("<script") == 1
    assert 'id="try"' not in page_text


def test_links_and_drawings_lead_somewhere(report):
    reader = read(report)
    ids = [a["id"] for _, a in reader.tags if "id" in a]
    assert len(ids) == len(set(ids))
    for _, attributes in reader.tags:
        for key in ("href", "xlink:href"):
            if key in attributes:
                assert attributes[key][1:] in ids
        for used in re.findall(r"url\(#([^)]*)\)", " ".join(str(v) for v in attributes.values())):
            assert used in ids


def test_hostile_names_are_shown_as_they_are(hostile, hostile_report):
    text = read(hostile_report).text
    assert clean(hostile.sound_check.title) in text
    for name in hostile.sound_check.outputs:
        assert clean(name) in text


def test_the_order_is_the_order_of_the_questions(report):
    text = read(report).text
    order = [
        "Harbour hall, empty room",
        "Change 2 of 4 outputs and 1 stage input.",
        "sub left (2): 2.00 → 5.00 ms, normal → inverted 93 % sure +1.2 dB in the overlap with others; it is wired",
        "Turn the level down before you change a polarity or a delay",
        "Settings sheet",
        "What needs a hand Findings",
        "When does it arrive? The pure",
        "Which way up is it? Polarity",
        "Do they add, where and how much?",
        "How sure are we? The most likely mistake",
        "Monitors inverted on purpose This is never recommended.",
        "What was recorded, and how",
        "Cautions Hearing: 85 dBA",
    ]
    text = text[text.index("Harbour hall, empty room", 40) :]
    places = [text.index(words) for words in order]
    assert places == sorted(places)


def test_errors_come_before_warnings_and_notes_are_counted(report):
    text = read(report).text
    assert text.index("own clock lost") < text.index("clipping")
    assert "1 thing to know that needs no hand" in text
    assert "Hum at 50 Hz, harmless here." in text


def test_one_output_alone_makes_a_page_without_sums_or_doubts(make):
    alone = dataclasses.replace(make(("mains",), ("mix", "lawn")), inputs=())
    reader = Reader()
    reader.feed(page.page_bytes(alone, []).decode("utf-8"))
    assert "Nothing to line up: mains is the only output." in reader.text
    assert "there is no sum to look at" in reader.text
    assert "How sure are we?" not in reader.text
    assert not any(plot.question == "sums" for plot in plots(alone))


def test_stage_inputs_alone_make_a_page(make):
    text = page.page_bytes(make((), ()), []).decode("utf-8")
    reader = Reader()
    reader.feed(text)
    assert "kick out" in reader.text
    assert "When does it arrive?" not in reader.text


def test_means_of_a_position_are_the_same_in_its_table_and_below_its_drawing(analysis):
    words = {plot.title: plot.text for plot in plots(analysis)}
    table = page_evidence.seat_table(analysis)
    assert {row[1] for row in table.rows} == {"audience", "stage"}
    for position, _, _, present, recommended, *_ in table.rows:
        said = f"Mean: {present} dB at present, {recommended} dB as recommended."
        assert words[f"Sum of all outputs at {position}"].startswith(said)


def test_positions_stand_in_the_order_in_which_the_reference_reaches_them(make):
    """Not those that nothing arrives at, nor seat 2 on its own recorder, whose time zero is not known."""
    analysis = make(("mains", "sub"), tuple(f"seat {i}" for i in range(5)))
    ms = {"seat 0": 40.0, "seat 1": math.nan, "seat 2": 8.0, "seat 3": 21.0, "seat 4": 13.0}
    one = dataclasses.replace(
        analysis, arrival_present_ms={("mains", seat): at for seat, at in ms.items()} | {("sub", "seat 0"): 1.0}
    )
    assert page_evidence.order_words(one) == (
        "From the nearest to mains to the farthest: seat 4, seat 3, seat 0. If they did not stand so, microphones or "
        "their tracks are exchanged."
    )
    assert page_evidence.order_words(one) in page.page_bytes(one, ()).decode()
    few = dataclasses.replace(one, arrival_present_ms={("mains", seat): 8.0 for seat in ("seat 0", "seat 4")})
    assert page_evidence.order_words(few) == ""


def test_a_wiring_that_is_not_told_has_no_confidence_beside_it(analysis):
    """What the table has is of the likelier side: `undecided, 79 %` reads as if that were sure."""
    wiring = [
        dataclasses.replace(row, confidence=0.79, polarity=polarity)
        for row, polarity in zip(analysis.wiring, ("undecided", "normal"), strict=False)
    ]
    rows = page_evidence.wiring_table(dataclasses.replace(analysis, wiring=tuple(wiring))).rows
    assert [row[1:3] for row in rows] == [("undecided", "–"), ("normal", "79 %")]


@pytest.mark.parametrize(
    ("normal", "said"), [(0.79, "its wiring: cannot be told."), (0.1, "its wiring: inverted, 90 %.")]
)
def test_the_wiring_of_the_reference_is_said_where_it_is_told(analysis, normal, said):
    row, grounds = analysis.recommendations[0], dataclasses.replace(analysis.grounds[0], normal_probability=normal)
    assert row.decision == "reference"
    assert sure_sentence(analysis, row, grounds).endswith(said)


def test_an_output_without_any_arrival_is_named(make):
    """A main that no row has: whoever reads of the first main has to know that it is one of fewer."""
    analysis = make(("main left", "main right", "sub"), ("seat 0", "seat 1"))
    assert page_evidence.unarrived_words(analysis) == ""
    ms = {key: at for key, at in analysis.arrival_present_ms.items() if key[0] != "main right"}
    outputs = analysis.sound_check.outputs
    for kind, is_main in (("main", True), ("fill", False)):
        described = outputs | {"main right": dataclasses.replace(outputs["main right"], kind=kind)}
        check = dataclasses.replace(analysis.sound_check, outputs=described)
        one = dataclasses.replace(analysis, sound_check=check, arrival_present_ms=ms)
        said = page_evidence.unarrived_words(one)
        assert said.startswith("No arrival can be told of main right, at any position: too little stands out.")
        assert ("is so without main right." in said) is is_main
        assert said in page.page_bytes(one, ()).decode()
    assert page_evidence.unarrived_words(dataclasses.replace(analysis, arrival_present_ms={})) == ""


def test_arrivals_stand_in_tables_a_printed_page_holds(make):
    analysis = make(("mains", "sub"), tuple(f"seat {i}" for i in range(11)))
    tables = page_evidence.arrival_tables(analysis)
    assert [len(table.headings) for table in tables] == [9, 3, 2]  # eight seats, two more, and one place on stage
    assert [table.caption.split(" at present")[0] for table in tables] == [
        "Arrival in the audience",
        "Arrival in the audience",
        "Arrival on stage",
    ]
    assert tables[1].rows[1] == ("sub", *(f"{analysis.arrival_present_ms['sub', f'seat {i}']:.2f}" for i in (9, 10)))
    assert tables[2].rows[1] == ("sub", f"{analysis.arrival_present_ms['sub', 'seat 1']:.2f}")


def test_readme_and_page_give_the_same_figure_for_unrelated_outputs(report):
    said = f"{unrelated_sum_db(2):.1f} dB"
    assert f"add to {said.replace('-', '−')} if they are two" in read(report).text
    readme = (Path(page.__file__).parents[2] / "README.md").read_text("utf-8")
    assert f"add to {said}" in " ".join(readme.split())
    assert f"two equally loud ones to {said}, four to {unrelated_sum_db(4):.1f} dB" in " ".join(text_on("page").split())


def test_every_figure_has_its_words_and_every_table_its_caption(report):
    reader = read(report)
    names = [tag for tag, _ in reader.tags]
    assert names.count("figure") == names.count("figcaption") > 5
    assert names.count("table") == names.count("caption") > 5
    assert all(a.get("scope") in ("col", "row") for tag, a in reader.tags if tag == "th")
    drawings = [a for tag, a in reader.tags if tag == "svg" and a.get("aria-hidden") != "true"]
    assert all(a["role"] == "img" and a["aria-label"] for a in drawings)


def test_drawings_beyond_the_budget_are_named(analysis, monkeypatch):
    drawings = [(plot, plot.render()[0]) for plot in plots(analysis)[:3]]
    whole, bare = (len(page.page_bytes(analysis, some)) for some in (drawings, []))
    monkeypatch.setattr(page, "PAGE_BYTES", (whole + bare) // 2)
    text = page.page_bytes(analysis, drawings)
    missing = [plot.svg for plot, _ in drawings if f"drawn in {plot.svg}" in text.decode("utf-8")]
    assert 0 < len(missing) < 3
    assert len(text) <= (whole + bare) // 2


def test_the_page_is_small(report, hostile_report):
    for folder in (report, hostile_report):
        assert (folder / "report.html").stat().st_size < 2_000_000


def test_text_on_the_page_has_contrast(contrast):
    style = STYLE.read_text("utf-8")
    light, dark = re.findall(r":root \{(.*?)\}", style, re.DOTALL)[:2]
    for variant, block in enumerate((light, dark)):
        colours = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", block))
        paper, ink = COLOURS["paper"][variant], COLOURS["ink"][variant]
        for role in ("accent", "warn", "error"):
            assert contrast(colours[role], paper) >= 4.5  # WCAG 2.1, 1.4.3
        for back in ("warn-back", "error-back", "change-back", "soft"):
            assert contrast(ink, colours[back]) >= 4.5


def test_a_drawing_brings_no_rule_for_the_whole_page(analysis):
    inline = InlineDrawings()
    svg, _ = plots(analysis)[2].render()
    text = inline.add(svg, "title")
    assert "<style" not in text
    assert "<metadata" not in text
    assert "style=" not in text
    assert "#ffffff" not in inline.rules()
    assert "var(--paper)" in inline.rules()
    assert re.findall(r'id="(?!d1)', text) == []


def test_a_name_in_a_drawing_stays_text(make):
    name = '" id="x" <g style="'
    analysis = make((name, "sub"), ("mix", "lawn", "hill"))
    plot = plots(analysis)[0]
    reader = Reader()
    reader.feed(str(InlineDrawings().add(plot.render()[0], plot.title)))
    assert name in reader.words
