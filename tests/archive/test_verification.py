"""Damage of every kind is found and named, nothing else is, and nothing outside a record is ever opened.

What is complete and valid: RFC 8493, section 3 (from memory; `test_bagit_oracle.py` holds it against a library).
"""

from __future__ import annotations

import os
import shutil
import socket
import tracemalloc
from pathlib import Path

import pytest
from archive_making import found, line, make_record, write_bag

from analyze.archive.bag_reading import Inventory
from analyze.archive.telling import counted_text, verification_text
from analyze.archive.verification import verify_record
from analyze.errors import DescriptionError


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Path:
    """A record, not to be changed."""
    return make_record(tmp_path_factory.mktemp("whole"), extra={"100 %.txt": b"per cent"}).folder


@pytest.fixture
def record(whole, tmp_path) -> Path:
    """A copy of it, to be damaged."""
    return Path(shutil.copytree(whole, tmp_path / "harbour"))


def tag_manifest_again(record: Path) -> None:
    """Make the manifest of tag files anew, as somebody who damages a record on purpose would."""
    names = ["README.txt", "bag-info.txt", "bagit.txt", "manifest-sha512.txt"]
    text = "".join(line(name, (record / name).read_bytes()) for name in names if (record / name).is_file())
    (record / "tagmanifest-sha512.txt").write_text(text)


def test_a_whole_record_is_valid(record):
    assert found(record) == []
    result = verify_record(record)
    sizes = [path.stat().st_size for path in (record / "data").rglob("*") if path.is_file()]
    assert (result.n_files, result.n_bytes) == (len(sizes), sum(sizes))


# Damage


def test_every_single_flipped_byte_is_found_where_it_is(record):
    for path in sorted(p for p in record.rglob("*") if p.is_file()):
        name, data = path.relative_to(record).as_posix(), path.read_bytes()
        for at in {0, len(data) // 2, len(data) - 1}:
            path.write_bytes(data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :])
            assert name in {file for file, _ in found(record)} or "manifest" in name
            assert found(record), (name, at)
        path.write_bytes(data)
    assert found(record) == []


def test_altered_files_are_named_and_no_others(record):
    for name in ("data/report/wiring.csv", "data/report/100 %.txt"):
        data = (record / name).read_bytes()
        (record / name).write_bytes(data[::-1])
    assert found(record) == [("data/report/100 %.txt", "altered"), ("data/report/wiring.csv", "altered")]


def test_missing_files_are_named(record):
    (record / "data/report/wiring.csv").unlink()
    (record / "README.txt").unlink()
    assert found(record) == [
        ("README.txt", "missing"),
        ("data/", "wrong totals"),
        ("data/report/wiring.csv", "missing"),
    ]


def test_extra_files_are_named(record):
    (record / "data/report/new.csv").write_text("x")
    (record / ".DS_Store").write_text("a file beside the payload is no damage (RFC 8493, 2.2.4)")
    assert found(record) == [("data/", "wrong totals"), ("data/report/new.csv", "extra")]


def notes(record: Path) -> list[tuple[str, str]]:
    """File and word of what is told and is no damage."""
    return [(one.file, one.problem) for one in verify_record(record).notes]


def test_a_file_beside_the_payload_that_nothing_names_is_told(record):
    (record / ".DS_Store").write_text("left by a file manager")
    (record / "notes").mkdir()
    (record / "notes" / "later.txt").write_text("put there by somebody")
    assert (found(record), notes(record)) == ([], [(".DS_Store", "not listed"), ("notes/later.txt", "not listed")])
    assert "later.txt: not listed (no manifest names it" in verification_text(verify_record(record))


def test_a_record_without_its_manifest_of_tag_files_is_damaged(record):
    (record / "tagmanifest-sha512.txt").unlink()
    assert found(record) == [("tagmanifest-sha512.txt", "missing")]


def test_a_tag_file_that_was_taken_out_of_its_manifest_is_damaged(record):
    manifest = record / "tagmanifest-sha512.txt"
    kept = [text for text in manifest.read_text().splitlines(keepends=True) if "bag-info.txt" not in text]
    manifest.write_text("".join(kept))
    assert found(record) == [("bag-info.txt", "not listed")]


def test_a_bag_of_others_needs_no_manifest_of_tag_files_and_is_told_apart(record):
    (record / "tagmanifest-sha512.txt").unlink()
    (record / "bag-info.txt").write_text("Contact-Name: another\n")
    assert (found(record), notes(record)) == ([], [("tagmanifest-sha512.txt", "missing")])


def test_a_record_that_is_a_link_is_not_followed(record, tmp_path, opened):
    link = tmp_path / "copy"
    link.symlink_to(record)
    assert found(link) == [(".", "link")]
    assert opened == []


def test_a_cut_manifest_is_found_with_what_it_no_longer_lists(record):
    manifest = record / "manifest-sha512.txt"
    lines = manifest.read_bytes().splitlines(keepends=True)
    manifest.write_bytes(b"".join(lines[:-2]) + lines[-2][:100])
    lost = [text.decode().rstrip().split("  ", 1)[1] for text in lines[-2:]]
    assert found(record) == [
        ("manifest-sha512.txt", "altered"),
        ("manifest-sha512.txt", "malformed"),
        *((name, "extra") for name in sorted(lost)),
    ]


def test_a_file_that_grew_or_was_emptied_is_altered(record):
    (record / "data/report/wiring.csv").write_bytes(b"")
    with (record / "data/report/results.json").open("ab") as file:
        file.write(b" ")
    assert {("data/report/wiring.csv", "altered"), ("data/report/results.json", "altered")} <= set(found(record))


def test_a_payload_that_is_gone_is_missing_file_by_file(record):
    n = verify_record(record).n_files
    shutil.rmtree(record / "data")
    problems = found(record)
    assert ("data/", "missing") in problems
    assert sum(word == "missing" for _, word in problems) == n + 1
    said = verification_text(verify_record(record))
    assert f"data/: missing (the folder of the payload, with {n} files that are listed)" in said
    assert said.count("missing (") == 1


def test_files_missing_from_one_folder_are_counted_where_they_are_many(tmp_path):
    plots = {f"plots/{number}.svg": b"<svg/>" for number in range(6)}
    record = make_record(tmp_path, extra=plots).folder
    shutil.rmtree(record / "data/report/plots")
    (record / "data/report/wiring.csv").unlink()
    said = verification_text(verify_record(record))
    assert "  data/report/plots/: missing (6 files of it that are listed)\n" in said
    assert "  data/report/wiring.csv: missing (listed in manifest-sha512.txt)\n" in said
    assert said.count("missing (") == 2


def test_what_to_do_goes_by_what_is_wrong(record):
    (record / "data/report/new.csv").write_text("x")
    said = verification_text(verify_record(record))
    assert said.endswith("\nMove what is extra elsewhere: it was not there when the record was made.")
    (record / "data/report/wiring.csv").unlink()
    (record / "data/report/wiring.csv").symlink_to("new.csv")
    said = verification_text(verify_record(record))
    assert "\nPut the file or folder itself in the place of a link, from another copy; take away one that was" in said
    assert " Move what is extra" in said
    (record / "data/report/results.json").write_text("{}")
    assert "\nTake what is missing or altered from another copy;" in verification_text(verify_record(record))
    (record.parent / "led").symlink_to(record, target_is_directory=True)
    assert "the link leads to" in verification_text(verify_record(record.parent / "led")).splitlines()[-1]


@pytest.mark.parametrize(
    ("content", "word"),
    [
        (b"", "malformed"),
        (b"BagIt-Version: 1.0\n", "malformed"),
        (b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\nmore\n", "malformed"),
        (b"\xef\xbb\xbfBagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n", "malformed"),
        (b"BagIt-Version: 2.0\nTag-File-Character-Encoding: UTF-8\n", "unknown version"),
        (b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-99\n", "unknown encoding"),
        (b"BagIt-Version: 1.0\nTag-File-Character-Encoding: zip\n", "unknown encoding"),
        (b"\xff\xfe", "wrong encoding"),
        (b"x" * 100_000, "malformed"),
        (None, "missing"),
    ],
)
def test_a_declaration_that_is_none_is_named(record, content, word):
    (record / "bagit.txt").unlink() if content is None else (record / "bagit.txt").write_bytes(content)
    tag_manifest_again(record)
    assert found(record) == [("bagit.txt", word)]


def test_bag_info_is_held_against_the_payload(record):
    path = record / "bag-info.txt"
    for old, new, problem in (
        ("Payload-Oxum: ", "Payload-Oxum: 1", ("data/", "wrong totals")),
        ("Payload-Oxum: ", "Payload-Oxum: many ", ("bag-info.txt", "malformed")),
        ("Payload-Oxum: ", "Payload-Oxum: 1.1\nPayload-Oxum: ", ("bag-info.txt", "malformed")),
        ("Record-Format: 1", "no label at all", ("bag-info.txt", "malformed")),
    ):
        text = path.read_text()
        path.write_text(text.replace(old, new))
        tag_manifest_again(record)
        assert found(record) == [problem]
        path.write_text(text)


def test_no_manifest_at_all_verifies_nothing(record):
    (record / "manifest-sha512.txt").unlink()
    tag_manifest_again(record)
    words = found(record)
    assert ("manifest-*.txt", "missing") in words


# Paths that leave the bag, links, what is to be fetched: never opened


@pytest.mark.parametrize(
    "path",
    [
        "../secret.txt",
        "data/../../secret.txt",
        "data/report/../../../secret.txt",
        "/etc/hostname",
        "~/secret.txt",
        "~root/secret.txt",
        "C:\\secret.txt",
        "c:/secret.txt",
        "\\\\server\\secret.txt",
        "data/..",
        "data/a/%2e%2e/..",
    ],
)
def test_paths_that_leave_the_bag_are_refused(record, opened, path):
    (record.parent / "secret.txt").write_bytes(b"x")
    with (record / "manifest-sha512.txt").open("a") as file:
        file.write(line(path))
    tag_manifest_again(record)
    problems = found(record)
    assert [word for _, word in problems] == ["unsafe path"]
    assert not any("secret" in name or name.startswith("/") for name in opened)


@pytest.mark.parametrize("target", ["outside.csv", "/etc/hostname", "data/report/other.csv", "nowhere"])
def test_a_link_is_never_followed_even_to_what_it_replaces(record, opened, target):
    path = record / "data/report/wiring.csv"
    (record.parent / "outside.csv").write_bytes(path.read_bytes())
    path.unlink()
    path.symlink_to(record.parent / target)
    assert found(record) == [("data/", "wrong totals"), ("data/report/wiring.csv", "link")]
    assert "data/report/wiring.csv" not in opened


def test_a_linked_folder_is_never_walked(record, opened):
    (record / "data/report/responses").rename(record.parent / "responses")
    (record / "data/report/responses").symlink_to(record.parent / "responses")
    problems = found(record)
    assert ("data/report/responses", "link") in problems
    assert sum(word == "missing" for _, word in problems) == 3
    assert not any(name.startswith("data/report/responses") for name in opened)


def test_linked_tag_files_and_payload_count_as_missing(record, tmp_path):
    for name in ("data", "manifest-sha512.txt"):
        (record / name).rename(tmp_path / name)
        (record / name).symlink_to(tmp_path / name)
    assert {("data", "link"), ("data/", "missing"), ("manifest-sha512.txt", "link")} <= set(found(record))


def test_a_file_that_becomes_a_link_meanwhile_is_not_followed(record, monkeypatch):
    own = Inventory.open

    def swapped(self: Inventory, name: str):
        if name == "data/report/wiring.csv":
            (record / name).unlink()
            (record / name).symlink_to("/etc/hostname")
        return own(self, name)

    monkeypatch.setattr(Inventory, "open", swapped)
    assert found(record) == [("data/report/wiring.csv", "unreadable")]


def test_pipes_and_sockets_do_not_hold_it_up(record, monkeypatch):
    (record / "data/report/wiring.csv").unlink()
    os.mkfifo(record / "data/report/wiring.csv")
    monkeypatch.chdir(record)
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind("socket")
        problems = found(record)
    assert ("data/report/wiring.csv", "device or pipe") in problems
    assert ("socket", "device or pipe") in problems


def test_nothing_is_fetched(record, monkeypatch):
    def refuse(*_, **__):
        raise AssertionError("a connection")

    monkeypatch.setattr(socket, "socket", refuse)
    (record / "data/report/wiring.csv").unlink()
    (record / "fetch.txt").write_text(
        "http://example.invalid/w.csv - data/report/wiring.csv\n"
        "http://example.invalid/n.csv 12 data/not-listed.csv\n"
        "http://example.invalid/p 12 ../../etc/passwd\n"
        "nonsense\n"
    )
    assert found(record) == [
        ("fetch.txt", "malformed"),
        ("fetch.txt", "malformed"),
        ("data/", "wrong totals"),
        ("data/not-listed.csv", "to be fetched"),
        ("data/report/wiring.csv", "to be fetched"),
    ]


# Size


def test_memory_does_not_grow_with_a_file(tmp_path):
    """Peak measured: 2.0 MiB for a file of 64 MiB, read in pieces of 1 MiB."""
    with (tmp_path / "large").open("wb") as file:
        file.truncate(64 << 20)
    data = (tmp_path / "large").read_bytes()
    write_bag(tmp_path / "bag", {"data/large": data}, {"manifest-sha512.txt": line("data/large", data)})
    del data
    tracemalloc.start()
    assert found(tmp_path / "bag") == []
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 4 << 20


# What is no record


def test_what_is_no_record_is_told_apart_from_a_damaged_one(record, tmp_path):
    with pytest.raises(DescriptionError, match="no such folder"):
        verify_record(tmp_path / "nowhere")
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(DescriptionError, match="is a file and no record"):
        verify_record(tmp_path / "notes.txt")
    with pytest.raises(DescriptionError, match=r"is not a record.*\nIt holds records.*harbour"):
        verify_record(record.parent)
    with pytest.raises(DescriptionError, match=r"is not a record.*\nName a folder"):
        verify_record(record / "data" / "report")


def test_of_several_records_the_damaged_are_named_at_the_end(tmp_path: Path) -> None:
    good, bad = (make_record(tmp_path / name).folder for name in ("good", "bad"))
    (bad / "manifest-sha512.txt").unlink()
    verified = [verify_record(good), verify_record(bad)]
    assert counted_text(verified, 3) == (f"1 of 3 complete and valid; damaged or incomplete: {bad}; 1 not looked at.")
    assert counted_text(verified[:1], 1) == "1 of 1 complete and valid."
