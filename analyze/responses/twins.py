"""Twins that are described as set of opposite polarity, held against how they sound."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from analyze.description import SoundCheck
from analyze.description_beside import other_side
from analyze.description_findings import TWINS_DIFFER
from analyze.findings import Finding
from analyze.responses.rows import Wiring


def twins_explained(sound_check: SoundCheck, wiring: Iterable[Wiring]) -> list[Finding]:
    """The findings of the description; what a wiring explains is only a note.

    Twins of opposite polarity of which the inverted one is wired inverted sound alike, whether its setting was in force
    or its description is wrong: what is recommended does not hang on which of the two it is.
    """
    read = {row.output: row.polarity for row in wiring}
    by_name = {name.lower(): name for name in sound_check.outputs}
    found = []
    for one in sound_check.findings:
        twin = by_name.get(other_side(one.track.lower()), "") if one.finding == TWINS_DIFFER else ""
        pair = [sound_check.outputs[name] for name in (one.track, twin)] if twin else []
        inverted = [output.name for output in pair if output.name in sound_check.set_inverted]
        others = [output.name for output in pair if output.name not in inverted]
        is_explained = (
            len(inverted) == len(others) == 1
            and pair[0].setting.delay_ms == pair[1].setting.delay_ms
            and (read.get(inverted[0]), read.get(others[0])) == ("inverted", "normal")
        )
        if is_explained:
            detail = (
                f"{inverted[0]} is described as inverted and {others[0]} as normal, and they sound alike: see what is "
                f"said of the wiring of {inverted[0]}. What is recommended holds either way."
            )
            one = replace(one, severity="note", detail=detail)
        found.append(one)
    return found
