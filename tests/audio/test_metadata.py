"""What a recorder wrote into a file: odd, missing, hostile. It never raises and never hangs.

Layouts by EBU Tech 3285 (2011) and the Multimedia Programming Interface 1.0 (1991); values of standards are checked in
`tests/reference/test_reference_metadata.py`.
"""

from __future__ import annotations

import math
import struct
import time
import tracemalloc
from pathlib import Path

import pytest
from audio_helpers import noise, write
from hypothesis import given, settings
from hypothesis import strategies as st

from analyze.audio.metadata import Mark, Metadata, read_metadata

RATE_HZ = 48_000
TRACK = b"<TRACK><NAME>%s</NAME></TRACK>"
TRACKS = b"<BWFXML><TRACK_LIST>" + TRACK % b"Kick In" + TRACK % b"Kick Out" + b"</TRACK_LIST></BWFXML>"


def chunk(identifier: bytes, payload: bytes) -> bytes:
    """A RIFF chunk, padded to an even length."""
    return struct.pack("<4sI", identifier, len(payload)) + payload + b"\0" * (len(payload) % 2)


def bext(description: bytes = b"", day: bytes = b"", samples: int = 0) -> bytes:
    """A bext chunk (EBU Tech 3285, 2.3)."""
    return chunk(b"bext", struct.pack("<256s64x10s8xQ256x", description, day, samples))


def cue_and_labels(*marks: tuple[int, int, bytes]) -> bytes:
    """Chunks that mark places: number, sample, text."""
    points = b"".join(struct.pack("<II4sIII", number, 0, b"data", 0, 0, sample) for number, sample, _ in marks)
    labels = b"".join(chunk(b"labl", struct.pack("<I", number) + text + b"\0") for number, _, text in marks)
    return chunk(b"cue ", struct.pack("<I", len(marks)) + points) + chunk(b"LIST", b"adtl" + labels)


EVERYTHING = (
    bext(b"mains feed", b"2026-05-14", 90_000 * 48)
    + chunk(b"iXML", TRACKS)
    + cue_and_labels((1, 4800, b"here"))
    + chunk(b"LIST", b"INFO" + chunk(b"INAM", b"a title\0"))
)
ALL_OF_IT = Metadata(
    {1: "Kick In", 2: "Kick Out"}, {}, "mains feed", "a title", "2026-05-14", 90.0, (Mark(0.1, "here"),)
)


def layout(n_channels: int = 1) -> bytes:
    """A format chunk of 16-bit samples."""
    return chunk(b"fmt ", struct.pack("<HHIIHH", 1, n_channels, RATE_HZ, 2 * RATE_HZ * n_channels, 2 * n_channels, 16))


def wav(path: Path, before: bytes = b"", after: bytes = b"") -> Path:
    """Ten silent frames between chunks."""
    path.write_bytes(chunk(b"RIFF", b"WAVE" + layout() + before + chunk(b"data", bytes(20)) + after))
    return path


@pytest.mark.parametrize("is_behind", [False, True])
def test_everything_before_or_behind_the_audio(tmp_path: Path, is_behind: bool) -> None:
    assert read_metadata(wav(tmp_path / "a", **{"after" if is_behind else "before": EVERYTHING})) == ALL_OF_IT


@pytest.mark.parametrize("form", ["WAV", "RF64", "W64", "AIFF", "CAF", "FLAC"])
def test_a_file_without_metadata_has_none(tmp_path: Path, form: str) -> None:
    found = read_metadata(write(tmp_path / "a", noise(10, 1), form=form))
    assert (found.track_names, found.description, found.day, found.marks) == ({}, "", "", ())
    assert math.isnan(found.start_s)


@pytest.mark.parametrize("content", [b"", b"RIFF", b"RIFF\0\0\0\0WAVE", b"no audio at all" * 100])
def test_what_is_no_audio_has_none(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "a.wav").write_bytes(content)
    assert read_metadata(tmp_path / "a.wav") == Metadata()
    assert read_metadata(tmp_path / "absent.wav") == Metadata()


# Text


@pytest.mark.parametrize(
    ("raw", "text"),
    [(b"plain", "plain"), ("Bühne".encode(), "Bühne"), ("Bühne".encode("latin-1"), "Bühne"), (b"  a \r\n", "a")],
)
def test_text_is_utf_8_or_else_latin_1(tmp_path: Path, raw: bytes, text: str) -> None:
    """The standard asks for ASCII; recorders write what their users type."""
    info = chunk(b"LIST", b"INFO" + chunk(b"INAM", raw + b"\0"))
    found = read_metadata(wav(tmp_path / "a", bext(raw) + info + cue_and_labels((1, 0, raw))))
    assert (found.description, found.title, found.marks) == (text, text, (Mark(0.0, text),))


def test_lines_of_the_description_name_tracks(tmp_path: Path) -> None:
    """`TRKn=NAME`, with a letter before it or none: common practice, no source."""
    text = b"sSCENE=1\r\nsTRK1=mains\r\nTRK12= mic mix \r\nsTRK3=\r\nloud"
    found = read_metadata(wav(tmp_path / "a", bext(text)))
    assert found.noted_names == {1: "mains", 12: "mic mix"}
    assert "mains" not in found.description
    assert "loud" in found.description


@pytest.mark.parametrize(
    ("raw", "day"), [(b"2026-05-14", "2026-05-14"), (b"2026:05:14", "2026-05-14"), (b"2026-13-14", ""), (b"today", "")]
)
def test_a_day_is_one_of_the_calendar(tmp_path: Path, raw: bytes, day: str) -> None:
    assert read_metadata(wav(tmp_path / "a", bext(day=raw))).day == day


def test_a_start_at_midnight_is_none(tmp_path: Path) -> None:
    """Recorders without a clock write 0."""
    assert math.isnan(read_metadata(wav(tmp_path / "a", bext(samples=0))).start_s)
    assert read_metadata(wav(tmp_path / "a", bext(samples=24_000))).start_s == 0.5


def test_a_label_without_a_point_has_no_place(tmp_path: Path) -> None:
    label = chunk(b"LIST", b"adtl" + chunk(b"labl", struct.pack("<I", 9) + b"lost\0"))
    (mark,) = read_metadata(wav(tmp_path / "a", label)).marks
    assert math.isnan(mark.at_s)
    assert mark.text == "lost"


# What is odd or hostile


def test_one_bad_chunk_costs_only_itself(tmp_path: Path) -> None:
    bad = chunk(b"smpl", b"x") + chunk(b"axml", b"x") + chunk(b"chna", b"x") + chunk(b"dbmd", b"xyz")
    short = chunk(b"bext", b"cut short") + chunk(b"iXML", TRACKS) + chunk(b"cue ", b"x") + bad
    found = read_metadata(wav(tmp_path / "a", short))
    assert found.track_names == ALL_OF_IT.track_names
    assert (found.description, found.marks) == ("", ())


@pytest.mark.parametrize("n_missing", [3, 20])
def test_a_file_that_was_cut_off_keeps_what_comes_before_the_audio(tmp_path: Path, n_missing: int) -> None:
    path = wav(tmp_path / "a", EVERYTHING)
    path.write_bytes(path.read_bytes()[:-n_missing])
    assert read_metadata(path) == ALL_OF_IT


def test_silence_after_a_power_loss_is_no_list_of_chunks(tmp_path: Path) -> None:
    """Header never completed, then 64 MB of zeros: read whole, they are 8 million empty chunks and 3 GB of memory.

    Measured: 0.01 MB, 0.5 ms. The bounds are far above that and far below what a walk would take.
    """
    head = chunk(b"RIFF", b"WAVE" + layout() + EVERYTHING + struct.pack("<4sI", b"data", 0))
    path = tmp_path / "a.wav"
    with path.open("wb") as file:
        file.write(head)
        file.truncate(64 << 20)
    read_metadata(wav(tmp_path / "warm", EVERYTHING))
    tracemalloc.start()
    begin = time.perf_counter()
    assert read_metadata(path) == ALL_OF_IT
    assert time.perf_counter() - begin < 2.0
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 8 << 20


def test_audio_that_looks_like_chunks_is_audio(tmp_path: Path) -> None:
    """A header that was never completed says that the audio is empty; what follows is audio all the same."""
    head = chunk(b"RIFF", b"WAVE" + layout() + struct.pack("<4sI", b"data", 0))
    (tmp_path / "a.wav").write_bytes(head + bext(b"not a chunk") + bytes(3))
    assert read_metadata(tmp_path / "a.wav").description == ""


@pytest.mark.parametrize("kind", [b"bext", b"iXML", b"LIST", b"cue "])
def test_a_chunk_too_long_to_be_true_is_not_read(tmp_path: Path, kind: bytes) -> None:
    payload = (b"INFO" if kind == b"LIST" else b"") + b"a" * (2 << 20)
    found = read_metadata(wav(tmp_path / "a", chunk(kind, payload) + bext(b"after it")))
    assert found.track_names == {}
    assert found.title == ""
    assert found.description == "after it"


def test_a_length_that_leads_out_of_the_file_ends_the_walk(tmp_path: Path) -> None:
    after = bext(b"first") + struct.pack("<4sI", b"iXML", 0xFFFFFFF0) + TRACKS
    found = read_metadata(wav(tmp_path / "a", after=after))
    assert (found.description, found.track_names) == ("first", {})


def test_a_thousand_nested_lists_are_harmless(tmp_path: Path) -> None:
    nested = b"INFO"
    for _ in range(2000):
        nested = b"INFO" + chunk(b"LIST", nested)
    assert read_metadata(wav(tmp_path / "a", chunk(b"LIST", nested) + bext(b"whole"))).description == "whole"


def _expanding() -> bytes:
    """Entities made of ten of the one before, nine times: 10 to the 9th characters if expanded."""
    lines = ['<!ENTITY a "0123456789">']
    lines += [f'<!ENTITY {name} "{f"&{before};" * 10}">' for before, name in zip("abcdefgh", "bcdefghi", strict=True)]
    return ("<!DOCTYPE b [" + "".join(lines) + "]>").encode()


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "utf-16-le", "utf-32-le", "utf-7", "cp037"])
@pytest.mark.parametrize("declared", ["", '<?xml version="1.0" encoding="{}"?>', '<?xml encoding="{}" x=">"?><?xml?>'])
@pytest.mark.parametrize("attack", ["expanding", "long", "file"])
def test_entities_are_never_expanded(tmp_path: Path, encoding: str, declared: str, attack: str) -> None:
    """Whatever encoding hides the document type."""
    secret = tmp_path / "secret.txt"
    secret.write_text("secret")
    head, name = {
        "expanding": (_expanding().decode(), "&i;"),
        "long": ('<!DOCTYPE b [<!ENTITY a "' + "x" * 50_000 + '">]>', "&a;" * 5000),
        "file": (f'<!DOCTYPE b [<!ENTITY a SYSTEM "{secret.as_uri()}">]>', "&a;"),
    }[attack]
    body = f"<BWFXML><TRACK_LIST><TRACK><NAME>{name}</NAME></TRACK></TRACK_LIST></BWFXML>"
    payload = (declared.format(encoding) + head + body).encode(encoding)
    begin = time.perf_counter()
    found = read_metadata(wav(tmp_path / "a.wav", chunk(b"iXML", payload)))
    assert time.perf_counter() - begin < 2.0
    assert sum(map(len, found.track_names.values())) < 200
    assert "secret" not in str(found.track_names)


@pytest.mark.parametrize(
    "text",
    [
        b"<BWFXML/>",
        b"not xml",
        b"<BWFXML><TRACK_LIST/></BWFXML>",
        b"<a>" * 5000,
        b"\xff\xfe\x00",
        b"<BWFXML><TRACK_LIST><TRACK><NAME> </NAME></TRACK></TRACK_LIST></BWFXML>",
    ],
)
def test_a_list_without_tracks_names_none(tmp_path: Path, text: bytes) -> None:
    assert read_metadata(wav(tmp_path / "a", chunk(b"iXML", text))).track_names == {}


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_damaged_bytes_never_raise(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    """Any bytes changed, the file cut anywhere."""
    path = wav(tmp_path_factory.getbasetemp() / "fuzz", EVERYTHING, EVERYTHING)
    content = bytearray(path.read_bytes())
    places = st.tuples(st.integers(0, len(content) - 1), st.integers(0, 255))
    for place, value in data.draw(st.lists(places, max_size=6)):
        content[place] = value
    path.write_bytes(content[: data.draw(st.integers(0, len(content)))])
    found = read_metadata(path)
    assert all(isinstance(name, str) and name for name in found.track_names.values())


@settings(max_examples=100, deadline=None)
@given(
    chunks=st.lists(
        st.tuples(st.sampled_from([b"bext", b"iXML", b"cue ", b"LIST", b"junk"]), st.binary(max_size=700)), max_size=6
    )
)
def test_chunks_of_anything_never_raise(
    tmp_path_factory: pytest.TempPathFactory, chunks: list[tuple[bytes, bytes]]
) -> None:
    held = b"".join(chunk(identifier, payload) for identifier, payload in chunks)
    path = wav(tmp_path_factory.getbasetemp() / "fuzz", held, held)
    assert isinstance(read_metadata(path), Metadata)
