"""Takes in which several outputs were sent one and the same signal: however long, they do not tell these apart.

Conventions: `prints` is what tells one feed's samples from another's, by capture and output.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping

from analyze.description import SoundCheck
from analyze.findings import Finding

FEEDS_ALIKE = "feeds alike"

Prints = Mapping[str, Mapping[str, Hashable]]


def alike_feeds(sound_check: SoundCheck, prints: Prints) -> list[Finding]:
    """A warning for every output that is sent what one of another group is, where no take tells the two apart."""
    findings = []
    for capture in sound_check.captures:
        first_of: dict[Hashable, str] = {}
        seen: set[tuple[str, ...]] = set()
        for output, print_ in prints.get(capture.name, {}).items():
            first, group = first_of.setdefault(print_, output), sound_check.group_of(output)
            if group == sound_check.group_of(first) or group in seen or _is_told(sound_check, prints, first, output):
                continue
            seen.add(group)
            detail = (
                f"{first} and {output} were sent the same, sample for sample, so no length of this take tells them "
                "apart. Record one of them alone, or this stretch again with the polarity of one flipped. If they were "
                "not sent the same, check the patch."
            )
            findings.append(Finding(FEEDS_ALIKE, "warning", detail, capture.name, output))
    return findings


def _is_told(sound_check: SoundCheck, prints: Prints, first: str, second: str) -> bool:
    """Whether a take has one of two outputs without the other, or other feeds, or takes set them against each other."""
    together = set()
    for capture in sound_check.captures:
        of_take = prints.get(capture.name, {})
        heard = {first, second} & {*of_take} & {*capture.playing}
        if len(heard) == 1 or (len(heard) == 2 and of_take[first] != of_take[second]):
            return True
        if len(heard) == 2:
            a, b = (capture.settings[name] for name in (first, second))
            together.add((a.sign * b.sign, round(a.delay_ms - b.delay_ms, 4)))
    return len(together) > 1
