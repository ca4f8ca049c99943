"""Names made fit for files and labels."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyze.reports.naming import clean, labels, numbered, shortened, slug


@given(st.text())
def test_a_slug_is_always_a_safe_file_name(text):
    assert re.fullmatch(r"[a-z0-9]+(?:-[a-z0-9]+)*", slug(text))
    assert len(slug(text)) <= 40


@given(st.lists(st.text(), max_size=12))
def test_labels_differ_and_none_is_hidden(names):
    short = labels(names)
    assert list(short) == list(dict.fromkeys(names))
    assert len(set(short.values())) == len(short)
    assert all(label and not label.startswith("_") and label.isprintable() for label in short.values())


@given(st.text(), st.integers(4, 40))
def test_shortened_text_is_short(text, length):
    assert len(shortened(text, length)) <= length


@pytest.mark.parametrize(
    ("text", "seen"),
    [
        ("\u202eabc", "abc"),
        ("a\r\nb\tc", "a b c"),
        ("\x1b[31mred", "[31mred"),
        ("می\u200cخواهم", "می\u200cخواهم"),
        ("\x00\x07", ""),
    ],
)
def test_what_cannot_be_seen_is_taken_out(text, seen):
    assert clean(text) == seen


def test_names_cut_alike_get_their_numbers():
    one, two = "front of house left " * 5 + "A" * 30, "front of house left " * 6 + "A" * 30
    short = labels([one, two, "mix"])
    assert short[one].startswith("1. ")
    assert short[two].startswith("2. ")
    assert short["mix"] == "mix"


def test_file_names_are_numbered():
    assert numbered(12, "Büh ne/..", "舞台") == "012_buh-ne_unnamed"
