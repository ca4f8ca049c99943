"""The streaming pass against reading alone and other ways to the same sums: `python tests/benchmarks/pass_ratios.py`.

Sixteen tracks of 24 bits at 48 kHz, four of them feeds, everything at once; ratios of wall and processor time, round by
round in turn, the median of the rounds. The other libraries come with the `bench` extra; theirs and the pass over the
same 100 s of the file are held against one another: as short as it may be for frames half a frame apart.
"""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from itertools import product
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import soundfile
from material import RATE_HZ, Take, write_take
from numpy.typing import NDArray
from scipy import fft, signal

from analyze.audio.damage import TrackStatistics
from analyze.audio.recording import open_recording
from analyze.description import Capture, load_sound_check
from analyze.spectra.cross_spectra import FRAME_S
from analyze.spectra.streaming import accumulate
from analyze.spectra.threads import one_heap

N_FEEDS, N_MICS = 4, 12
LENGTH = round(FRAME_S * RATE_HZ)
STRETCH_S = 100
STRETCH = STRETCH_S * RATE_HZ

Work = Callable[[], object]


def read_alone(paths: list[Path]) -> None:
    """Decode files with soundfile in float32 blocks."""
    for path in paths:
        with soundfile.SoundFile(path) as file:
            block = np.empty((1 << 17, file.channels), dtype=np.float32)
            while len(file.read(out=block)):
                pass


def one_pass(folder: Path, capture: Capture, shift_s: NDArray[np.float64], threads: int) -> None:
    """The pass as the program runs it: levels logged, the damage of every track looked for."""
    tracks = {("feed", name): track for name, track in capture.feeds.items()}
    tracks |= {("mic", name): track for name, track in capture.mics.items()}
    with open_recording(folder, capture, tracks) as recording, fft.set_workers(threads):
        statistics = TrackStatistics(len(tracks), recording.sample_rate_hz)

        def source(n: int) -> Iterator[NDArray[np.float32]]:
            for _, block in recording.blocks(n, statistics=statistics):
                yield block

        accumulate(
            source,
            recording.n_frames,
            recording.sample_rate_hz,
            capture=capture.name,
            feeds=list(capture.feeds),
            positions=list(capture.mics),
            shift_s=shift_s,
            log=[],
        )
        statistics.finish()


def pairwise(path: Path) -> None:
    """scipy.signal, pair by pair: cross-spectrum, coherence, and the spectrum of every track."""
    samples, _ = soundfile.read(path, frames=STRETCH, dtype="float32", always_2d=True)
    how = {"fs": RATE_HZ, "nperseg": LENGTH, "noverlap": LENGTH // 2}
    for i, p in product(range(N_FEEDS), range(N_FEEDS, N_FEEDS + N_MICS)):
        signal.csd(samples[:, i], samples[:, p], **how)
        signal.coherence(samples[:, i], samples[:, p], **how)
    for track in samples.T:
        signal.welch(track, **how)


def whole_matrix(path: Path) -> None:
    """A library for arrays of microphones: the cross-spectral matrix of all tracks, its nearest length of frames."""
    import acoular

    acoular.config.global_caching = "none"
    samples, _ = soundfile.read(path, frames=STRETCH, dtype="float64", always_2d=True)
    source = acoular.TimeSamples(data=samples, sample_freq=RATE_HZ)
    acoular.PowerSpectra(source=source, block_size=65536, overlap="50%", window="Hanning", cached=False).csm  # noqa: B018


def by_dask(path: Path) -> None:
    """dask.array over frames, in threads."""
    import dask.array as da

    samples, _ = soundfile.read(path, frames=STRETCH, dtype="float32", always_2d=True)
    frames = np.lib.stride_tricks.sliding_window_view(samples, LENGTH, axis=0)[:: LENGTH // 2]  # (frame, track, sample)
    window = np.hanning(LENGTH + 1)[:-1].astype(np.float32)
    parts = da.from_array(frames, chunks=(8, -1, -1))
    spectra = parts.map_blocks(
        lambda block: fft.rfft(block * window, axis=-1),
        dtype=np.complex64,
        chunks=(parts.chunks[0], (N_FEEDS + N_MICS,), (LENGTH // 2 + 1,)),
    )
    products = da.einsum("kil,kpl->ipl", spectra[:, :N_FEEDS].conj(), spectra)
    products.compute(scheduler="threads")


def by_librosa(path: Path) -> None:
    """librosa.stream block by block, librosa.stft of every track, einsum."""
    import librosa

    total = np.zeros((N_FEEDS, N_FEEDS + N_MICS, LENGTH // 2 + 1), dtype=np.complex128)
    how = {"block_length": 16, "frame_length": LENGTH, "hop_length": LENGTH // 2}
    for block in librosa.stream(path, mono=False, duration=float(STRETCH_S), fill_value=0.0, **how):
        spectra = librosa.stft(block, n_fft=LENGTH, hop_length=LENGTH // 2, center=False)  # (track, line, frame)
        total += np.einsum("ilk,plk->ipl", spectra[:N_FEEDS].conj(), spectra)


def timed(work: Work) -> tuple[float, float]:
    """Wall and processor time of one call, in seconds."""
    wall, processor = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - processor


def rounds(works: dict[str, Work], n: int) -> dict[str, list[tuple[float, float]]]:
    """Every work once a round, in turn."""
    times: dict[str, list[tuple[float, float]]] = {name: [] for name in works}
    for _ in range(n):
        for name, work in works.items():
            times[name].append(timed(work))
    return times


def told(times: dict[str, list[tuple[float, float]]], base: str) -> None:
    """Print the median ratios to `base`."""
    for name, runs in times.items():
        wall, processor = (
            statistics.median(run[k] / of[k] for run, of in zip(runs, times[base], strict=True)) for k in (0, 1)
        )
        print(f"  {name:34s} wall {wall:7.2f}  processor {processor:7.2f}")  # noqa: T201


def take_and_shifts(minutes: int) -> tuple[Take, NDArray[np.float64]]:
    """What is passed over, and by how much each feed is read earlier, (feed, microphone), in seconds."""
    shift_s = (200 + 90 * np.arange(N_FEEDS)[:, None] + 160 * np.arange(N_MICS)) / RATE_HZ
    return Take(N_FEEDS, N_MICS, 60 * minutes, solo=False), shift_s


def compare(minutes: int, n: int, others: bool) -> None:
    """Make the files, time everything, print the ratios."""
    take, shift_s = take_and_shifts(minutes)
    for form in ("WAV", "FLAC"):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            write_take(folder, take, form)
            capture = load_sound_check(folder).captures[0]
            paths = sorted({folder / track.file for track in [*capture.feeds.values(), *capture.mics.values()]})
            works: dict[str, Work] = {"reading alone": lambda paths=paths: read_alone(paths)}
            for threads in (1, 2):
                works[f"pass, {threads} threads"] = lambda f=folder, c=capture, t=threads: one_pass(f, c, shift_s, t)
            print(f"{form}, {minutes} minutes, {N_FEEDS} feeds, {N_MICS} microphones; re reading alone")  # noqa: T201
            told(rounds(works, n), "reading alone")
            if form == "WAV" and others:
                against_others(folder, paths[0], n, shift_s)


def against_others(folder: Path, path: Path, n: int, shift_s: NDArray[np.float64]) -> None:
    """The pass over a stretch against other libraries over the same."""
    text = (folder / "soundcheck.toml").read_text(encoding="utf-8")
    (folder / "stretch.toml").write_text(text + f"end_s = {STRETCH_S}\n", encoding="utf-8")
    capture = load_sound_check(folder / "stretch.toml").captures[0]
    works: dict[str, Work] = {
        "pass, 2 threads": lambda: one_pass(folder, capture, shift_s, 2),
        "scipy.signal, pair by pair": lambda: pairwise(path),
        "matrix of an array library": lambda: whole_matrix(path),
        "dask.array, threads": lambda: by_dask(path),
        "librosa.stream and einsum": lambda: by_librosa(path),
    }
    print(f"WAV, {STRETCH_S} s; re the pass")  # noqa: T201
    told(rounds(works, n), "pass, 2 threads")


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=int, default=10)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--others", action="store_true", help="also time other libraries (the `bench` extra)")
    arguments = parser.parse_args()
    one_heap()  # as the program does
    compare(arguments.minutes, arguments.rounds, arguments.others)


if __name__ == "__main__":
    main()
