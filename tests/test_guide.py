"""The guide has an entry for everything the program can find, and none for what it cannot."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

import analyze
from analyze.cli import commands
from analyze.errors import DescriptionError
from analyze.guide import for_terminal, text_on, topics
from analyze.guide import words as words_of_the_trade

SOURCE = Path(analyze.__file__).parent
#: Units of the figures of findings, and severities: words in the same places as the names.
OTHER_WORDS = {"note", "warning", "error", "confidence", "coherence", "samples", "seats", "outputs", "positions"}
OTHER_WORDS |= {"full scale", "standard errors", "ppm", "deg", "ms"}


def constants(tree: ast.AST) -> dict[str, str]:
    """Names of the module that stand for one text."""
    return {
        target.id: node.value.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str)
        for target in node.targets
        if isinstance(target, ast.Name)
    }


def texts(call: ast.Call, known: dict[str, str]) -> set[str]:
    """Texts among the arguments of a call."""
    found = set()
    for argument in [*call.args, *(k.value for k in call.keywords if k.arg in (None, "finding"))]:
        if isinstance(argument, ast.Constant) and isinstance(argument.value, str):
            found.add(argument.value)
        elif isinstance(argument, ast.Name):
            found.add(known.get(argument.id, ""))
    return found


def findings_in_source() -> set[str]:
    """Every text that is given as the name of a finding anywhere in the program."""
    names = {"truncated file", "unfinished header", "length overflow"}  # looked up by what is wrong with a header
    names |= {"limiter working", "limiter or automatic gain"}  # chosen by how many microphones there are
    for path in SOURCE.rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        known = constants(tree)
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id.endswith("inding"):
                names |= {t for t in texts(node, known) if re.fullmatch(r"[a-z][a-z -]+", t)}
    return names - OTHER_WORDS


def findings_in_guide() -> list[str]:
    return re.findall(r"^### (.+)$", text_on("findings"), re.MULTILINE)


def test_every_finding_has_its_entry_and_every_entry_its_finding() -> None:
    in_guide = findings_in_guide()
    assert len(in_guide) == len(set(in_guide))
    assert set(in_guide) == findings_in_source()


def test_every_entry_says_something() -> None:
    for name in findings_in_guide():
        body = text_on(name).splitlines()[1:]
        assert len(" ".join(body).split()) > 8, name


def test_every_topic_can_be_read() -> None:
    assert "findings" in topics()
    for topic, title in topics().items():
        assert text_on(topic).startswith(f"# {title}\n")


def test_one_heading_alone() -> None:
    assert text_on("records exchanged").startswith("## In `analyze guide records`")
    assert text_on("findings microphones exchanged") == text_on("microphones exchanged")
    text = text_on("Drop-Out")
    assert text.startswith("### drop-out\n")
    assert "### digital silence" not in text


def test_a_name_of_several_words_needs_no_quotes() -> None:
    run = CliRunner().invoke
    bare, quoted = (run(commands, ["guide", *words]) for words in (("mains", "hum"), ("mains hum",)))
    assert bare.output == quoted.output
    assert bare.output.startswith("### mains hum\n")


@pytest.mark.parametrize("said", ["high section", "findings high section"])
def test_the_beginning_of_a_long_name_will_do(said: str) -> None:
    assert text_on(said) == text_on("high section of opposite sign")


def test_a_misspelt_subject_is_answered_with_what_looks_like_it() -> None:
    with pytest.raises(DescriptionError, match="Did you mean clipping"):
        text_on("cliping")


def test_the_terminal_says_where_a_plot_lies() -> None:
    pages = [text_on(topic) for topic in topics()]
    plots = re.findall(r"^\[Plot: .+: (.+)\]$", "\n".join(map(for_terminal, pages)), re.MULTILINE)
    assert len(plots) == "".join(pages).count("](") - "".join(pages).count("](http")
    assert len(plots) >= 5
    assert all(Path(plot).is_file() for plot in plots)


def test_the_command() -> None:
    def run(*arguments: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "analyze", "guide", *arguments]
        return subprocess.run(command, capture_output=True, text=True, check=False)

    assert "analyze guide findings" in run().stdout
    assert "ground loop" in run("mains hum").stdout
    failed = run("qqqq")
    assert (failed.returncode, failed.stdout) == (2, "")
    assert "`analyze guide` lists the topics" in failed.stderr


@pytest.mark.parametrize(
    ("word", "told"),
    [
        ("moved", "| `moved` | arrives earlier or later"),
        ("left alone", "| `left alone` | nothing was to be changed"),
        ("Drift", "every visit is held against the first one too"),
    ],
)
def test_a_word_of_the_program_leads_to_where_it_is_told(word, told):
    found = text_on(word)
    assert "## In `analyze guide records`" in found
    assert told in " ".join(found.split())
    assert "\n## " not in found.split("\n\n", 1)[1].replace("\n## In `analyze guide ", "")


@pytest.mark.parametrize(
    ("word", "told"),
    [
        ("wiring", "### output wired inverted"),
        ("Haas", "precedence or Haas effect"),
        ("later", "`later_ms`"),
        ("swapped microphones", "### microphones exchanged"),
        ("swap", "### microphones exchanged"),
        ("exchange", "### channels exchanged"),
        ("mixed up", "### channels exchanged"),
        ("cancel", "## What adds and what cancels"),
        ("comb", "like a comb"),
        ("latency", "`latency_ms`"),
        ("gain", "### automatic gain"),
        ("flip", "One flip more"),
        ("phase", "degrees apart"),
        ("invert", "### microphone chain inverted"),
        ("crossover", "Linkwitz-Riley"),
        ("all-pass", "all-pass: flat in level"),
        ("subs", "## Why a sub can be right either way"),
        ("wedge", "## An inverted monitor"),
        ("temperature", "10 degrees change a flight"),
        ("humidity", "humidity change the upper octaves"),
        ("time alignment", "## Aligned arrivals are not the goal"),
        ("ground noise", "ground loop"),
        ("hum", "### mains hum"),
    ],
)
def test_words_of_the_trade_lead_to_where_it_is_told(word, told):
    assert told in text_on(word)


def test_every_word_of_the_trade_leads_somewhere():
    for words in words_of_the_trade.LOOKED_FOR_BY.values():
        for word in words.split(", "):
            assert len(text_on(word).split()) > 15, word
    for heading in words_of_the_trade.LOOKED_FOR_BY:
        assert text_on(heading), heading


def test_a_word_that_stands_everywhere_or_nowhere_tells_nothing():
    for word in ("the", "lighthouse", ""):
        with pytest.raises(DescriptionError):
            text_on(word)
