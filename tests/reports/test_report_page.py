"""The page: the answer first, safe with any name, complete by itself, within its budget."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from analyze.alignment.decision import setting_words
from analyze.alignment.rows import Proof
from analyze.reports import page, page_evidence, page_sheet
from analyze.reports.naming import clean
from analyze.reports.page_plots import InlineDrawings
from analyze.reports.plot_style import COLOURS
from analyze.reports.plots import plots
from analyze.reports.summaries import unrelated_sum_db

VOID = {"meta", "br", "img", "link", "input", "hr"}
NOT_YET = "Likeliest so far, not to be typed"
STYLE = Path(page.__file__).parent / "templates" / "report.css"


class Reader(HTMLParser):
    """Collects tags with attributes and all text outside of style, and checks that tags are nested."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if not {"style", "script"} & set(self.open):
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def read(folder: Path) -> Reader:
    reader = Reader()
    reader.feed((folder / "report.html").read_text("utf-8"))
    reader.close()
    assert reader.open == []
    return reader


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
        "Change 2 of 4 outputs and 1 stage input: sub left and kick out. 1 could not be decided and keeps its",
        "Turn the level down before you change a polarity or a delay",
        "Settings sheet",
        "What needs a hand Findings",
        "When does it arrive? The pure",
        "Which way up is it? Polarity",
        "Do they add, where and how much?",
        "How sure are we? The most likely mistake",
        "Monitors inverted on purpose This is never recommended.",
        "What was recorded, and how",
        "Cautions Protect your hearing",
    ]
    text = text[text.index("Harbour hall, empty room", 40) :]
    places = [text.index(words) for words in order]
    assert places == sorted(places)


def test_errors_come_before_warnings_and_notes_are_counted(report):
    text = read(report).text
    assert text.index("own clock lost") < text.index("clipping")
    assert "1 thing to know that needs no hand" in text
    assert "Hum at 50 Hz, harmless here." in text


def test_the_sheet_says_what_to_type(analysis):
    row = page_sheet.sheet_rows(analysis)[1]
    assert (row.delay_from, row.delay_to, row.polarity_from, row.polarity_to) == ("2.00", "5.00", "normal", "inverted")
    # 5 ms at 21 degrees Celsius: 343.2 sqrt(294.15 / 293.15) m/s, 0.3048 m to the foot.
    assert row.delay_length == "1.72 m, 5.64 ft"
    assert (row.decision_words, row.confidence, row.gain) == ("Change", "93 %", "+1.2 dB")
    assert row.where == "device Processor A · channel 2"
    assert row.delay_change == "3.00 ms later = 1.03 m, 3.38 ft"
    assert row.alternatives == (("Runner-up", "inverted, 12.40 ms costs 0.2 dB"),)
    assert row.worst == "smallest at balcony: −0.3 dB"
    assert row.reason


def test_a_proof_to_try_by_ear_says_what_to_play_flip_and_hear(analysis, report):
    rows = page_sheet.sheet_rows(analysis)
    seat = analysis.proofs[0].position
    said = (
        f"Pink noise through everything, at a low level, heard at “{seat}”: flip {rows[1].output}, and 63 to 100 Hz "
        "drop by 7 dB, 5 at least. Then flip back. If it does not drop, something is not set as it stands here."
    )
    assert [bool(row.proof) for row in rows] == [row is rows[1] for row in rows]
    assert rows[1].proof == said
    assert said in read(report).text
    subs = Proof(("sub left", "sub right"), "mix", "audience", ("wedge",), 80.0, 80.0, 9.6, 9.5)
    assert page_sheet.proof_text(subs) == (
        "Pink noise through everything but wedge, at a low level, heard at “mix”: flip sub left and sub right "
        "together, and the third octave at 80 Hz drops by 10 dB, 9 at least. Then flip back. If it does not drop, "
        "something is not set as it stands here."
    )


def test_an_undecided_output_keeps_its_setting_on_the_sheet(analysis):
    row = page_sheet.sheet_rows(analysis)[2]
    assert row.delay_from == row.delay_to
    assert not row.is_polarity_changed
    assert (row.decision_words, row.decision_more) == ("Not decided", "keep for now")
    assert row.delay_change == ""
    assert row.alternatives == ((NOT_YET, "normal, 9.10 ms, +0.4 dB"),)


@pytest.mark.parametrize(
    ("decisions", "said"),
    [
        (("reference", "keep"), "Leave the settings of 2 outputs as they are."),
        (("reference",), "Nothing to line up: mains is the only output."),
        (("reference",) * 2, "Nothing to line up: both outputs are the reference's group, which never moves."),
        (("reference",) * 3, "Nothing to line up: all 3 outputs are the reference's group, which never moves."),
        (("reference", "change", "change"), "Change 2 of 3 outputs: output 1 and output 2."),
        (("change",), "Change 1 of 1 output: output 0."),
        (("reference", *("change",) * 5), "Change 5 of 6 outputs."),
        (
            ("keep", "undecided", "undecided"),
            "Leave the settings of 3 outputs as they are. 2 could not be decided and keep their setting for now.",
        ),
        ((), "Nothing could be recommended."),
    ],
)
def test_the_headline_says_what_to_do(analysis, decisions, said):
    row = analysis.recommendations[0]
    names = ["mains"] if decisions == ("reference",) else [f"output {k}" for k in range(len(decisions))]
    rows = tuple(dataclasses.replace(row, output=o, decision=d) for o, d in zip(names, decisions, strict=True))
    assert page_sheet.headline(dataclasses.replace(analysis, recommendations=rows, inputs=())) == said


def test_stage_inputs_are_said_beside_a_lone_output(analysis):
    alone = dataclasses.replace(analysis, recommendations=analysis.recommendations[:1])
    said = "Nothing to line up: mains is the only output. Change 1 of 1 stage input: kick out."
    assert page_sheet.headline(alone) == said


def test_one_output_alone_makes_a_page_without_sums_or_doubts(make):
    alone = dataclasses.replace(make(("mains",), ("mix", "lawn")), inputs=())
    reader = Reader()
    reader.feed(page.page_bytes(alone, []).decode("utf-8"))
    assert "Nothing to line up: mains is the only output." in reader.text
    assert "there is no sum to look at" in reader.text
    assert "How sure are we?" not in reader.text
    assert not any(plot.question == "sums" for plot in plots(alone))


def test_the_score_is_said_once_where_nothing_changes(analysis):
    assert "−3.4 dB at present and to −1.6 dB as recommended" in page_sheet.score_sentence(analysis)
    stays = dataclasses.replace(analysis, recommendations=analysis.recommendations[:1], score_recommended_db=-3.4)
    said = page_sheet.score_sentence(stays)
    assert "the outputs add to −3.4 dB; at 0 dB nothing would be lost, and four" in said
    assert "recommended" not in said


def test_what_stays_as_it_is_has_a_dash_for_its_gain(analysis, report):
    # All rows but the reference carry a gain of 1.25 dB in the made-up analysis; only changed ones may show it.
    changed = [page_sheet.is_changed(row) for row in analysis.recommendations]
    assert changed == [False, True, False, False]
    assert [bool(row.gain) for row in page_sheet.sheet_rows(analysis)] == changed
    assert [bool(row.worst) for row in page_sheet.sheet_rows(analysis)] == changed
    table = page_evidence.certainty_table(analysis)
    for heading in ("gain (dB)", "least at", "gain there (dB)"):
        column = [one.text for one in table.headings].index(heading)
        assert [row[column] != "–" for row in table.rows] == changed
    assert read(report).text.count("smallest at balcony") == 1


def alternative_of(analysis, text: str) -> tuple[tuple[str, str], ...]:
    row = dataclasses.replace(analysis.recommendations[1], alternative=text)
    return page_sheet.sheet_rows(dataclasses.replace(analysis, recommendations=(row,)))[0].alternatives


def test_an_alternative_is_called_what_it_is(analysis):
    # The words of a setting come from where decisions are put into words.
    setting = setting_words([analysis.sound_check.outputs["sub left"]], (-1.0, 8.92))
    lower = "its delay cannot go lower: everything else 2.60 ms later would give 0.3 dB more"
    assert alternative_of(analysis, f"{setting} costs 0.3 dB") == (("Runner-up", f"{setting} costs 0.3 dB"),)
    assert alternative_of(analysis, f"{setting} is as good") == (("Runner-up", f"{setting} is as good"),)
    assert alternative_of(analysis, lower) == (("", f"I{lower[1:]}"),)
    assert alternative_of(analysis, f"candidate {setting}") == ((NOT_YET, setting),)
    both = ((NOT_YET, f"{setting}, +1.1 dB"), ("", f"I{lower[1:]}"))
    assert alternative_of(analysis, f"candidate {setting}, +1.1 dB; {lower}") == both
    fill = "delaying a; b and its group by 1.20 ms would line it up"
    assert alternative_of(analysis, fill) == (("", f"D{fill[1:]}"),)
    assert alternative_of(analysis, "") == ()


def test_lengths_follow_the_temperature(analysis):
    for celsius, said in ((21.0, "3.00 ms later = 1.03 m, 3.38 ft"), (-10.0, "3.00 ms later = 0.98 m, 3.20 ft")):
        # 343.2 sqrt(T / 293.15) m/s (ISO 9613-1): 343.8 and 325.2; 0.3048 m to the foot.
        check = dataclasses.replace(analysis.sound_check, temperature_c=celsius)
        rows = page_sheet.sheet_rows(dataclasses.replace(analysis, sound_check=check))
        assert [row.delay_change for row in rows] == ["", said, "", ""]


def test_every_changed_delay_has_its_lengths_on_the_page(report):
    text = read(report).text
    assert "2.00 → 5.00 ms 1.72 m, 5.64 ft 3.00 ms later = 1.03 m, 3.38 ft" in text
    assert "0.84 ms on kick in 0.29 m, 0.95 ft" in text


def test_differences_inside_a_group_are_said_to_stay(make):
    names = ("mains", "sub left", "sub right", "tower")
    analysis = make(names, ("mix", "lawn", "hill"))
    rows = list(analysis.recommendations)
    check = analysis.sound_check
    outputs = {
        name: dataclasses.replace(output, kind="sub" if "sub" in name else output.kind, group="subs" * ("sub" in name))
        for name, output in check.outputs.items()
    }

    def notes(**differing) -> list[str]:
        rows[2] = dataclasses.replace(rows[1], output="sub right", **differing)
        changed = dataclasses.replace(
            analysis, recommendations=tuple(rows), sound_check=dataclasses.replace(check, outputs=outputs)
        )
        return [page_sheet.group_note(changed, row) for row in changed.recommendations]

    stays = "than sub left: settings that differ inside a group are taken as design."
    assert notes() == ["", "", "", ""]
    assert notes(setting_delay_ms=4.5) == ["", "", f"Stays 2.50 ms later {stays}", ""]
    assert notes(setting_polarity="inverted") == ["", "", f"Stays of the other polarity {stays}", ""]
    both = notes(setting_delay_ms=1.5, setting_polarity="inverted")[2]
    assert both == f"Stays 0.50 ms earlier and of the other polarity {stays}"


@pytest.mark.parametrize(("delay_ms", "said"), [(0.84, "0.84 ms on kick in"), (-0.84, "0.84 ms on kick out")])
def test_the_earlier_input_is_the_one_to_delay(analysis, delay_ms, said):
    row = dataclasses.replace(analysis.inputs[0], relative_delay_ms=delay_ms)
    assert page_sheet.input_rows(dataclasses.replace(analysis, inputs=(row,)))[0].delay == said


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


def test_arrivals_stand_in_tables_a_printed_page_holds(make):
    analysis = make(("mains", "sub"), tuple(f"seat {i}" for i in range(11)))
    tables = page_evidence.arrival_tables(analysis)
    assert [len(table.headings) for table in tables] == [9, 4]
    assert tables[1].rows[1] == ("sub", *(f"{analysis.arrival_present_ms['sub', f'seat {i}']:.2f}" for i in (8, 9, 10)))


def test_readme_and_page_give_the_same_figure_for_unrelated_outputs(report):
    said = f"{unrelated_sum_db(2):.1f} dB"
    assert f"add to {said.replace('-', '−')} if they are two" in read(report).text
    assert f"add to {said}" in (Path(page.__file__).parents[2] / "README.md").read_text("utf-8")


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
