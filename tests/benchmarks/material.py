"""Takes to measure speed on: invented outputs and seats, noise through short responses, written block by block."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

RATE_HZ = 48_000
#: Samples made at a time, and taps of every response.
_BLOCK, _TAPS = 1 << 16, 1 << 13
#: How fast a microphones' clock of their own runs.
FAST_PPM = 40.0
_KINDS = ("main", "sub", "fill", "tower")


@dataclass(frozen=True)
class Take:
    """How much to make: outputs, positions, further tracks that nothing uses, seconds in all.

    solo : the outputs one after the other, each for its share of the time, in place of all at once
    own_clock : the microphones in a file of their own, on a clock that runs `FAST_PPM` fast
    """

    n_outputs: int
    n_positions: int
    seconds: int
    n_unused: int = 0
    solo: bool = True
    own_clock: bool = False

    @property
    def n_tracks(self) -> int:
        """Tracks of the file: feeds, microphones, what is not used."""
        return self.n_outputs + self.n_positions + self.n_unused


def add_take_options(parser: argparse.ArgumentParser) -> None:
    """The options of a command that say what take to make."""
    parser.add_argument("--minutes", type=int, default=10)
    parser.add_argument("--outputs", type=int, default=4)
    parser.add_argument("--positions", type=int, default=8)
    parser.add_argument("--unused", type=int, default=4, help="further tracks of the file")
    parser.add_argument("--together", action="store_true", help="all outputs at once")
    parser.add_argument("--own-clock", action="store_true", help="the microphones on a recorder of their own")


def take_of(a: argparse.Namespace) -> Take:
    """The take that these options ask for."""
    return Take(a.outputs, a.positions, 60 * a.minutes, a.unused, solo=not a.together, own_clock=a.own_clock)


def write_take(folder: Path, take: Take, form: str = "WAV") -> Path:
    """Write `take.wav` (or as many 8-channel FLAC files as it needs) and its description; the description's path.

    Over 4 GB a WAV file is RF64.
    """
    if form == "WAV" and 3 * take.n_tracks * take.seconds * RATE_HZ >= 1 << 32:
        form = "RF64"
    rng = np.random.default_rng(1)
    h = _responses(rng, take)
    names = _files(folder, take, form)
    files = [soundfile.SoundFile(path, "w", RATE_HZ, n, subtype="PCM_24", format=form) for path, n in names]
    tail = np.zeros((take.n_positions, _TAPS))
    clock = soxr.ResampleStream(RATE_HZ, RATE_HZ * (1.0 + 1e-6 * FAST_PPM), take.n_positions, dtype="float64")
    for start in range(0, take.seconds * RATE_HZ, _BLOCK):
        n = min(_BLOCK, take.seconds * RATE_HZ - start)
        feeds = 0.1 * rng.standard_normal((take.n_outputs, n)) * _sounding(take, start, n)
        size = _BLOCK + _TAPS
        heard = np.fft.irfft(np.einsum("il,ipl->pl", np.fft.rfft(feeds, size), h), size)
        heard[:, :_TAPS] += tail
        tail = heard[:, n : n + _TAPS].copy()
        mics = heard[:, :n] + 1e-4 * rng.standard_normal((take.n_positions, n))
        unused = 0.01 * rng.standard_normal((take.n_unused, n))
        if take.own_clock:
            is_last = start + n == take.seconds * RATE_HZ
            files[0].write(np.concatenate([feeds, unused]).T)
            files[1].write(clock.resample_chunk(np.ascontiguousarray(mics.T), last=is_last))
            continue
        block = np.concatenate([feeds, mics, unused]).T
        first = 0
        for file in files:
            file.write(block[:, first : first + file.channels])
            first += file.channels
    for file in files:
        file.close()
    return _describe(folder, take, names)


def _files(folder: Path, take: Take, form: str) -> list[tuple[Path, int]]:
    """Paths of the files and their channels; FLAC holds eight at most."""
    if take.own_clock:
        return [(folder / "take.wav", take.n_outputs + take.n_unused), (folder / "recorder.wav", take.n_positions)]
    if form != "FLAC":
        return [(folder / "take.wav", take.n_tracks)]
    counts = [min(8, take.n_tracks - first) for first in range(0, take.n_tracks, 8)]
    return [(folder / f"take {k}.flac", n) for k, n in enumerate(counts, 1)]


def _responses(rng: np.random.Generator, take: Take) -> NDArray[np.complex128]:
    """Transfer functions (output, position, line): arrival, decaying reflections, a band of each output's own."""
    h = np.zeros((take.n_outputs, take.n_positions, _TAPS))
    late = np.exp(-np.arange(_TAPS) / (0.03 * RATE_HZ))
    for i in range(take.n_outputs):
        for p in range(take.n_positions):
            at = 200 + (90 * i + 160 * p) % (_TAPS // 2)
            h[i, p, at] = 0.5
            h[i, p, at:] += 0.01 * rng.standard_normal(_TAPS - at) * late[: _TAPS - at]
    f = np.fft.rfftfreq(_BLOCK + _TAPS, 1.0 / RATE_HZ)
    high = 1j * f / 35.0
    band = {"sub": 1.0 / (1.0 + 1j * f / 110.0) ** 2}
    shapes = [high / (1.0 + high) * band.get(_KINDS[min(i, 3)], 1.0) for i in range(take.n_outputs)]
    return np.fft.rfft(h, _BLOCK + _TAPS) * np.stack(shapes)[:, None]


def _sounding(take: Take, start: int, n: int) -> NDArray[np.bool_]:
    """Which outputs play at each sample, (output, sample); the last second of every share is silent."""
    if not take.solo:
        return np.ones((take.n_outputs, n), dtype=np.bool_)
    share = take.seconds * RATE_HZ // take.n_outputs
    at = start + np.arange(n)
    is_turn = at // share == np.arange(take.n_outputs)[:, None]
    return is_turn & (at % share < share - RATE_HZ)


def _describe(folder: Path, take: Take, names: list[tuple[Path, int]]) -> Path:
    """Write the description of the take."""
    places = [f"{path.name}:{k + 1}" for path, n in names for k in range(n)]
    if take.own_clock:  # the unused tracks lie beside the feeds: put them behind
        places = places[: take.n_outputs] + places[take.n_outputs + take.n_unused :]
    text = 'format = 1\nvenue = "Invented hall for timing"\n'
    for i in range(take.n_outputs):
        text += f'[outputs."out {i}"]\nkind = "{_KINDS[min(i, 3)]}"\n'
    for p in range(take.n_positions):
        text += f'[positions."seat {p}"]\nzone = "audience"\n'
    mics = ", ".join(f'"seat {p}" = "{places[take.n_outputs + p]}"' for p in range(take.n_positions))
    share = take.seconds / take.n_outputs
    for k in range(take.n_outputs if take.solo else 1):
        text += f'[[captures]]\nname = "take {k}"\n'
        if take.solo:
            text += f'playing = ["out {k}"]\nstart_s = {k * share}\nend_s = {(k + 1) * share}\n'
        played = [k] if take.solo else range(take.n_outputs)
        feeds = ", ".join(f'"out {i}" = "{places[i]}"' for i in played)
        text += f"feeds = {{ {feeds} }}\nmics = {{ {mics} }}\n"
        text += 'unsynced = ["recorder.wav"]\n' if take.own_clock else ""
    path = folder / "soundcheck.toml"
    path.write_text(text, encoding="utf-8")
    return path
