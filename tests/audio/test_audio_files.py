"""What `probe` says of whole, damaged and foreign files; expected figures follow from how each file was made."""

from __future__ import annotations

import hashlib
import math
import os
import struct
from pathlib import Path

import numpy as np
import pytest
from audio_helpers import RATE_HZ, cut, names, noise, only, opened, patch, read_all, write, write_bw64

from analyze.audio.files import AudioFile, ForwardSoundFile, probe, sha256_of
from analyze.audio.spliced_file import SplicedFile
from analyze.errors import AudioError, DescriptionError

N_FRAMES = 5001
#: Format, sample type, file name.
WHOLE = [
    ("WAV", "PCM_16", "a.wav"),
    ("WAV", "PCM_24", "a.wav"),
    ("WAV", "PCM_32", "a.wav"),
    ("WAV", "FLOAT", "a.wav"),
    ("WAV", "DOUBLE", "a.wav"),
    ("WAVEX", "PCM_24", "a.wav"),
    ("RF64", "PCM_24", "a.rf64"),
    ("RF64", "FLOAT", "a.wav"),
    ("W64", "PCM_24", "a.w64"),
    ("AIFF", "PCM_24", "a.aiff"),
    ("AIFF", "FLOAT", "a.aifc"),
    ("FLAC", "PCM_24", "a.flac"),
    ("CAF", "PCM_24", "a.caf"),
    ("CAF", "FLOAT", "a.caf"),
]
#: Those whose header states a length that can be compared with the file.
STATED = [entry for entry in WHOLE if entry[0] != "FLAC"]


def decoded(file: AudioFile) -> np.ndarray:
    """All samples of a file, by its own folder and name."""
    tracks = {i: f"{file.path.name}:{i + 1}" for i in range(file.n_channels)}
    with opened(file.path.parent, tracks) as recording:
        return read_all(recording)


@pytest.mark.parametrize(("form", "subtype", "name"), WHOLE)
def test_whole_file_is_read_exactly_and_without_a_finding(tmp_path: Path, form: str, subtype: str, name: str) -> None:
    samples = noise(N_FRAMES, 3)
    path = write(tmp_path / name, samples, form=form, subtype=subtype)
    file = probe(path, "shown")
    assert (file.format, file.subtype, file.n_channels) == (form, subtype, 3)
    assert (file.n_frames, file.sample_rate_hz, file.n_bytes) == (N_FRAMES, RATE_HZ, path.stat().st_size)
    assert file.findings == ()
    assert file.duration_s == pytest.approx(N_FRAMES / RATE_HZ)
    assert file.is_float == (subtype in ("FLOAT", "DOUBLE"))
    np.testing.assert_array_equal(decoded(file), samples)


def test_bw64_is_read_exactly(tmp_path: Path) -> None:
    samples = noise(N_FRAMES, 2)
    file = probe(write_bw64(tmp_path / "a.wav", samples), "a.wav")
    assert (file.format, file.subtype, file.n_frames, file.findings) == ("BW64", "PCM_24", N_FRAMES, ())
    np.testing.assert_array_equal(decoded(file), samples)


def test_both_files_behind_a_splice_are_closed(tmp_path: Path) -> None:
    sound = probe(cut(write(tmp_path / "a.caf", noise(1000, 2), form="CAF"), 0.9), "a.caf").open()
    assert isinstance(sound, ForwardSoundFile)
    assert isinstance(sound.source, SplicedFile)
    assert not sound.source.closed
    sound.close()
    assert sound.closed
    assert sound.source.closed


@pytest.mark.parametrize("form", ["WAV", "RF64", "W64", "AIFF", "FLAC", "CAF"])
def test_file_of_one_sample(tmp_path: Path, form: str) -> None:
    samples = np.full((1, 1), 0.25, dtype=np.float32)
    file = probe(write(tmp_path / "one", samples, form=form), "one")
    assert (file.n_frames, file.findings) == (1, ())
    np.testing.assert_array_equal(decoded(file), samples)


@pytest.mark.parametrize(("form", "subtype", "name"), [*STATED, ("BW64", "PCM_24", "a.wav")])
def test_cut_file_tells_what_is_missing_and_gives_the_rest(tmp_path: Path, form: str, subtype: str, name: str) -> None:
    samples = noise(N_FRAMES, 3)
    path = tmp_path / name
    _ = write_bw64(path, samples) if form == "BW64" else write(path, samples, form=form, subtype=subtype)
    n_bytes = path.stat().st_size
    file = probe(cut(path, 0.6), "take.wav")
    found = only(file.findings)
    assert (found.finding, found.severity, found.unit, found.file) == ("truncated file", "warning", "s", "take.wav")
    assert 0.5 < file.n_frames / N_FRAMES < 0.6 + 60 / n_bytes * 3
    assert found.at_s == pytest.approx(file.n_frames / RATE_HZ, abs=1e-9)
    assert found.value == pytest.approx((N_FRAMES - file.n_frames) / RATE_HZ, abs=1e-9)
    np.testing.assert_array_equal(decoded(file), samples[: file.n_frames])


@pytest.mark.parametrize("n_lost", [0, 1, 8, 9, 10])
def test_a_part_of_a_frame_is_enough_to_be_cut(tmp_path: Path, n_lost: int) -> None:
    """Three channels of 24 bits: nine bytes to the frame."""
    path = write(tmp_path / "a.wav", noise(100, 3))
    path.write_bytes(path.read_bytes()[: path.stat().st_size - n_lost])
    file = probe(path, "a.wav")
    assert file.n_frames == 100 - math.ceil(n_lost / 9)
    assert names(file.findings) == (["truncated file"] if n_lost else [])


def _without_length(path: Path, form: str, length: int) -> None:
    """Write another length into the header: 0 after a power loss, all ones from a stream."""
    content = path.read_bytes()
    data = content.find(b"data")
    if form == "WAV":
        patch(path, data + 4, struct.pack("<I", length))
        patch(path, 4, struct.pack("<I", length))
    elif form == "RF64":
        patch(path, 28, struct.pack("<Q", length))
    elif form == "W64":
        patch(path, data + 16, struct.pack("<Q", length))
    elif form == "AIFF":
        patch(path, content.find(b"COMM") + 10, struct.pack(">I", length))
        patch(path, content.find(b"SSND") + 4, struct.pack(">I", length))
    else:
        patch(path, data + 4, struct.pack(">q", length))


@pytest.mark.parametrize(
    ("form", "subtype", "length"),
    [
        ("WAV", "PCM_16", 0),
        ("WAV", "FLOAT", 0),
        ("WAV", "PCM_24", 0xFFFFFFFF),
        ("WAV", "PCM_24", 0x7FFFFFFF),
        ("RF64", "PCM_24", 0),
        ("RF64", "PCM_24", 0xFFFFFFFFFFFFFFFF),
        ("W64", "PCM_24", 0),
        ("AIFF", "PCM_24", 0),
        ("AIFF", "FLOAT", 0),
        ("CAF", "PCM_24", 0),
        ("CAF", "PCM_24", -1),
        ("CAF", "FLOAT", -1),
    ],
)
def test_header_without_a_length_gives_all_audio(tmp_path: Path, form: str, subtype: str, length: int) -> None:
    samples = noise(N_FRAMES, 2)
    path = write(tmp_path / "a", samples, form=form, subtype=subtype)
    _without_length(path, form, length)
    file = probe(path, "take")
    found = only(file.findings)
    assert (found.finding, found.severity, found.file) == ("unfinished header", "warning", "take")
    assert found.value == pytest.approx(N_FRAMES / RATE_HZ)
    assert (file.format, file.subtype, file.n_frames) == (form, subtype, N_FRAMES)
    np.testing.assert_array_equal(decoded(file), samples)


def test_wav_past_4_gib_gives_all_audio(tmp_path: Path) -> None:
    """The 32-bit length holds what is over 4 GiB; the file is sparse, but for its last second."""
    path, n_channels = tmp_path / "long.wav", 4
    write(path, noise(1, n_channels), subtype="PCM_16")
    n_bytes = (1 << 32) + 8 * RATE_HZ
    tail = noise(RATE_HZ, n_channels)
    with path.open("r+b") as file:
        file.seek(40)
        file.write(struct.pack("<I", n_bytes % (1 << 32)))
        file.seek(44 + n_bytes - 8 * RATE_HZ)
        file.write((tail * 2**15).astype("<i2").tobytes())
        file.write(struct.pack("<4sI", b"LIST", 4) + b"INFO")  # no audio
    probed = probe(path, "long.wav")
    found = only(probed.findings)
    assert (found.finding, found.severity) == ("length overflow", "warning")
    assert (probed.format, probed.n_frames) == ("WAV", n_bytes // 8)
    with opened(tmp_path, {i: f"long.wav:{i + 1}" for i in range(n_channels)}) as recording:
        np.testing.assert_array_equal(recording.read(probed.n_frames - RATE_HZ, RATE_HZ), tail)
    if os.name == "posix":
        assert path.stat().st_blocks * 512 < 1 << 24, "the test filled the disk"


def test_a_chunk_after_the_audio_is_not_audio(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", noise(100, 1))
    path.write_bytes(path.read_bytes() + struct.pack("<4sI", b"LIST", 4) + b"INFO")
    file = probe(path, "a.wav")
    assert (file.n_frames, file.findings) == (100, ())


@pytest.mark.parametrize("trailer", [b"", struct.pack("<4sI", b"LIST", 4) + b"INFO"])
def test_header_without_audio_is_refused(tmp_path: Path, trailer: bytes) -> None:
    path = write(tmp_path / "a.wav", noise(0, 2))
    path.write_bytes(path.read_bytes() + trailer)
    with pytest.raises(AudioError, match="holds no audio"):
        probe(path, "a.wav")


@pytest.mark.parametrize("form", ["WAV", "W64", "AIFF"])
def test_cut_within_the_first_frame_is_refused(tmp_path: Path, form: str) -> None:
    path = write(tmp_path / "a", noise(10, 3), form=form)
    whole = path.stat().st_size
    path.write_bytes(path.read_bytes()[: whole - 10 * 9 + 5])
    with pytest.raises(AudioError, match="holds no audio"):
        probe(path, "a")


def test_empty_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.wav").touch()
    with pytest.raises(AudioError, match=r"^day 1/a.wav: is empty"):
        probe(tmp_path / "a.wav", "day 1/a.wav")


@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.raw", "a.txt", "a"])
def test_random_bytes_are_refused_without_naming_the_machine(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(np.random.default_rng(3).bytes(10_000))
    with pytest.raises(AudioError, match="cannot be read as audio") as caught:
        probe(tmp_path / name, name)
    assert str(tmp_path) not in str(caught.value)
    assert "WAV, RF64, BW64, W64, AIFF, CAF or FLAC" in caught.value.mend
    assert caught.value.exit_code == 3


def test_missing_file_and_folder_are_mistakes_of_the_description(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match=r"^b.wav: there is no such file"):
        probe(tmp_path / "b.wav", "b.wav")
    with pytest.raises(DescriptionError, match="is not a file"):
        probe(tmp_path, "folder")
    with pytest.raises(AudioError, match="cannot be read"):
        probe(tmp_path / ("x" * 5000), "long name")


@pytest.mark.parametrize(("n_channels", "is_refused"), [(1024, False), (1025, True)])
def test_number_of_channels_is_limited(tmp_path: Path, n_channels: int, is_refused: bool) -> None:
    path = tmp_path / "a.wav"
    body = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, n_channels, RATE_HZ, 2 * n_channels * RATE_HZ, 2 * n_channels, 16)
    audio = struct.pack("<4sI", b"data", 2 * n_channels) + bytes(2 * n_channels)
    path.write_bytes(struct.pack("<4sI4s", b"RIFF", 4 + len(body + audio), b"WAVE") + body + audio)
    if is_refused:
        with pytest.raises(AudioError, match=r"too many channels \(found 1025, expected at most 1024\)"):
            probe(path, "a.wav")
    else:
        assert probe(path, "a.wav").n_channels == 1024


@pytest.mark.parametrize("rate", [100, 7999, 1_000_000])
def test_unusable_sample_rate_is_refused(tmp_path: Path, rate: int) -> None:
    with pytest.raises(AudioError, match=f"no usable sample rate .found {rate} Hz"):
        probe(write(tmp_path / "a.wav", noise(10, 1), rate=rate), "a.wav")


def _first_flac_frame(content: bytes) -> int:
    """Offset of the first frame: after the metadata blocks, the last of which has its top bit set (RFC 9639, 8.1)."""
    offset = 4
    while True:
        head, length = content[offset], int.from_bytes(content[offset + 1 : offset + 4], "big")
        offset += 4 + length
        if head & 0x80:
            return offset


def test_flac_that_fails_in_its_first_frame_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "a.flac", noise(20_000, 2), form="FLAC")
    patch(path, _first_flac_frame(path.read_bytes()) + 20, b"\x55" * 40)
    with pytest.raises(AudioError, match=r"^take.flac at 0.00 s: its first frame cannot be decoded") as caught:
        probe(path, "take.flac")
    assert caught.value.at_s == 0.0


def _without_flac_length(path: Path) -> None:
    """Total samples of STREAMINFO, 36 bits, to 0: not known (RFC 9639, 8.2)."""
    content = path.read_bytes()
    patch(path, 21, bytes([content[21] & 0xF0, 0, 0, 0, 0]))


def test_flac_without_a_length_is_counted(tmp_path: Path) -> None:
    samples = noise(100_003, 2)
    path = write(tmp_path / "a.flac", samples, form="FLAC")
    _without_flac_length(path)
    file = probe(path, "a.flac")
    assert (file.n_frames, file.findings) == (100_003, ())
    np.testing.assert_array_equal(decoded(file), samples)


def test_cut_flac_without_a_length_is_counted_as_far_as_it_goes(tmp_path: Path) -> None:
    samples = noise(100_003, 2)
    path = write(tmp_path / "a.flac", samples, form="FLAC")
    _without_flac_length(path)
    file = probe(cut(path, 0.6), "a.flac")
    found = only(file.findings)
    assert found.finding == "damaged file"
    assert 50_000 < file.n_frames < 65_000
    assert found.at_s == pytest.approx(file.n_frames / RATE_HZ)
    np.testing.assert_array_equal(decoded(file), samples[: file.n_frames])


def test_sha256_is_that_of_the_bytes(tmp_path: Path) -> None:
    """'abc': FIPS 180-2, appendix B.1; the long one against the standard library on the whole content."""
    (tmp_path / "abc").write_bytes(b"abc")
    assert sha256_of(tmp_path / "abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    content = np.random.default_rng(5).bytes(3_000_001)
    (tmp_path / "long").write_bytes(content)
    assert sha256_of(tmp_path / "long") == hashlib.sha256(content).hexdigest()
    with pytest.raises(AudioError, match=r"^gone: cannot be read"):
        sha256_of(tmp_path / "gone")
