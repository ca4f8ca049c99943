"""How long `analyze inspect` takes against decoding the same file: `python tests/benchmarks/inspect_ratio.py`.

Ten minutes of 16 channels of 24-bit WAV, made on the way (1.4 GB in a temporary folder); both are timed three times in
one run, and the ratios of wall and processor time of the fastest are printed.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile

from analyze.description import load_sound_check
from analyze.spectra.inspection import inspect_captures

RATE_HZ, SECONDS, N_MICS = 48_000, 600, 15


def make(folder: Path) -> None:
    """One feed of noise and microphones that hear it later, softer and with noise of their own."""
    rng = np.random.default_rng(1)
    with soundfile.SoundFile(folder / "take.wav", "w", RATE_HZ, N_MICS + 1, subtype="PCM_24") as file:
        for _ in range(SECONDS):
            feed = 0.05 * rng.standard_normal(RATE_HZ)
            mics = [0.3 * np.roll(feed, 100 * k) + 0.001 * rng.standard_normal(RATE_HZ) for k in range(N_MICS)]
            file.write(np.stack([feed, *mics], axis=1))
    positions = "".join(f'[positions.p{k}]\nzone = "audience"\n' for k in range(N_MICS))
    mics = ", ".join(f'p{k} = "take.wav:{k + 2}"' for k in range(N_MICS))
    text = f'format = 1\n[outputs.mains]\nkind = "main"\n{positions}[[captures]]\n'
    text += f'feeds = {{ mains = "take.wav:1" }}\nmics = {{ {mics} }}\n'
    (folder / "soundcheck.toml").write_text(text, encoding="utf-8")


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Wall and processor time of one call, in seconds."""
    wall, cpu = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - cpu


def decode(path: Path) -> None:
    with soundfile.SoundFile(path) as file:
        for _ in file.blocks(1 << 17, dtype="float32", always_2d=True):
            pass


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make(folder)
        sound_check = load_sound_check(folder)
        runs = [
            (timed(lambda: decode(folder / "take.wav")), timed(lambda: inspect_captures(sound_check))) for _ in range(3)
        ]
    for k, what in enumerate(("wall", "processor")):
        decoding, inspecting = (min(run[j][k] for run in runs) for j in (0, 1))
        print(f"{what}: inspect {inspecting:.2f} s, decoding {decoding:.2f} s, ratio {inspecting / decoding:.2f}")  # noqa: T201


if __name__ == "__main__":
    main()
