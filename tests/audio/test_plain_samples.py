"""Samples read as they stand against libsndfile (live, through soundfile): equal to the last bit and frame."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
import soundfile
from audio_helpers import Samples, cut, names, patch, write, write_bw64

from analyze.audio.files import AudioFile, probe
from analyze.audio.plain_samples import SAMPLE_BYTES, PlainLayout, PlainSamples

#: More than two of the stretches that are converted at a time, over three channels.
N_FRAMES = 50_001
FORMS = ["WAV", "WAVEX", "RF64", "W64"]


def words(n_bytes: int) -> bytes:
    """Bytes as they come: every bit pattern that a sample can have is likely."""
    return np.random.default_rng(3).bytes(n_bytes)


def with_words(path: Path, form: str, subtype: str) -> AudioFile:
    """A file of random samples of the subtype; floating-point ones of any finite size that single precision holds."""
    write(path, np.zeros((N_FRAMES, 3), dtype=np.float32), form=form, subtype=subtype)
    n = N_FRAMES * 3
    if subtype in ("FLOAT", "DOUBLE"):
        rng = np.random.default_rng(4)
        values = rng.standard_normal(n) * 10.0 ** rng.uniform(-30.0, 30.0, n)
        data = values.astype("<f4" if subtype == "FLOAT" else "<f8").tobytes()
    else:
        data = words(n * SAMPLE_BYTES[subtype])
    file = probe(path, path.name)
    assert file.plain is not None
    patch(path, file.plain.offset, data)
    return file


def by_libsndfile(path: Path) -> Samples:
    samples: Samples = soundfile.read(path, dtype="float32", always_2d=True)[0]
    return samples


def plainly(file: AudioFile, start: int = 0, n: int = N_FRAMES) -> Samples:
    assert file.plain is not None
    with closing(PlainSamples(file.path, file.plain)) as plain:
        if start:
            plain.seek(start)
        got = plain.read(out=np.full((n, file.n_channels), 9.0, dtype=np.float32))
        assert plain.tell() == start + len(got)
        return got


@pytest.mark.parametrize("subtype", list(SAMPLE_BYTES))
@pytest.mark.parametrize("form", FORMS)
def test_every_sample_is_that_of_libsndfile(tmp_path: Path, form: str, subtype: str) -> None:
    file = with_words(tmp_path / "a.wav", form, subtype)
    expected = by_libsndfile(file.path)
    assert len(np.unique(expected)) > 1000
    np.testing.assert_array_equal(plainly(file).view(np.uint32), expected.view(np.uint32))
    np.testing.assert_array_equal(plainly(file, 777, 30_000), expected[777:30_777])


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_what_is_no_number_comes_as_it_is(tmp_path: Path, subtype: str, value: float) -> None:
    samples = np.full((100, 3), 0.25)
    samples[50, 1] = value
    soundfile.write(tmp_path / "a.wav", samples, 48_000, subtype=subtype)
    file = probe(tmp_path / "a.wav", "a.wav")
    np.testing.assert_array_equal(plainly(file, 0, 100), by_libsndfile(file.path))


def test_a_number_too_large_for_single_precision_is_infinite(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.array([0.5, 1e200, -1e200]), 48_000, subtype="DOUBLE")
    file = probe(tmp_path / "a.wav", "a.wav")
    assert plainly(file, 0, 3)[:, 0].tolist() == [0.5, np.inf, -np.inf]


def test_bw64_is_read_so_too(tmp_path: Path) -> None:
    samples = np.random.default_rng(1).uniform(-0.9, 0.9, (1000, 3)).astype(np.float32)
    file = probe(write_bw64(tmp_path / "a.wav", samples), "a.wav")
    assert file.plain is not None
    assert np.abs(plainly(file, 0, 1000) - samples).max() <= 2.0**-23


@pytest.mark.parametrize(
    ("form", "subtype"), [("FLAC", "PCM_24"), ("AIFF", "PCM_24"), ("WAV", "ULAW"), ("WAV", "PCM_U8")]
)
def test_what_must_be_decoded_is_left_to_the_decoder(tmp_path: Path, form: str, subtype: str) -> None:
    path = write(tmp_path / "a.x", np.zeros((100, 2), dtype=np.float32), form=form, subtype=subtype)
    assert probe(path, "a.x").plain is None


def test_a_stretch_of_other_memory_is_filled_all_the_same(tmp_path: Path) -> None:
    file = with_words(tmp_path / "a.wav", "WAV", "PCM_24")
    assert file.plain is not None
    wide = np.zeros((N_FRAMES, 5), dtype=np.float32)
    with closing(PlainSamples(file.path, file.plain)) as plain:
        assert len(plain.read(out=wide[:, 1:4])) == N_FRAMES
    np.testing.assert_array_equal(wide[:, 1:4], by_libsndfile(file.path))
    assert not wide[:, [0, 4]].any()


@pytest.mark.parametrize("n_bytes_short", [1, 9, 10, 90_000])
def test_a_file_that_shrinks_gives_the_whole_frames_that_are_left(tmp_path: Path, n_bytes_short: int) -> None:
    file = with_words(tmp_path / "a.wav", "WAV", "PCM_24")
    expected = by_libsndfile(file.path)
    content = file.path.read_bytes()
    assert file.plain is not None
    file.path.write_bytes(content[: file.plain.offset + 9 * N_FRAMES - n_bytes_short])
    got = plainly(file)
    assert len(got) == N_FRAMES - -(-n_bytes_short // 9)
    np.testing.assert_array_equal(got, expected[: len(got)])


def test_only_the_frames_that_the_header_claims(tmp_path: Path) -> None:
    """What other programs append behind the audio is no sound."""
    file = with_words(tmp_path / "a.wav", "WAV", "PCM_24")
    with file.path.open("ab") as more:
        more.write(words(9000))
    assert len(plainly(file, 0, N_FRAMES + 500)) == N_FRAMES


def test_a_truncated_file_is_read_to_its_end(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", np.full((1000, 2), 0.5, dtype=np.float32))
    file = probe(cut(path, 0.5), "a.wav")
    assert names(file.findings) == ["truncated file"]
    assert file.plain is not None
    assert (plainly(file, 0, 1000) == 0.5).all()
    assert len(plainly(file, 0, 1000)) == file.n_frames


def test_other_sample_types_are_refused() -> None:
    with pytest.raises(ValueError, match="ULAW is not among PCM_16"):
        PlainLayout("ULAW", 1, 10, 44)
