"""The two visits of a comparison by their descriptions: are they two, of one venue, and which is the older?"""

from __future__ import annotations

import statistics
from collections.abc import Sequence

from analyze.archive.comparison_rows import PairChange, Visit
from analyze.archive.opening import ReportRead, venue_key


def visits_words(older: Visit, newer: Visit) -> list[str]:
    """That both are one visit, that their venues differ, and whether their order rests on their dates."""
    if older.fingerprint and older.fingerprint == newer.fingerprint:
        return [
            f"Both are one visit, fingerprint {older.fingerprint}: the same description and the same recordings. "
            "Nothing can have changed between them."
        ]
    return [*_recordings_words(older, newer), *_venue_words(older, newer), *_order_words(older, newer)]


def _recordings_words(older: Visit, newer: Visit) -> list[str]:
    """That both were made from the same recordings, whatever their descriptions say of the day."""
    if not older.is_one_with(newer):
        return _shared_words(older, newer)
    return [
        "Both were made from the very same recordings: it is one visit under two descriptions. Where they agree, that "
        "says nothing of the rig, and where they differ, the descriptions do. Look whether a folder was copied."
    ]


def _shared_words(older: Visit, newer: Visit) -> list[str]:
    """That some recordings are of both: a copy that was damaged, or takes beside which new ones were put."""
    n_shared, n = len(older.heard_files & newer.heard_files), len(newer.heard_files)
    if not n_shared:
        return []
    return [
        f"{n_shared} of {n} recordings with microphones are the very same files in both. Where those agree, that says "
        "nothing of the rig. Look whether this is a copy of the other visit of which a file was damaged or changed; if "
        "takes were recorded anew beside older ones, only the new ones tell of a change."
    ]


#: Microphones that are put back are off by more than this, 1 mm, in the median of all they hear (common practice, no
#: source); fewest pairs of output and position from which on that is said.
_STOOD_MS, _FEWEST_STOOD = 0.003, 12

#: How it begins that nobody put microphones back.
STOOD = "Every microphone stands within a millimetre of"
#: Said before a headline where two visits are too alike.
TOO_ALIKE = "The two are more alike than two recordings can be, so that likely one is a copy of the other. "


def alike_words(is_too_alike: bool) -> list[str]:
    """That one visit may be an edited copy of the other."""
    if not is_too_alike:
        return []
    return [
        "In every output the levels of the two differ by less than a fiftieth of what noise alone would make. Most "
        "likely one is a copy of the other's recordings, made louder, trimmed, put off or given a little noise, and no "
        "visit; what is said to have changed then is of the copying. Ask for the files as the recorder wrote them. "
        "(Only the same sweeps played again at once, in still air, come near it.)"
    ]


def stood_words(older: Visit, newer: Visit, changes: Sequence[PairChange]) -> list[str]:
    """That microphones were hardly put back at all, where the descriptions are of two days."""
    is_told = older.date and newer.date and older.date != newer.date and len(changes) >= _FEWEST_STOOD
    if not is_told or statistics.median(abs(one.own_ms) for one in changes) > _STOOD_MS:
        return []
    return [
        f"{STOOD} where it stood: they were left standing between the two, or both are of one day and one of the dates "
        "is wrong."
    ]


def _venue_words(older: Visit, newer: Visit) -> list[str]:
    """That by their descriptions the two are of different venues."""
    if not (older.venue and newer.venue) or venue_key(older.venue) == venue_key(newer.venue):
        return []
    return [
        f"By their descriptions these are two venues, {older.venue} and {newer.venue}. If so, nothing said here is a "
        "change of one rig; if not, one of the two names is wrong."
    ]


def _order_words(older: Visit, newer: Visit) -> list[str]:
    """That by their dates they were named the wrong way round, or that no date says which is the older."""
    if not (older.date and newer.date):
        missing = (
            f"the visit named {'second' if older.date else 'first'}" if older.date or newer.date else "both visits"
        )
        return [f"The description of {missing} states no date: the one named first is taken for the older."]
    if not is_newer_first(older, newer):
        return []
    return [
        f"By their dates the visit named first, {older.date}, is newer than the one named second, {newer.date}: "
        "everything is second minus first. If that is not meant, name them the other way round."
    ]


def is_newer_first(first: Visit | ReportRead, second: Visit | ReportRead) -> bool:
    """Whether by their dates the visit that was named first is the newer one."""
    return bool(first.date and second.date and first.date > second.date)


def visit_names(first: Visit | ReportRead, second: Visit | ReportRead) -> tuple[str, str]:
    """What sentences call the two: older and newer only where their dates do not say otherwise."""
    if is_newer_first(first, second):
        return "the visit named first", "the visit named second"
    return "the older visit", "the newer visit"
