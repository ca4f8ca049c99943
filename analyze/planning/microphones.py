"""In which order do the microphones go on the recorder? In that of the tracks on which they were recorded before.

A list in another order than the patch exchanges every microphone for whoever records as they are used to.
"""

from __future__ import annotations

import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from analyze.description import SoundCheck
from analyze.description_files import split_track
from analyze.description_lines import normalised
from analyze.description_text import decoded


def in_track_order(check: SoundCheck) -> SoundCheck:
    """The same description, its positions in the order of their tracks; those in no capture come last, as described.

    Captures may be wrong or name files that are gone: what cannot be read of them says nothing.
    """
    takes = sorted(map(microphones_of, captures_of(check)), key=_most_in_a_file, reverse=True)
    named = (name for mics in takes for name in _by_track(mics))
    order = dict.fromkeys(name for name in (*named, *check.positions) if name in check.positions)
    return replace(check, positions={name: check.positions[name] for name in order})


def captures_of(check: SoundCheck) -> Iterator[dict[str, Any]]:
    """The tables of the captures as they were written; an outline has none."""
    captures: Any = tomllib.loads(decoded(check.source, check.path)).get("captures")
    yield from (one for one in captures if isinstance(one, dict)) if isinstance(captures, list) else ()


def microphones_of(capture: Mapping[str, Any]) -> dict[str, str]:
    """Position and track of the microphones of a capture, as they were written."""
    mics = capture.get("mics")
    tracks = mics.items() if isinstance(mics, dict) else ()
    return {normalised(name): track for name, track in tracks if isinstance(track, str)}


def _most_in_a_file(mics: dict[str, str]) -> int:
    """How many microphones one file holds at most: files of one track each say nothing of their order."""
    return max(Counter(split_track(track)[0] for track in mics.values()).values(), default=0)


def _by_track(mics: dict[str, str]) -> list[str]:
    """Positions file by file in the order of their channels; files in the order in which they are named."""
    files = list(dict.fromkeys(split_track(track)[0] for track in mics.values()))

    def place(name: str) -> tuple[int, int]:
        file, channel = split_track(mics[name])
        return files.index(file), int(channel) if channel and channel.isdecimal() else 1

    return sorted(mics, key=place)
