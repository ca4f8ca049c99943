"""Two takes that are one recording: a file that was exported or copied twice, or named twice in the description.

No microphone hears the same twice, sample for sample; feeds may well be the same file each time.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Iterable
from dataclasses import dataclass
from itertools import combinations

from analyze.description import SoundCheck
from analyze.findings import Finding

#: A microphone that stays under this, -60 dB of full scale, may be no more than an open input.
_QUIET = 1e-3


@dataclass(frozen=True)
class HeardTrack:
    """One microphone of a take.

    fingerprint : equal where its samples are; peak : full scale 1.0
    """

    capture: str
    position: str
    file: str
    fingerprint: Hashable
    peak: float


@dataclass(frozen=True)
class CopiedTake:
    """Two captures in which a microphone holds the same samples."""

    first: str
    second: str
    position: str
    file: str

    @property
    def finding(self) -> Finding:
        """What to do about it."""
        detail = (
            f"{self.first!r} and {self.second!r} are one and the same recording. Export it again, or correct the file "
            "in the description. Outputs that sound in only one of the two are left undecided, all but the reference."
        )
        return Finding("copied take", "error", detail, self.second, self.position, self.file)


def copied_takes(tracks: Iterable[HeardTrack], sound_check: SoundCheck) -> list[CopiedTake]:
    """Every pair of captures that are one recording; one of the reference, which is relied on, is the first of it."""
    of_reference = {one.name for one in sound_check.captures if sound_check.reference in one.playing}
    alike: dict[Hashable, list[HeardTrack]] = defaultdict(list)
    for track in sorted(tracks, key=lambda track: track.capture not in of_reference):
        if track.peak > _QUIET:
            alike[track.fingerprint].append(track)
    pairs: dict[tuple[str, str], CopiedTake] = {}
    for group in alike.values():
        for first, second in combinations(group, 2):
            if first.capture != second.capture:
                names = first.capture, second.capture
                pairs.setdefault(names, CopiedTake(*names, second.position, second.file))
    return list(pairs.values())


def of_unknown_take(copies: Iterable[CopiedTake], sound_check: SoundCheck) -> dict[str, str]:
    """Outputs that sound in one of two captures that are one recording, but for the reference: why they stay open."""
    playing = {capture.name: set(capture.playing) for capture in sound_check.captures}
    return {
        output: f"{copy.first!r} and {copy.second!r} are one and the same recording, and nobody knows of what: export "
        f"or record {output} again."
        for copy in copies
        for output in sorted(playing[copy.first] ^ playing[copy.second])
        if output != sound_check.reference
    }
