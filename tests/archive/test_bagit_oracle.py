"""Our records against `bagit` 1.9.0, the library of the standard's authors, and its bags against our verification.

The library writes BagIt 0.97 and takes no percent sign in a name (it leaves `%25` as it stands), so none is used here.
"""

from __future__ import annotations

from pathlib import Path

import bagit
import pytest
from archive_making import content, library_finds, make_record

from analyze.archive.verification import verify_record

AUDIO = {"take 1.wav": b"one" * 5000, "day 2/ü 舞台.wav": b"two"}


@pytest.fixture
def record(tmp_path) -> Path:
    for name, data in AUDIO.items():
        (tmp_path / "harbour" / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "harbour" / name).write_bytes(data)
    notes = {"engineer": "Å. Person", "notes": "word " * 100}
    return make_record(tmp_path, audio=AUDIO, with_audio=True, notes=notes, extra={"two\nlines": b"x"}).folder


def test_the_library_finds_our_records_valid(record):
    assert library_finds(record) == ""
    bag = bagit.Bag(str(record))
    assert (bag.version_info, bag.encoding) == ((1, 0), "UTF-8")
    assert bag.info["Contact-Name"] == "Å. Person"
    assert " ".join(bag.info["Internal-Sender-Description"].split()) == ("word " * 100).strip()
    assert set(bag.payload_files()) == {name for name in content(record) if name.startswith("data/")}


@pytest.mark.parametrize("name", ["data/audio/take 1.wav", "data/report/results.json", "bag-info.txt", "README.txt"])
def test_the_library_and_we_find_the_same_damage(record, name):
    data = bytearray((record / name).read_bytes())
    data[len(data) // 2] ^= 1
    (record / name).write_bytes(data)
    assert library_finds(record)
    assert [one.file for one in verify_record(record).problems] == [name]


@pytest.mark.parametrize("checksums", [["md5"], ["sha1"], ["sha256", "sha512"], ["md5", "sha1", "sha256", "sha512"]])
def test_we_find_the_bags_of_the_library_valid(tmp_path, checksums):
    files = {"a b.txt": b"x" * 3_000_000, "sub/ü 舞台.txt": b"", "two\nlines.txt": b"y"}
    for name, data in files.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(data)
    bagit.make_bag(str(tmp_path), {"Contact-Name": "Å", "Notes": "a\nb"}, checksums=checksums)
    assert "0.97" in (tmp_path / "bagit.txt").read_text()
    found = verify_record(tmp_path)
    assert found.is_valid, found.problems
    assert (found.n_files, found.n_bytes) == (3, 3_000_001)
    (tmp_path / "data" / "two\nlines.txt").write_bytes(b"z")
    assert [(one.file, one.problem) for one in verify_record(tmp_path).problems] == [("data/two\nlines.txt", "altered")]
