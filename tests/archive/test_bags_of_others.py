"""Manifests and tag files as others write them, or as nobody should: every line is judged, nothing is believed."""

from __future__ import annotations

import hashlib
import os
import shutil
import unicodedata
from pathlib import Path

import pytest
from archive_making import found, line, write_bag
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analyze.archive.verification import verify_record


def test_every_line_of_a_manifest_is_judged(tmp_path):
    text = (
        line("data/a")
        + "\r\n"
        + line("data/a")
        + line("bagit.txt")
        + "abc  data/a\n"
        + line("data/a", algorithm="md5")
        + line("./data/b").upper().replace("DATA/B", "data/b")
        + f"{hashlib.sha512(b'x').hexdigest()}\tdata/c\r"
        + line("data/d").rstrip("\n")
    )
    write_bag(tmp_path, {f"data/{name}": b"x" for name in "abcd"}, {"manifest-sha512.txt": text})
    (tmp_path / "tagmanifest-sha512.txt").write_text(line("data/a"))
    problems = [(one.file, one.problem, one.detail.split(":")[0]) for one in verify_record(tmp_path).problems]
    assert problems == [
        ("bagit.txt", "misplaced", "manifest-sha512.txt line 4"),
        ("manifest-sha512.txt", "malformed", "line 5 is not a sha512 checksum and a path"),
        ("manifest-sha512.txt", "malformed", "line 6 is not a sha512 checksum and a path"),
        ("data/a", "listed twice", "manifest-sha512.txt line 3"),
        ("data/a", "misplaced", "tagmanifest-sha512.txt line 1"),
    ]


@pytest.mark.parametrize(
    ("content", "word"),
    [
        (b"\xff\xfe\xff", "wrong encoding"),
        (b"\xef\xbb\xbf" + line("data/a").encode(), "malformed"),
        (b"a" * 70_000, "malformed"),
    ],
)
def test_a_manifest_that_is_no_text_is_named(tmp_path, content, word):
    write_bag(tmp_path, {"data/a": b"x"}, {})
    (tmp_path / "manifest-sha512.txt").write_bytes(content)
    assert ("manifest-sha512.txt", word) in found(tmp_path)


@pytest.mark.parametrize("algorithm", ["md5", "sha1", "sha224", "sha256", "sha384", "sha512", "sha3_256", "blake2b"])
def test_digests_of_every_usual_kind_are_tried(tmp_path, algorithm):
    name = f"manifest-{algorithm.replace('_', '')}.txt"
    write_bag(tmp_path, {"data/a": b"x"}, {name: line("data/a", algorithm=algorithm)})
    assert found(tmp_path) == []
    (tmp_path / "data/a").write_bytes(b"y")
    assert found(tmp_path) == [("data/a", "altered")]


def test_a_digest_that_is_not_known_is_said(tmp_path):
    write_bag(
        tmp_path,
        {"data/a": b"x"},
        {"manifest-crc32.txt": "00  data/a\n", "manifest-md5.txt": line("data/a", b"x", "md5")},
    )
    assert found(tmp_path) == [("manifest-crc32.txt", "unknown digest")]


@pytest.mark.parametrize(("version", "problems"), [("1.0", [("data/b", "extra")]), ("0.97", [])])
def test_before_1_0_one_manifest_is_enough_for_a_file(tmp_path, version, problems):
    manifests = {
        "manifest-md5.txt": line("data/a", algorithm="md5") + line("data/b", algorithm="md5"),
        "manifest-sha512.txt": line("data/a"),
    }
    write_bag(tmp_path, {"data/a": b"x", "data/b": b"x"}, manifests, version)
    assert found(tmp_path) == problems


def test_before_1_0_percent_signs_stand_for_themselves_and_names_may_bear_an_asterisk(tmp_path):
    manifests = {"manifest-sha512.txt": line("data/5%25") + line("*data/b")}
    write_bag(tmp_path, {"data/5%25": b"x", "data/b": b"x"}, manifests, "0.97")
    assert found(tmp_path) == []
    write_bag(tmp_path, {}, {}, "1.0")
    assert found(tmp_path) == [
        ("*data/b", "misplaced"),
        ("data/5%", "missing"),
        ("data/5%25", "extra"),
        ("data/b", "extra"),
    ]


def test_tag_files_in_another_encoding_are_read(tmp_path):
    write_bag(tmp_path, {"data/ü": b"x"}, {})
    (tmp_path / "bagit.txt").write_text("BagIt-Version: 1.0\r\nTag-File-Character-Encoding: UTF-16\r\n", newline="")
    (tmp_path / "manifest-sha512.txt").write_bytes(line("data/ü").encode("utf-16"))
    assert found(tmp_path) == []


@pytest.mark.parametrize("forms", [("NFC", "NFD"), ("NFD", "NFC")])
def test_names_are_found_however_accents_are_stored(tmp_path, forms):
    written, stored = (unicodedata.normalize(form, "data/süd.wav") for form in forms)
    write_bag(tmp_path, {stored: b"x"}, {"manifest-sha512.txt": line(written)})
    assert found(tmp_path) == []
    (tmp_path / stored).write_bytes(b"y")
    assert found(tmp_path) == [(stored, "altered")]


def test_names_that_are_no_text_are_extra(tmp_path):
    write_bag(tmp_path, {"data/a": b"x"}, {"manifest-sha512.txt": line("data/a")})
    Path(os.fsdecode(os.fsencode(tmp_path) + b"/data/\xff")).write_bytes(b"")
    assert found(tmp_path) == [("data/\udcff", "extra")]


def test_a_bag_whose_files_have_all_been_fetched_is_complete(tmp_path):
    write_bag(tmp_path, {"data/a": b"x"}, {"manifest-sha512.txt": line("data/a")})
    (tmp_path / "fetch.txt").write_text("http://example.invalid/a 1 data/a\n")
    assert found(tmp_path) == []


# Anything at all


TEXT = st.one_of(
    st.binary(max_size=200),
    st.lists(
        st.sampled_from(
            [
                line("data/a"),
                line("../x"),
                line("data/\x85b"),
                line("%0a"),
                "a: b\n",
                " \n",
                ":\n",
                "\r",
                "\0",
                "\ufeff",
                "BagIt-Version: 1.0\n",
                "BagIt-Version: 0.96\n",
                "Tag-File-Character-Encoding: UTF-32\n",
                "Payload-Oxum: 1.1\n",
                "http://example.invalid/a 1 data/a\n",
                "x - /etc/hostname\n",
            ]
        ),
        max_size=5,
    ).map(lambda parts: "".join(parts).encode()),
)
NAMES = st.sampled_from(
    ["bagit.txt", "bag-info.txt", "fetch.txt", "manifest-sha512.txt", "tagmanifest-md5.txt", "data/a"]
)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(files=st.dictionaries(NAMES, TEXT, max_size=6))
def test_whatever_stands_in_its_files_a_bag_is_judged(tmp_path, opened, files):
    folder = tmp_path / "bag"
    shutil.rmtree(folder, ignore_errors=True)
    (folder / "data").mkdir(parents=True)
    for name, data in files.items():
        (folder / name).write_bytes(data)
    result = verify_record(folder)
    assert set(opened) <= set(files)
    assert result.is_valid <= {"bagit.txt", "manifest-sha512.txt"}.issubset(files)
    opened.clear()
