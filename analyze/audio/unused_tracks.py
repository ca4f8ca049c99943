"""Tracks of recordings that no capture uses: a microphone or an output may be on one."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

from analyze.description import SoundCheck
from analyze.findings import Finding


def unused_tracks(sound_check: SoundCheck, n_channels: Mapping[str, int]) -> list[Finding]:
    """A note of the tracks of the files that are used in part; files that lack the same ones share it.

    n_channels : per file, as the description calls it
    """
    used: dict[str, set[int]] = {}
    for capture in sound_check.captures:
        for track in (*capture.feeds.values(), *capture.mics.values(), *capture.inputs.values()):
            used.setdefault(track.file, set()).add(track.channel)
    lacking: dict[tuple[int, tuple[int, ...]], list[str]] = {}
    for file, n in n_channels.items():
        rest = tuple(k for k in range(1, n + 1) if k not in used.get(file, set()))
        if rest and file in used:
            lacking.setdefault((n, rest), []).append(file)
    return [_finding(files, n, rest) for (n, rest), files in lacking.items()]


def _finding(files: list[str], n: int, rest: tuple[int, ...]) -> Finding:
    more = f" and {len(files) - 1} more files like it" if len(files) > 1 else ""
    verb = "have" if more else "has"
    detail = (
        f"{files[0]}{more} {verb} {n} tracks, and no capture uses {_listed(rest)}. If a microphone or an output is on "
        "one of them, describe it; else it does no harm."
    )
    return Finding("track not used", "note", detail, "", "", files[0], rest[0], float(len(rest)))


def _listed(numbers: tuple[int, ...]) -> str:
    """Numbers, those in a row as from and to.

    >>> _listed((2, 5, 6, 7, 9)), _listed((4,)), _listed((1, 2))
    ('2, 5 to 7 and 9', '4', '1 and 2')
    """
    starts = [0, *(k for k, (a, b) in enumerate(pairwise(numbers), 1) if b != a + 1), len(numbers)]
    parts: list[str] = []
    for first, stop in pairwise(starts):
        run = numbers[first:stop]
        parts += [f"{run[0]} to {run[-1]}"] if len(run) > 2 else [str(one) for one in run]
    return f"{', '.join(parts[:-1])} and {parts[-1]}" if len(parts) > 1 else parts[0]
