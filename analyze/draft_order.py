"""What tracks are by their order alone, in recordings of which nothing else tells: feeds first, then microphones.

Nothing is listened to. How many are microphones the user may say; else it is a guess that gives a skeleton to be
renamed: a sole recording has to hold several feeds to be of use, and of several recordings each may be of one output.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from analyze.description_words import words_of
from analyze.draft_recordings import recording_key
from analyze.draft_tracks import FILE_NAME, FOLDER_NAME, SIDES, Track
from analyze.errors import DescriptionError


def is_nameless(track: Track) -> bool:
    """Whether nothing but a number and words such as `mic`, `track` or `matrix` tell a track from others."""
    if track.file.n_channels > 1 and track.label in ("", f"{track.file.stem} {track.channel}"):
        return True
    is_of_pair = track.file.n_channels == 2 and track.source in (FILE_NAME, FOLDER_NAME)
    if is_of_pair and track.role == "feed" and track.label == SIDES[track.channel - 1]:
        return True  # `feeds.wav`: that one is the left channel names nothing
    words = words_of(track.label or track.file.stem)
    return all(word.means("number", "filler", "take", "role:mic", "role:feed") for word in words)


def by_number(tracks: Iterable[Track]) -> list[Track]:
    """Tracks by the numbers in their files' names, `Track 2` before `Track 10`, then by file and channel."""

    def place(track: Track) -> tuple[list[int], str, int]:
        numbers = [int(word.plain) for word in words_of(track.file.stem) if word.means("number")]
        return numbers, track.file.path, track.channel

    return sorted(tracks, key=place)


def recordings_of(tracks: Iterable[Track]) -> list[list[Track]]:
    """The channels of every file of several, and files of one channel by recording."""
    found: dict[object, list[Track]] = {}
    for track in tracks:
        is_of_several = track.file.n_channels > 1
        found.setdefault(track.file.path if is_of_several else recording_key(track), []).append(track)
    return [by_number(some) for some in found.values()]


def with_roles_by_order(tracks: Sequence[Track], n_feeds: int, n_mics: int) -> tuple[Track, ...]:
    """The tracks, those of recordings of which nothing is known taken for feeds and microphones.

    n_feeds : feeds of every such recording, its first tracks; n_mics : its microphones, all tracks behind the feeds.
    0 if nobody says it; where neither is said the order counts only where no track of the whole folder is known.

    Raises DescriptionError if a file of several channels has fewer than there are microphones.
    """
    if not (n_feeds or n_mics) and any(track.role for track in tracks):
        return tuple(tracks)
    recordings = [some for some in recordings_of(tracks) if _is_unknown(some, n_feeds, n_mics)]
    is_sole = len(recordings) == 1
    taken = {
        track.place: track
        for number, some in enumerate(recordings, 1)
        for track in _taken(some, n_feeds, n_mics, 0 if is_sole else number)
    }
    return tuple(taken.get(track.place, track) for track in tracks)


def _is_unknown(some: Sequence[Track], n_feeds: int, n_mics: int) -> bool:
    """Whether nothing tells what any track of a recording is, and it has enough of them."""
    if len(some) < 2 or any(track.role for track in some):
        return False
    if len(some) < n_mics and some[0].file.n_channels > 1:
        what = f"has {len(some)} tracks of which nothing is known, and --mics names {n_mics} microphones."
        mend = "If all are feeds, name them with --feeds; else let its name say what it is (handheld.wav), or move it."
        raise DescriptionError(what, mend, path=some[0].file.path)
    return len(some) >= n_mics if n_mics else len(some) > n_feeds


def _taken(some: Sequence[Track], n_feeds: int, n_mics: int, number: int) -> Iterator[Track]:
    """The tracks of a recording as feeds and microphones; `number` counts recordings, 0 if it is the sole one."""
    is_said = n_feeds > 0 or n_mics > 0
    n_first, why = _first_feeds(len(some), n_feeds, n_mics, is_sole=not number)
    first_output = number if number and n_first == 1 else 1
    for place, track in enumerate(some):
        is_feed = place < n_first
        label = f"output {first_output + place}" if is_feed else f"mic {place - n_first + 1}"
        label = label if is_nameless(track) else track.own_name
        yield replace(track, role="feed" if is_feed else "mic", label=label, is_by_order=not is_said, why=why)


def _first_feeds(n_tracks: int, n_feeds: int, n_mics: int, *, is_sole: bool) -> tuple[int, str]:
    """How many tracks of a recording are feeds, the first of them, and why."""
    if n_mics:
        return n_tracks - n_mics, "it stands before the microphones that --mics names"
    if n_feeds:
        return n_feeds, "it stands behind the feeds that --feeds names"
    if is_sole:
        return (n_tracks + 1) // 2, f"nothing says what it is; of {n_tracks} tracks the first half is taken for feeds"
    return 1, "nothing says what it is; the first track of every recording is taken for a feed"
