"""The two visits of a comparison by their descriptions: are they two, of one venue, and which is the older?"""

from __future__ import annotations

from analyze.archive.comparison_rows import Visit
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
        return []
    return [
        "Both were made from the very same recordings: it is one visit under two descriptions. Where they agree, that "
        "says nothing of the rig, and where they differ, the descriptions do. Look whether a folder was copied."
    ]


#: Said beside a headline where two visits are too alike.
TOO_ALIKE_ASIDE = " The two are more alike than two recordings can be."


def alike_words(is_too_alike: bool) -> list[str]:
    """That one visit may be an edited copy of the other."""
    if not is_too_alike:
        return []
    return [
        "The two are more alike than two recordings can be: in every output their levels differ by less than a "
        "fiftieth of what noise alone would make. Most likely one is a copy of the other's recordings, made louder, "
        "trimmed or stored anew, and no visit; what is said to have changed then is of the copying. Ask for the files "
        "as the recorder wrote them. (Only the same sweeps played again at once, in still air, come near it.)"
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
