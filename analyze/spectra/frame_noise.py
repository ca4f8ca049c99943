"""What microphones hold that no feed explains, line by line: mains hum, and noise that the sound hardly stands over.

Conventions: energies of lines summed over frames, axes position, line; ratios in dB. Part of what is not explained is
reverberation longer than a frame, so a hall bounds what can be seen.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import band_centres_hz, band_edges_hz, energy_db
from analyze.findings import Finding, Severity
from analyze.spectra.cross_spectra import FRAME_S, CrossSpectra, line_hz
from analyze.spectra.frame_levels import ANOTHER_TAKE, OF_LEVELS
from analyze.spectra.least_squares import solve

#: Finding about a microphone at which what was played hardly stands out.
LITTLE_LEVEL = "little level over the noise"
#: Finding about a microphone with mains hum.
HUM = "mains hum"
#: Findings about microphones at which nothing of what was sent is heard in its time.
_NOT_EXPLAINED = ("delay out of reach", "output not heard")
#: Mains frequencies of the world, how far they stray (common practice, no source), and the multiples looked at.
_MAINS_HZ, _STRAYING, _N_MULTIPLES = (50.0, 60.0), 0.002, 8
#: So many multiples must stand out by so much, dB: of 1512 halls and takes without hum one had three by 9 dB.
_FEWEST_MULTIPLES, _STANDS_OUT_DB = 3, 12.0
#: Less of a tone than this share unexplained is what was played.
_LEAST_UNEXPLAINED = 0.2
#: Lines of a Hann window to either side of a tone, and the neighbours beyond them that are compared with it.
_TONE_LINES, _NEIGHBOURS = 3, 10
#: Hum louder than this re the whole microphone is more than a note, dB.
_LOUD_HUM_DB = -20.0
#: Less than this between what the feeds explain and the rest, dB, is too little: a church of 5 s leaves 1.5.
_LEAST_OVER_NOISE_DB = 1.0
#: Octaves that hold less than this re the strongest do not count, dB.
_COUNTED_DB = -15.0
#: Energies of less than this share of the loudest line are none: rounding.
_ROUNDING = 1e-7


def of_another_take(found: Sequence[Finding], positions: Collection[str]) -> tuple[bool, list[Finding]]:
    """Whether feeds and microphones are not of one take, and the findings that stand then or else.

    That the microphones agree with one another and not with the feeds is a limiter's doing too, or a sweep's; but what
    was sent explains most of what is heard then.
    """
    explained_little = {f.track for f in found if f.finding in (LITTLE_LEVEL, *_NOT_EXPLAINED)} >= set(positions)
    if positions and explained_little and any(f.finding == ANOTHER_TAKE for f in found):
        return True, [f for f in found if f.finding not in (LITTLE_LEVEL, *OF_LEVELS)]
    return False, [f for f in found if f.finding != ANOTHER_TAKE]


def hum_findings(cross: CrossSpectra) -> list[Finding]:
    """Microphones with mains hum: tones at multiples of 50 or 60 Hz in what the feeds do not explain."""
    explained, rest = _parts(cross)
    findings = []
    for p, position in enumerate(cross.positions):
        found = [_hum(rest[p], explained[p], mains_hz) for mains_hz in _MAINS_HZ]
        stands_out_db, energy, mains_hz = max(
            (stands_out_db, energy, mains_hz)
            for (stands_out_db, energy), mains_hz in zip(found, _MAINS_HZ, strict=True)
        )
        if stands_out_db < _STANDS_OUT_DB:
            continue
        level_db = float(energy_db(energy / (explained[p] + rest[p]).sum()))
        detail = (
            f"Mains hum: {mains_hz:.0f} Hz and its multiples stand out by {stands_out_db:.0f} dB or more. Look for a "
            "ground loop, a lead along mains cables or a dimmer; the other lines are not affected."
        )
        severity: Severity = "warning" if level_db > _LOUD_HUM_DB else "note"
        findings.append(Finding(HUM, severity, detail, cross.capture, position, value=level_db, unit="dB"))
    return findings


def noise_findings(cross: CrossSpectra) -> list[Finding]:
    """Microphones at which the sound hardly stands over what no feed explains, in most octaves that it has."""
    over_db = _over_noise_db(cross)
    is_low = (over_db < _LEAST_OVER_NOISE_DB) & (cross.n_effective > len(cross.feeds))
    detail = (
        "What was played hardly stands over the rest, or lies under it: noise, talk, a sound without a feed or a very "
        "reverberant place. Play it louder, wait for quiet, or record longer."
    )
    return [
        Finding(
            LITTLE_LEVEL,
            "warning" if is_low.all() else "note",  # an output that is far away at one place is nothing to mend
            detail,
            cross.capture,
            position,
            value=float(over_db[p]),
            unit="dB",
        )
        for p, position in enumerate(cross.positions)
        if is_low[p]
    ]


def _parts(cross: CrossSpectra) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Energy (position, line) that the feeds explain, and the rest, both without the bias of a fit to few averages."""
    n, n_feeds = cross.n_effective[:, None], len(cross.feeds)
    solved = solve(cross.gxx, cross.gxy, cross.n_effective, [0] * n_feeds)  # feeds alike explain as well together
    fitted = np.einsum("ipl,ipl->pl", np.conj(solved.h), cross.gxy).real
    rest = np.maximum(cross.gyy - fitted, _ROUNDING * cross.gyy) * n / np.maximum(n - n_feeds, 0.5)
    return np.maximum(cross.gyy - rest, 0.0), rest


def _hum(rest: NDArray[np.float64], explained: NDArray[np.float64], mains_hz: float) -> tuple[float, float]:
    """By how much the third strongest multiple stands out of its neighbours, and the energy of all, of (line,).

    A multiple of which most is explained was played: what is left of it is reverberation.
    """
    stands_out, energy = [], 0.0
    for multiple in range(1, _N_MULTIPLES + 1):
        at = mains_hz * multiple * FRAME_S
        middle, reach = round(at), int(np.ceil(1.0 + _STRAYING * at))
        inner, outer = reach + _TONE_LINES, reach + _TONE_LINES + _NEIGHBOURS
        if middle + outer >= len(rest):
            break
        near = np.concatenate([rest[middle - outer : middle - inner], rest[middle + inner + 1 : middle + outer + 1]])
        floor = max(float(np.median(near)), 1e-300)
        tone = rest[middle - reach : middle + reach + 1]
        strongest = middle - reach + int(np.argmax(tone))
        is_played = rest[strongest] < _LEAST_UNEXPLAINED * (rest[strongest] + explained[strongest])
        stands_out.append(0.0 if is_played else float(energy_db(max(float(tone.max()), 1e-300) / floor)))
        energy += max(float(tone.sum()) - len(tone) * floor, 0.0)
    if len(stands_out) < _FEWEST_MULTIPLES:
        return 0.0, 0.0
    return sorted(stands_out)[-_FEWEST_MULTIPLES], energy


def _over_noise_db(cross: CrossSpectra) -> NDArray[np.float64]:
    """Explained energy over the rest, (position,), the median of the octaves that count."""
    explained, rest = _parts(cross)
    low_hz, high_hz = band_edges_hz(band_centres_hz(1, 31.0, 4100.0), 1)
    first, stop = np.searchsorted(line_hz(rest.shape[-1]), [low_hz, high_hz])
    ratios_db = []
    for p in range(len(rest)):
        bands = [(explained[p, a:b].sum(), rest[p, a:b].sum()) for a, b in zip(first, stop, strict=True) if b > a]
        strongest = max(e for e, _ in bands)
        counted = [e / max(r, 1e-300) for e, r in bands if e >= 10.0 ** (0.1 * _COUNTED_DB) * strongest]
        ratios_db.append(float(energy_db(np.median(counted))))
    return np.array(ratios_db)
