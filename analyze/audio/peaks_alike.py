"""Microphone tracks that all peak at one level: normalised on export, or held by a limiter.

No two takes peak alike by themselves. Where each take of a place was turned up by as much as it had room, how loud one
output is against another is lost.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence

from analyze.audio.copied_takes import HeardTrack
from analyze.audio.damage import CLIPPING, LITTLE_HEADROOM
from analyze.findings import Finding

#: Peaks this close together are one level: samples moved onto another clock stray by less.
_ALIKE_DB = 0.1
#: So many tracks, and at least this share of all, peak alike by intent.
_FEWEST, _LEAST_SHARE = 3, 0.5


def peaks_explained(findings: Sequence[Finding], tracks: Iterable[HeardTrack]) -> list[Finding]:
    """The findings, and one more where most of these microphones peak alike: then none of them lacks headroom.

    What clipped peaks at full scale by itself and does not count; what serves several captures, or was copied, counts
    once. Nor does the one track of a take that peaks there: that is the loudest of a file that was turned up as a
    whole, its feeds as well, which does no harm.
    """
    clipped = {(one.capture, one.track) for one in findings if one.finding == CLIPPING}
    single = {(one.position, one.fingerprint): one for one in tracks if (one.capture, one.position) not in clipped}
    top = max((one.peak for one in single.values()), default=0.0)
    alike = [one for one in single.values() if one.peak >= top * 10.0 ** (-_ALIKE_DB / 20.0) > 0.0]
    in_take = Counter(one.capture for one in alike)
    alike = [one for one in alike if in_take[one.capture] > 1]
    if len(alike) < max(_FEWEST, _LEAST_SHARE * len(single)):
        return list(findings)
    named = {(one.capture, one.position) for one in alike}
    kept = [one for one in findings if one.finding != LITTLE_HEADROOM or (one.capture, one.track) not in named]
    return [*kept, _alike(alike)]


def _alike(tracks: Sequence[HeardTrack]) -> Finding:
    """The finding on tracks that peak alike; graver where takes of one place are files of their own."""
    files: dict[str, set[str]] = defaultdict(set)
    for one in tracks:
        files[one.position].add(one.file)
    peak_dbfs = round(20.0 * math.log10(max(one.peak for one in tracks)), 1) + 0.0
    what = f"{len(tracks)} microphone tracks peak at {peak_dbfs:.1f} dBFS: normalised on export, or held by a limiter."
    if any(len(of_position) > 1 for of_position in files.values()):
        detail = (
            f"{what} From take to take levels mean nothing then, nor do the sums they make. Export again without "
            "normalising; was it a limiter, record again with 10 dB less gain."
        )
        return Finding("peaks alike", "warning", detail, value=peak_dbfs, unit="dBFS")
    detail = (
        f"{what} Normalising a whole file does no harm here; a limiter does: was one on, record again without it, with "
        "10 dB less gain."
    )
    return Finding("peaks alike", "note", detail, value=peak_dbfs, unit="dBFS")
