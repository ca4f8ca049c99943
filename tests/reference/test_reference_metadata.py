"""Metadata of files against the standards' layouts, byte by byte, and against what libsndfile writes.

Sources: EBU Tech 3285 version 2 (2011), 2.3, for bext; EBU Tech 3306 (2009) for RF64; Multimedia Programming Interface
1.0 (1991) for INFO, cue and labl; libsndfile's sndfile.h for its commands.
"""

from __future__ import annotations

import struct
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import soundfile

from analyze.audio.metadata import Mark, read_metadata

RATE_HZ = 48_000

#: EBU Tech 3285 (2011), 2.3: fields of the chunk in their order, with their lengths in bytes.
BEXT_FIELDS = {
    "Description": 256,
    "Originator": 32,
    "OriginatorReference": 32,
    "OriginationDate": 10,
    "OriginationTime": 8,
    "TimeReferenceLow": 4,
    "TimeReferenceHigh": 4,
    "Version": 2,
    "UMID": 64,
    "LoudnessValue": 2,
    "LoudnessRange": 2,
    "MaxTruePeakLevel": 2,
    "MaxMomentaryLoudness": 2,
    "MaxShortTermLoudness": 2,
    "Reserved": 180,
}
#: Length of the chunk without its coding history, same source.
BEXT_BYTES = 602

#: sndfile.h: SFC_SET_BROADCAST_INFO and the native layout of SF_BROADCAST_INFO with 256 characters of history.
SET_BROADCAST_INFO, BROADCAST_INFO = 0x10F1, "@256s32s32s10s8sIIh64s5h180sI256s"


def bext(**fields: bytes) -> bytes:
    """The payload of a bext chunk, every other byte a zero."""
    return b"".join(fields.get(name, b"").ljust(n_bytes, b"\0") for name, n_bytes in BEXT_FIELDS.items())


def chunk(identifier: bytes, payload: bytes) -> bytes:
    """A RIFF chunk, padded to an even length."""
    return identifier + len(payload).to_bytes(4, "little") + payload + b"\0" * (len(payload) % 2)


def wav(path: Path, before: bytes = b"", after: bytes = b"") -> Path:
    """Ten silent frames of two channels between chunks."""
    layout = chunk(b"fmt ", struct.pack("<HHIIHH", 1, 2, RATE_HZ, 4 * RATE_HZ, 4, 16))
    path.write_bytes(chunk(b"RIFF", b"WAVE" + layout + before + chunk(b"data", bytes(40)) + after))
    return path


def rf64(path: Path, form: bytes, after: bytes) -> Path:
    """The same with 64-bit lengths in ds64 and all ones in their places (EBU Tech 3306, 3; ITU-R BS.2088-1)."""
    layout = chunk(b"fmt ", struct.pack("<HHIIHH", 1, 2, RATE_HZ, 4 * RATE_HZ, 4, 16))
    sizes = chunk(b"ds64", struct.pack("<QQQI", 4 + 36 + len(layout) + 48 + len(after), 40, 10, 0))
    ones = b"\xff" * 4
    path.write_bytes(form + ones + b"WAVE" + sizes + layout + b"data" + ones + bytes(40) + after)
    return path


def test_bext_has_the_length_of_the_standard() -> None:
    assert len(bext()) == sum(BEXT_FIELDS.values()) == BEXT_BYTES


@pytest.mark.parametrize("samples", [1, 48_000, (1 << 32) - 1, 1 << 32, (1 << 32) + 48_000, 86_399 * RATE_HZ])
def test_time_reference_counts_samples_in_two_words_low_word_first(tmp_path: Path, samples: int) -> None:
    """Exact: samples over the sample rate. A high word that is lost or swapped is off by hours."""
    low, high = samples & 0xFFFFFFFF, samples >> 32
    words = {"TimeReferenceLow": low.to_bytes(4, "little"), "TimeReferenceHigh": high.to_bytes(4, "little")}
    assert read_metadata(wav(tmp_path / "a.wav", chunk(b"bext", bext(**words)))).start_s == samples / RATE_HZ


@pytest.mark.parametrize("history", [b"", b"A=PCM,F=48000,W=24,M=stereo\r\n"])
@pytest.mark.parametrize("is_behind", [False, True])
def test_text_and_day_of_bext(tmp_path: Path, history: bytes, is_behind: bool) -> None:
    """A field that fills its place has no zero at its end (EBU Tech 3285, 2.3)."""
    text = b"mic at the mix " + b"x" * (256 - 15)
    held = chunk(b"bext", bext(Description=text, Originator=b"o" * 32, OriginationDate=b"2026-05-14") + history)
    path = wav(tmp_path / "a.wav", **{"after" if is_behind else "before": held})
    found = read_metadata(path)
    assert (found.description, found.day) == (text.decode(), "2026-05-14")


@pytest.mark.parametrize("form", [b"RF64", b"BW64"])
def test_chunks_behind_the_audio_of_long_files(tmp_path: Path, form: bytes) -> None:
    """The length of the audio stands in ds64 alone."""
    track = b"<TRACK><INTERLEAVE_INDEX>2</INTERLEAVE_INDEX><NAME>sub</NAME></TRACK>"
    names = b"<BWFXML><TRACK_LIST>" + track + b"</TRACK_LIST></BWFXML>"
    after = chunk(b"bext", bext(Description=b"tower")) + chunk(b"iXML", names)
    found = read_metadata(rf64(tmp_path / "a.wav", form, after))
    assert (found.description, found.track_names) == ("tower", {2: "sub"})


@pytest.mark.parametrize("form", ["WAV", "WAVEX", "RF64"])
def test_what_libsndfile_writes(tmp_path: Path, form: str) -> None:
    """bext and INFO written by libsndfile (live, whatever version is installed)."""
    samples = 72_000 * RATE_HZ + 12_345
    stated = struct.pack(
        BROADCAST_INFO, b"mains \xc3\xa9", b"", b"", b"2026-05-14", b"20:00:00",
        samples & 0xFFFFFFFF, samples >> 32, 1, b"", 0, 0, 0, 0, 0, b"", 0, b"",
    )  # fmt: skip
    path = tmp_path / "a.wav"
    with soundfile.SoundFile(path, "w", RATE_HZ, 2, format=form, subtype="PCM_16") as sound:
        info = soundfile._ffi.from_buffer(stated)
        assert soundfile._snd.sf_command(sound._file, SET_BROADCAST_INFO, info, len(stated)) == 1
        sound.title = "Front fill"
        sound.write(np.zeros((100, 2)))
    found = read_metadata(path)
    assert (found.description, found.title, found.day) == ("mains é", "Front fill", "2026-05-14")
    assert found.start_s == samples / RATE_HZ


def test_cue_points_and_their_labels(tmp_path: Path) -> None:
    """Labels are tied to points by number, in any order; the place is the sample offset, the last word of a point."""
    points = [(7, 96_000), (3, 24_000)]
    cue = struct.pack("<I", len(points))
    cue += b"".join(struct.pack("<II4sIII", name, 1, b"data", 0, 0, sample) for name, sample in points)
    labels = chunk(b"labl", struct.pack("<I", 3) + b"mains alone\0")
    labels += chunk(b"labl", struct.pack("<I", 7) + "sub allein, Bühne\0".encode("latin-1"))
    path = wav(tmp_path / "a.wav", after=chunk(b"cue ", cue) + chunk(b"LIST", b"adtl" + labels))
    assert read_metadata(path).marks == (Mark(0.5, "mains alone"), Mark(2.0, "sub allein, Bühne"))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_track_list_as_the_standard_library_reads_it(tmp_path: Path, encoding: str) -> None:
    """iXML 2.0: INTERLEAVE_INDEX is the channel in the file, CHANNEL_INDEX that of the recorder."""
    tracks = {1: "Kick In", 2: "R&D <left>", 3: "Bühne mitte", 12: "麦克风"}
    root = ElementTree.Element("BWFXML")
    rows = ElementTree.SubElement(root, "TRACK_LIST")
    ElementTree.SubElement(rows, "TRACK_COUNT").text = str(len(tracks))
    for channel, name in reversed(tracks.items()):
        row = ElementTree.SubElement(rows, "TRACK")
        for key, value in {"CHANNEL_INDEX": channel + 20, "INTERLEAVE_INDEX": channel, "NAME": name}.items():
            ElementTree.SubElement(row, key).text = str(value)
    declared = "utf-8" if encoding == "utf-8-sig" else encoding
    text = f'<?xml version="1.0" encoding="{declared}"?>' + ElementTree.tostring(root, "unicode")
    path = wav(tmp_path / "a.wav", chunk(b"iXML", text.encode(encoding) + b"\0\0\0\0"))
    assert read_metadata(path).track_names == tracks
