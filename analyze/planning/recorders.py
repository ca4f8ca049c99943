"""Which microphones are on a recorder of their own? Those that were in every capture that has them.

No cable leads to where they stand, so they stay there. A recorder of its own is set in time by what it hears, and the
way of the sound hides in that: its times compare outputs within one capture alone. So outputs that it hears sound in
turn in one capture, each with its feed on a track of its own, and no recorder stops in between.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from analyze.description import SoundCheck
from analyze.description_files import split_track, tidy
from analyze.planning.microphones import captures_of, microphones_of


def own_recorders(check: SoundCheck) -> tuple[tuple[str, ...], ...]:
    """Positions on recorders of their own, those of one recorder together, in the order of the description's positions.

    Captures may be wrong or name files that are gone: what cannot be read of them says nothing.
    """
    first: dict[str, tuple[int, int]] = {}  # position -> capture and clock by which it was first recorded apart
    wired: set[str] = set()
    for number, capture in enumerate(captures_of(check)):
        clock_of = _clocks(capture)
        for name, track in microphones_of(capture).items():
            clock = clock_of.get(tidy(split_track(track)[0]))
            if clock is None:
                wired.add(name)
            else:
                first.setdefault(name, (number, clock))
    together: dict[tuple[int, int], list[str]] = {}
    for name in check.positions:
        if name in first and name not in wired:
            together.setdefault(first[name], []).append(name)
    return tuple(map(tuple, together.values()))


def _clocks(capture: Mapping[str, Any]) -> dict[str, int]:
    """Files of a capture that are on a clock of their own, with its number."""
    clocks = capture.get("unsynced")
    files = [[one] if isinstance(one, str) else one for one in clocks] if isinstance(clocks, list) else []
    return {
        tidy(file): number
        for number, clock in enumerate(files)
        for file in (clock if isinstance(clock, list) else ())
        if isinstance(file, str)
    }
