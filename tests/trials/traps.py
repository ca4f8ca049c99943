"""What else goes wrong in a trial: a dead output, one far too low, somebody who talks, a microphone that clips."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import soundfile
from numpy.typing import NDArray

from analyze.simulate_feeds import pink_noise
from tests.situations.takes import Take
from tests.trials.rigs import Output, Seat

if TYPE_CHECKING:
    from tests.trials.cases import Case

#: Chance of each trap.
_SHARES = {"dead output": 0.05, "low output": 0.06, "talk": 0.08, "clipping": 0.06}
#: Gain of an output that is dead (what still leaks drowns in every noise) and that is too low.
_DEAD_DB, _LOW_DB = -110.0, -20.0
_TALK_S, _TALK_DB = 2.0, 12.0
#: Share of the samples that clip, in the loudest capture.
_CLIPPED = 0.004
_FULL_SCALE = 1.0 - 2.0**-23


@dataclass(frozen=True)
class Trap:
    """where : the output or position; take : number of the capture, counted from 1, for talk."""

    name: str
    where: str
    take: int = 0


def draw_traps(
    outputs: Sequence[Output], seats: Sequence[Seat], takes: Sequence[Take], rng: np.random.Generator
) -> list[Trap]:
    """Mostly none. The reference is never dead or low; microphones on a recorder of their own are spared."""
    own = {p for take in takes for p in take.own_clock}
    synced = [s.name for s in seats if s.name not in own]
    drawn = [name for name, share in _SHARES.items() if rng.random() < share]
    traps = []
    for name in drawn:
        places = [o.name for o in outputs[1:]] if name.endswith("output") else synced
        if places:
            traps.append(Trap(name, str(rng.choice(places)), int(rng.integers(len(takes))) + 1))
    return traps


def gains(outputs: Sequence[Output], traps: Sequence[Trap]) -> NDArray[np.float64]:
    """Gain of every output by its traps, (output,)."""
    out = np.zeros(len(outputs))
    for trap in traps:
        if trap.name.endswith("output"):
            change_db = _DEAD_DB if trap.name == "dead output" else _LOW_DB
            out[[o.name for o in outputs].index(trap.where)] += change_db
    return 10.0 ** (out / 20.0)


def spoil(case: Case, folder: Path) -> None:
    """Put talk and clipping into the files that were written."""
    for trap in case.traps:
        if trap.name == "talk":
            _talk(case, folder, trap)
        elif trap.name == "clipping":
            _clip(case, folder, trap)


def _talk(case: Case, folder: Path, trap: Trap) -> None:
    """Somebody speaks near one microphone, 12 dB over what it hears."""
    path, column = _track(case, folder, trap.take, trap.where)
    tracks, rate_hz = soundfile.read(path)
    rng, n, start = np.random.default_rng([case.seed, case.number]), round(_TALK_S * rate_hz), 5 * rate_hz
    syllables = np.clip(np.sin(25.0 * np.arange(n) / rate_hz) + 0.3, 0.0, None)
    voice = syllables * pink_noise(n, rate_hz, 120.0, 4000.0, rng)
    tracks[start : start + n, column] += _level(tracks[:, column]) * 10.0 ** (_TALK_DB / 20.0) * voice
    soundfile.write(path, np.clip(tracks, -0.98, 0.98), rate_hz, subtype="PCM_24")


def _level(track: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(track**2)))


def _clip(case: Case, folder: Path, trap: Trap) -> None:
    """The gain of one microphone set too high, alike in all captures."""
    read = []
    for number in range(1, len(case.captures) + 1):
        path, column = _track(case, folder, number, trap.where)
        read.append((path, column, *soundfile.read(path)))
    top = max(float(np.quantile(np.abs(tracks[:, column]), 1.0 - _CLIPPED)) for _, column, tracks, _ in read)
    for path, column, tracks, rate_hz in read:
        tracks[:, column] = np.clip(tracks[:, column] / top, -_FULL_SCALE, _FULL_SCALE)
        soundfile.write(path, tracks, rate_hz, subtype="PCM_24")


def _track(case: Case, folder: Path, number: int, position: str) -> tuple[Path, int]:
    """File and column of a microphone in a capture."""
    return folder / f"take_{number}.wav", len(case.captures[number - 1].feeds) + case.position(position)
