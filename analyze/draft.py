"""From a folder of recordings to a first `soundcheck.toml`, to be corrected by hand.

The way: `draft_files` finds the audio, `draft_tracks` guesses what each channel is (by `draft_reading`, from the table
in `description_words`), `draft_feeds` and `draft_order` where no word tells, `draft_recordings` what was recorded
together, `draft_said` names microphones as the user says, `draft_names` all else, `draft_text` writes it. Nothing is
listened to.
A description that is there already is never touched, unless it is a draft as it was written and more is said now. A
new one appears whole or not at all.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from analyze.audio.files import foreign_reason
from analyze.description import load_sound_check
from analyze.description_findings import NOTHING_IN_COMMON, TWO_NAMES
from analyze.description_text import FILE_NAME, MAX_FILE_BYTES
from analyze.draft_feeds import with_feeds_alone
from analyze.draft_files import LeftOut, find_audio
from analyze.draft_names import Draft, name_draft
from analyze.draft_order import is_nameless, with_roles_by_order
from analyze.draft_recordings import bundle_tracks
from analyze.draft_said import (
    Said,
    n_mics_to_place,
    said_in,
    said_line,
    with_known_names,
    with_names_by_order,
    with_zones,
)
from analyze.draft_text import draft_text, said_of
from analyze.draft_tracks import Track, guess_tracks
from analyze.errors import AnalyzeError, AudioError, DescriptionError, OutputError
from analyze.reports.summaries import first_few

#: Microphones without names that are listed before the others are counted.
_MOST_NAMED = 6


@dataclass(frozen=True)
class Drafted:
    """What was written.

    n_outputs, n_positions, n_captures : of the draft; captures without those in comments
    n_left_out : tracks and files that no capture has; to_fill_in : what loading it complains of, empty if nothing
    doubts : where names in its captures may not be those that are meant
    """

    path: Path
    n_outputs: int
    n_positions: int
    n_captures: int
    n_left_out: int
    to_fill_in: str
    doubts: tuple[str, ...] = ()


def write_draft(folder: Path, said: Said | None = None) -> Drafted:
    """Write the `soundcheck.toml` of a folder of recordings; `said` is what the user says of all of them.

    Raises
    ------
    DescriptionError : there is no such folder, it has a description already, no audio, or another than `said`
    AudioError : none of its files can be read
    OutputError : the description cannot be written
    """
    target, is_there = _target(folder, said)
    draft = guess_sound_check(folder, said)
    text = draft_text(draft, said_line(said or Said()))
    if len(text.encode()) > MAX_FILE_BYTES:
        what = f"holds more tracks than a description may have (expected at most {MAX_FILE_BYTES} bytes of text)."
        raise DescriptionError(what, "Draft one sound check at a time, each from its own folder.", path=folder)
    _write_new(target, text, is_there=is_there)
    to_fill_in, doubts = _loaded(target)
    return Drafted(
        path=target,
        n_outputs=len(draft.outputs),
        n_positions=len(draft.positions),
        n_captures=len(draft.live),
        n_left_out=draft.n_left_out,
        to_fill_in=to_fill_in,
        doubts=(*_by_order_alone(draft), *doubts, *_nameless(draft)),
    )


def guess_sound_check(folder: Path, said: Said | None = None) -> Draft:
    """The sound check that a folder seems to hold. Raises as `write_draft` does, but for writing."""
    files, left_out = find_audio(folder)
    if not files:
        raise _nothing_readable(folder, left_out)
    said = said or Said()
    known = with_known_names(guess_tracks(files), said)
    known = with_feeds_alone(known, len(said.feeds), n_mics_to_place(known, said))
    tracks = with_roles_by_order(known, len(said.feeds), len(said.mics))
    bundles, alone = bundle_tracks(tracks)
    lone = [LeftOut(track.text, "a stage input that has no second microphone to be compared with.") for track in alone]
    named = with_names_by_order(bundles, said)
    draft = name_draft(folder.resolve().name, named, (*lone, *left_out))
    return replace(draft, positions=with_zones(draft.positions, said))


def _target(folder: Path, said: Said | None) -> tuple[Path, bool]:
    """The description to write, and whether a draft that nobody touched gives way to what is `said` now.

    Refused where any other description is there.
    """
    try:
        if not folder.is_dir():
            what = "is not a folder." if folder.exists() else "there is no such folder."
            raise DescriptionError(what, "Name the folder of the recordings.", path=folder)
        target = folder / FILE_NAME
        is_there = os.path.lexists(target)
        if is_there and not (said is not None and said != Said() and _is_untouched(folder, target)):
            raise _exists(target)
    except (OSError, ValueError) as error:
        raise DescriptionError(
            f"cannot be opened{foreign_reason(error)}.", "Check the path and its permissions.", path=folder
        ) from error
    return target, is_there


def _is_untouched(folder: Path, target: Path) -> bool:
    """Whether a description is what a draft of the folder says, to the letter, asked for as it was."""
    try:
        text = target.read_text(encoding="utf-8") if target.is_file() else ""
        said = said_of(text)
        return bool(text) and text == draft_text(guess_sound_check(folder, said_in(said)), said)
    except (AnalyzeError, OSError, ValueError):
        return False


def _exists(target: Path) -> DescriptionError:
    """The error for a description that is there already."""
    mend = "Correct that one, or rename it and draft again."
    return DescriptionError("is there already, and is never overwritten.", mend, path=target)


def _nothing_readable(folder: Path, left_out: tuple[LeftOut, ...]) -> AudioError:
    """The error for a folder in which no audio file can be used."""
    files = [one for one in left_out if not one.what.endswith("/")]
    first = [*files, *left_out][0]
    said = f"{first.what!r}: {first.why.rstrip('.')}"
    if not files:
        mend = "Run that folder as it is, or move the recordings out of it."
        return AudioError(f"holds no recordings but in folders that are passed over ({said}).", mend, path=folder)
    what = "its one audio file cannot" if len(files) == 1 else f"none of its {len(files)} audio files can"
    said = said if len(files) == 1 else f"the first, {said}"
    return AudioError(f"{what} be used ({said}).", "Copy from the recorder again, or save as WAV or FLAC.", path=folder)


def _write_new(target: Path, text: str, *, is_there: bool) -> None:
    """Write a file under a name of its own and rename it when complete, unless the target has appeared meanwhile."""
    part = target.with_name(f".{target.name}.partial")
    try:
        try:
            with part.open("w", encoding="utf-8", newline="\n") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            if os.path.lexists(target) and not is_there:
                raise _exists(target)
            part.replace(target)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        mend = "Make room on the disk, or copy the recordings to a folder you may write to."
        raise OutputError(f"could not be written{foreign_reason(error)}.", mend, path=target) from error


def _by_order_alone(draft: Draft) -> tuple[str, ...]:
    """What is to be known of a draft whose feeds and microphones are no more than a guess by their order."""
    if not any(track.is_by_order for capture in draft.live for track in capture.feeds.values()):
        return ()
    return (
        "Nothing says what some tracks are: which are feeds and which are microphones is guessed by their order. Hold "
        "every line against your notes, rename outputs and positions, and write what kind of output each is.",
    )


def _nameless(draft: Draft) -> tuple[str, ...]:
    """How to name feeds and microphones of files that name none of their tracks."""
    mics = _without_names((name, track) for capture in draft.live for name, track in capture.mics.items())
    feeds = _without_names((n, t) for capture in draft.live for n, t in capture.feeds.items() if not t.kind)
    named = [f"the feeds {first_few(feeds, _MOST_NAMED)}"] * bool(feeds)
    named += [f"the microphones {first_few(mics, _MOST_NAMED)}"] * bool(mics)
    if not named:
        return ()
    feeds_said, mics_said = "--feeds main_left,main_right,sub", "--mics mix,front,back"
    options = " and ".join([feeds_said] * bool(feeds) + [mics_said] * bool(mics))
    return (
        f"Nothing names {' and '.join(named)}. If feeds are the first tracks and microphones the last, in one order on "
        f"every such recording, say it once: draft again with all of their names, as in {options}. As long as nobody "
        "has touched this draft, the new one takes its place.",
    )


def _without_names(named: Iterable[tuple[str, Track]]) -> list[str]:
    """Those whose track has no name of its own, in a file of several, and of which the user says nothing; each once."""
    unnamed = (name for name, track in named if track.file.n_channels > 1 and not track.is_told and is_nameless(track))
    return list(dict.fromkeys(unnamed))


def _loaded(target: Path) -> tuple[str, tuple[str, ...]]:
    """What loading a draft complains of, empty if it loads; and what is doubtful about the names in it."""
    try:
        findings = load_sound_check(target).findings
    except DescriptionError as error:
        return error.message(), ()
    return "", tuple(found.detail for found in findings if found.finding in (TWO_NAMES, NOTHING_IN_COMMON))
