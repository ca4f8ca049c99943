"""Recordings that hold feeds and nothing else: the desk's multitrack, its microphones on recorders of their own.

Nothing is listened to. Where the user names the feeds, a recording of just as many tracks without names is taken for
them; where nobody does, the sole recording beside which there are none but recorders of their own, as a guess.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from analyze.draft_order import is_nameless, recordings_of
from analyze.draft_tracks import FILE_NAME, FOLDER_NAME, Track

_GUESSED = "nothing says what it is, and beside it there are none but recorders of their own"


def with_feeds_alone(tracks: Sequence[Track], n_feeds: int, n_mics: int) -> tuple[Track, ...]:
    """The tracks, those of recordings that hold feeds alone taken for them.

    n_feeds : feeds that the user names; n_mics : microphones that the user names and that no track is called after.
    0 if nobody names any.
    """
    found = _of_so_many(tracks, n_feeds, n_mics) if n_feeds else _beside_recorders(tracks, n_mics)
    why = "" if n_feeds else _GUESSED
    feeds = {
        track.place: replace(track, role="feed", label=f"output {number}", why=why)
        for some in found
        for number, track in enumerate(some, start=1)
    }
    return tuple(feeds.get(track.place, track) for track in tracks)


def unnamed_recordings(tracks: Iterable[Track]) -> list[list[Track]]:
    """Recordings in which no track has a name or is known to be a feed, without recorders of their own."""
    groups = recordings_of(track for track in tracks if not track.is_handheld)
    return [some for some in groups if all(map(_is_unnamed, some))]


def _is_unnamed(track: Track) -> bool:
    """Whether nothing names a track but, of a file of several, a place: feeds are recorded at `foh` too."""
    if track.is_sure or track.kind or track.role not in ("", "mic"):
        return False
    return is_nameless(track) or (track.file.n_channels > 1 and track.source in (FILE_NAME, FOLDER_NAME))


def _of_so_many(tracks: Sequence[Track], n_feeds: int, n_mics: int) -> list[list[Track]]:
    """The recordings of `n_feeds` tracks without names, unless others are the feeds or the microphones need them."""
    if any(track.role == "feed" and (track.is_told or is_nameless(track)) for track in tracks):
        return []
    unnamed = unnamed_recordings(tracks)
    found = [some for some in unnamed if len(some) == n_feeds]
    unknown = [some for some in found if not any(track.role for track in some)]
    if not unknown and len({some[0].label for some in found}) > 1:
        return []  # named after several places: more likely microphones
    found = unknown or found
    has_both = any(len(some) == n_feeds + n_mics for some in unnamed)
    is_all = sum(map(len, found)) == len(tracks)
    return [] if n_mics and (has_both or is_all) else found


def _beside_recorders(tracks: Sequence[Track], n_mics: int) -> list[list[Track]]:
    """The recording of several unknown tracks beside which there are none but microphones on recorders of their own."""
    recorders = [track for track in tracks if track.is_handheld]
    found = unnamed_recordings(tracks)
    if n_mics or len(found) != 1 or not recorders or any(track.role != "mic" for track in recorders):
        return []
    (some,) = found
    is_all = len(some) + len(recorders) == len(tracks)
    return found if is_all and len(some) > 1 and not any(track.role for track in some) else []
