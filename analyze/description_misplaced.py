"""Keys of a capture that stand below one of its tables, where they are taken for a track, an input or an output.

In TOML what stands below `[captures.mics]` belongs to it, up to the next header: `settings` at the end of a take is no
longer the capture's. A described name and a text that names a file, recorded or still to be, are no such slip.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from analyze.description_files import IS_AUDIO, AudioFolder, Refused, split_track
from analyze.description_lines import KeyPath, Mistake
from analyze.description_schema import CaptureTable

#: Tables of a capture whose keys are names, and where those names are described: at the top, or in the capture itself.
_DESCRIBED_IN = {"feeds": "outputs", "mics": "positions", "settings": "outputs", "inputs": "", "against": "inputs"}


def with_keys_in_place(document: Mapping[str, Any], files: AudioFolder, mistakes: list[Mistake]) -> dict[str, Any]:
    """A parsed description with such keys where they belong, so that the rest is checked; a mistake for each."""
    captures = document.get("captures")
    if not isinstance(captures, list):
        return dict(document)
    mended: list[object] = []
    for place, capture in enumerate(captures):
        own = capture
        if isinstance(capture, dict):
            own, slips = _mended(document, capture, files)
            mistakes += [_mistake(("captures", place, *slip)) for slip in slips]
        mended.append(own)
    return {**document, "captures": mended}


def _mended(
    document: Mapping[str, Any], capture: Mapping[str, Any], files: AudioFolder
) -> tuple[dict[str, Any], list[tuple[str, str]]]:
    """A capture as it was meant; table and key of what stood too low. What stands above as well counts there."""
    own: dict[str, Any] = dict(capture)
    misplaced: dict[str, Any] = {}
    slips: list[tuple[str, str]] = []
    for table, described_in in _DESCRIBED_IN.items():
        inner = capture.get(table)
        if not isinstance(inner, dict):
            continue
        described = (capture if table == "against" else document).get(described_in)
        names = described if isinstance(described, dict) else ()
        slipped = [name for name, value in inner.items() if _is_misplaced(name, value, names, files)]
        slips += [(table, name) for name in slipped]
        misplaced |= {name: inner[name] for name in slipped}
        own[table] = {name: value for name, value in inner.items() if name not in slipped}
    return {**misplaced, **own}, slips


def _is_misplaced(name: str, value: object, described: Collection[str], files: AudioFolder) -> bool:
    """Whether a name in a table of tracks is a key of the capture."""
    if name not in CaptureTable.model_fields or name in described:
        return False
    return not (isinstance(value, str) and _is_track(value, files))


def _is_track(text: str, files: AudioFolder) -> bool:
    """Whether a text is a track that is there, or names a file of audio that may be."""
    if IS_AUDIO.fullmatch(split_track(text)[0]):
        return True
    try:
        files.track(text)
    except Refused:
        return False
    return True


def _mistake(key: KeyPath) -> Mistake:
    """What is wrong with a key that stands too low."""
    table, name = key[-2:]
    above = "[captures.feeds], [captures.mics] and [captures.inputs]"
    problem = f"{name} stands below [captures.{table}] and has to stand right below [[captures]], above {above}"
    return Mistake(key, problem)
