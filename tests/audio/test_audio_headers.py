"""Headers that are odd, broken or hostile: walked, refused or left to the decoder, never a crash or an endless loop."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
from audio_helpers import cut, noise, write, write_bw64
from hypothesis import given, settings
from hypothesis import strategies as st

from analyze.audio.files import AudioFile, probe
from analyze.audio.headers import Header, read_header, rebuilt_header
from analyze.audio.spliced_file import SplicedFile
from analyze.errors import AnalyzeError

FORMS = ["WAV", "WAVEX", "RF64", "BW64", "W64", "AIFF", "CAF", "FLAC"]


def _header_of(path: Path) -> Header:
    header = read_header(path)
    assert header is not None
    return header


@pytest.mark.parametrize(
    ("form", "sample_bytes"), [("WAV", 3), ("RF64", 3), ("BW64", 3), ("W64", 3), ("AIFF", 3), ("CAF", 3)]
)
def test_header_of_a_whole_file(tmp_path: Path, form: str, sample_bytes: int) -> None:
    path = tmp_path / "a"
    _ = write_bw64(path, noise(101, 3)) if form == "BW64" else write(path, noise(101, 3), form=form)
    header = _header_of(path)
    assert (header.container, header.n_channels, header.sample_rate_hz) == (form, 3, 48_000)
    assert (header.frame_bytes, header.bytes_per_s) == (3 * sample_bytes, 3 * sample_bytes * 48_000)
    assert (header.problem, header.claimed_bytes, header.audio_bytes) == ("", 101 * 9, 101 * 9)
    assert header.claimed_s == pytest.approx(101 / 48_000)


@pytest.mark.parametrize("rate", [8000, 44_100, 48_000, 96_000, 768_000])
def test_sample_rate_of_aiff(tmp_path: Path, rate: int) -> None:
    """An 80-bit extended number; libsndfile writes it."""
    assert _header_of(write(tmp_path / "a", noise(10, 1), form="AIFF", rate=rate)).sample_rate_hz == rate


def test_chunks_of_odd_length_are_padded(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", noise(50, 1))
    content = path.read_bytes()
    path.write_bytes(content[:12] + struct.pack("<4sI", b"note", 5) + b"hello\0" + content[12:])
    header = _header_of(path)
    assert (header.data_offset, header.audio_bytes, header.problem) == (44 + 14, 150, "")


@pytest.mark.parametrize(("n_chunks", "is_given_up"), [(9000, False), (11_000, True)])
def test_a_file_of_empty_chunks_is_given_up(tmp_path: Path, n_chunks: int, is_given_up: bool) -> None:
    """Hours could go by otherwise in a file of nothing else."""
    path = write(tmp_path / "a.wav", noise(50, 1))
    content = path.read_bytes()
    path.write_bytes(content[:12] + b"junk\0\0\0\0" * n_chunks + content[12:])
    assert (read_header(path) is None) == is_given_up


@pytest.mark.parametrize("share", [1.0, 0.6])
@pytest.mark.parametrize(
    ("form", "subtype"),
    [
        ("WAV", "PCM_24"),
        ("WAV", "FLOAT"),
        ("WAVEX", "PCM_16"),
        ("RF64", "PCM_24"),
        ("W64", "PCM_24"),
        ("AIFF", "PCM_24"),
        ("AIFF", "FLOAT"),
        ("CAF", "PCM_24"),
    ],
)
def test_rebuilt_header_states_the_audio_that_is_there(tmp_path: Path, form: str, subtype: str, share: float) -> None:
    """Before exactly those bytes it makes a whole file, by the walker and by libsndfile."""
    path = cut(write(tmp_path / "a", noise(2001, 3), form=form, subtype=subtype), share)
    header = _header_of(path)
    part = path.read_bytes()[header.data_offset :][: header.audio_bytes]
    path.write_bytes(rebuilt_header(header) + part)
    again = _header_of(path)
    assert (again.problem, again.claimed_bytes) == ("", header.audio_bytes)
    assert (again.n_channels, again.sample_rate_hz) == (3, 48_000)
    n_frames = header.audio_bytes // header.frame_bytes
    samples, rate = soundfile.read(path, dtype="float32")
    assert rate == 48_000
    np.testing.assert_array_equal(samples, noise(2001, 3)[:n_frames])


@pytest.mark.parametrize("form", FORMS)
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_a_damaged_header_never_crashes(
    tmp_path_factory: pytest.TempPathFactory, form: str, data: st.DataObject
) -> None:
    """Any bytes of the first 120 changed, the file cut anywhere: read, or refused by an error of ours."""
    path = tmp_path_factory.getbasetemp() / f"fuzz {form}"
    _ = write_bw64(path, noise(30, 2)) if form == "BW64" else write(path, noise(30, 2), form=form)
    content = bytearray(path.read_bytes())
    for place, value in data.draw(st.lists(st.tuples(st.integers(0, 119), st.integers(0, 255)), max_size=4)):
        content[min(place, len(content) - 1)] = value
    path.write_bytes(content[: data.draw(st.integers(0, len(content)))])
    outcome: AudioFile | AnalyzeError
    try:
        outcome = probe(path, "take")
    except AnalyzeError as error:
        outcome = error
    if isinstance(outcome, AnalyzeError):
        assert outcome.exit_code == 3
        assert str(outcome).startswith("take")
        assert str(path) not in str(outcome)
    else:
        assert outcome.n_frames > 0
        assert 0 < outcome.n_channels <= 1024


@settings(max_examples=60, deadline=None)
@given(
    header=st.binary(max_size=50),
    span=st.tuples(st.integers(0, 60), st.integers(0, 140)),
    steps=st.lists(st.tuples(st.integers(-250, 250), st.sampled_from([0, 1, 2]), st.integers(0, 90)), max_size=8),
)
def test_spliced_file_shows_header_and_part(
    tmp_path_factory: pytest.TempPathFactory, header: bytes, span: tuple[int, int], steps: list[tuple[int, int, int]]
) -> None:
    """Against the same bytes in memory, any order of seeks and reads."""
    path = tmp_path_factory.getbasetemp() / "spliced"
    content = np.random.default_rng(1).bytes(200)
    path.write_bytes(content)
    expected = io.BytesIO(header + content[span[0] : span[0] + span[1]])
    with SplicedFile(path, header, span[0], span[1]) as spliced:
        for offset, whence, n in steps:
            size = len(header) + span[1]
            origin = {0: 0, 1: expected.tell(), 2: size}[whence]
            expected.seek(max(0, origin + offset))
            assert spliced.seek(offset, whence) == spliced.tell() == expected.tell()
            assert spliced.read(n) == expected.read(n)


def test_spliced_file_ends_where_the_real_one_does(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"0123456789")
    with SplicedFile(tmp_path / "a", b"head", 6, 100) as spliced:
        assert spliced.read(50) == b"head6789"
        assert spliced.read(50) == b""
