"""A history in sentences."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from itertools import combinations
from typing import TYPE_CHECKING

from analyze.archive.comparison_visits import STOOD
from analyze.archive.comparison_words import EXCHANGED, later, louder
from analyze.archive.history_rows import History, OutputRow
from analyze.description_lines import is_nearly
from analyze.reports.naming import clean
from analyze.reports.summaries import listed, number, percent, plural

if TYPE_CHECKING:
    from analyze.archive.history_drift import Drift
    from analyze.archive.history_finding import Seen

#: So many visits without a date, between the first and the newest, or passed over are named one by one.
_NAMED = 4
#: Venues that share this many words at least, and this share of those of the longer name, may be one.
_FEWEST_SHARED, _SHARED = 2, 0.75
#: How the remarks of a visit begin whose own findings put its description in doubt.
IN_DOUBT = "Its description is in doubt"
#: Said wherever a history is handed out.
REBUILT = (
    "All of this is made anew from the records every time. It is an index, never the only copy: what must last are the "
    "records."
)


def drift_words(since: str, n_visits: int, arrival: Drift, level: Drift) -> str:
    """What drifts of an output, in all, how fast and how surely."""
    parts = []
    if arrival.is_beyond:
        rate = f"{number(abs(arrival.per_year), 2)} ms a year, {percent(arrival.confidence)}"
        parts.append(f"arrives {later(arrival.whole, 2.0 * arrival.std)} ({rate})")
    if level.is_beyond:
        rate = f"{number(abs(level.per_year), 2)} dB a year, {percent(level.confidence)}"
        parts.append(f"is {louder(level.whole)} ± {number(2.0 * level.std)} dB ({rate})")
    return f"It drifts: by a line through {n_visits} visits since {since} it {' and '.join(parts)}."


def _drifting_words(rows: Iterable[OutputRow]) -> str:
    """Which outputs drift by the newest visit, how fast and how surely."""
    drifting = [f"{row.output} ({_rate_words(row)})" for row in rows if row.drift not in ("", "none")]
    return f" Drifting too slowly for any single visit to show: {listed(drifting)}." if drifting else ""


def _rate_words(row: OutputRow) -> str:
    """How fast one output drifts, and how sure it is that it does."""
    parts = []
    if "arrival" in row.drift:
        parts.append(f"{later(row.arrival_rate_ms)} every year, {percent(row.arrival_drift_confidence)}")
    if "level" in row.drift:
        way = "louder" if row.level_rate_db >= 0 else "quieter"
        rate = f"{number(abs(row.level_rate_db), 2)} dB {way}"
        parts.append(f"{rate} every year, {percent(row.level_drift_confidence)}")
    return "; ".join(parts)


def venue_words(history: History, venue: str) -> str:
    """How often a venue was visited, and what the newest visit found against the one before and the first."""
    visits = history.visits_of(venue)
    days, newest = [row.date for row in visits if row.date], history.newest(venue)
    undated = [clean(row.path) for row in visits if not row.date]
    if len(undated) > _NAMED:
        undated[_NAMED:] = [f"{len(undated) - _NAMED} more"]
    if newest is None:
        return f"{plural(len(visits), 'visit')} without a date: they have no place in time."
    span = f"from {days[0]} to {days[-1]}" if days[0] != days[-1] else f"on {days[0]}"
    last = "" if newest.verdict == "first" else f" The newest against the one before it: {newest.reason}"
    first = f" Against the first visit: {newest.since_first}" if newest.since_first else ""
    drifting = _drifting_words(row for row in history.outputs_of(venue) if row.path == newest.path)
    without = f" Without a date, and so compared with nothing: {listed(undated)}." if undated else ""
    doubtful = [row.date or clean(row.path) for row in visits if row.remarks.startswith(IN_DOUBT)]
    doubt = f" In doubt by its own findings: {listed(doubtful)}." if doubtful else ""
    stood = [row.date for row in visits if STOOD in row.remarks]
    doubt += f" Perhaps of one day with the visit before: {listed(stood)}, for no microphone moved." if stood else ""
    between = _between_words(history, venue)
    return f"{plural(len(days), 'visit')} {span}.{doubt}{last}{between}{first}{drifting}{without}"


def _between_words(history: History, venue: str) -> str:
    """What changed at the visits between the first and the newest, which may have been undone since."""
    middle = [row for row in history.visits_of(venue) if row.date][1:-1]
    said = []
    for visit in middle:
        rows = [row for row in history.outputs_of(venue) if row.path == visit.path]
        changed = [_changed_words(row) for row in rows if row.verdict not in ("", "same", "unclear")]
        changed += ["positions that look exchanged"] if EXCHANGED in visit.remarks else []
        said += [f"{listed(changed)} {visit.date}"] if changed else []
    if len(said) > _NAMED:
        said = [f"{plural(len(said) - _NAMED, 'earlier visit')} with changes", *said[-_NAMED:]]
    return f" In between: {'; '.join(said)}." if said else ""


def _changed_words(row: OutputRow) -> str:
    """What one output did at one visit, and by how much where that is a time or a level."""
    if row.verdict == "moved" and math.isfinite(row.arrival_change_ms):
        return f"{row.output} moved ({later(row.arrival_change_ms)})"
    if row.verdict == "changed in level" and math.isfinite(row.level_change_db):
        return f"{row.output} changed in level ({louder(row.level_change_db)} dB)"
    return f"{row.output} {row.verdict}"


def spelling_words(venues: Iterable[str]) -> list[str]:
    """Which venues bear nearly one name: their visits are not held against each other.

    >>> spelling_words(["Boathouse", "Quay", "boat house"])[0][:40]
    'Nearly one name: Boathouse and boat hous'
    """
    return [
        f"Nearly one name: {one} and {other}. If they are one venue, write it alike in both descriptions: until then "
        "nothing of the one is compared with the other."
        for one, other in combinations(venues, 2)
        if is_nearly(one, other) or _is_mostly(one, other)
    ]


def _is_mostly(one: str, other: str) -> bool:
    """Whether two names share their words but for few, or one of them is the beginning of the story.

    >>> _is_mostly("Harbour hall", "Harbour hall, Leith"), _is_mostly("Hall one at the quay", "Hall two at the quay")
    (True, True)
    >>> _is_mostly("Hall 1, north quay", "Hall 2, north quay"), _is_mostly("Town hall", "Concert hall")
    (False, False)
    """
    a, b = (set(re.findall(r"\w+", name.casefold())) for name in (one, other))
    marks = [{word for word in words if len(word) == 1 or any(map(str.isdigit, word))} for words in (a, b)]
    if all(marks) and marks[0] != marks[1]:
        return False
    fewer, more = sorted((len(a), len(b)))
    shared = len(a & b)
    return shared >= _FEWEST_SHARED and (shared == fewer or shared >= _SHARED * more)


def copy_words(one: Seen, other: Seen) -> str:
    """That a record or report has the results of another one, or was made from its recordings."""
    if one.sha256 != other.sha256:
        days = f", dated {other.date or 'nowhere'} there and {one.date or 'nowhere'} here" * (one.date != other.date)
        return f"It was made from the same recordings as {other.name}{days}: one visit, and {other.name} stands for it."
    whole = " analyze archive verify tells whether its other files are whole." if one.is_record else ""
    return f"Its results are the same as those of {other.name}.{whole}"


def alike_words(one: Seen, other: Seen) -> str:
    """That a visit is no visit of its own but, most likely, an edited copy of another one."""
    days = f", dated {other.date or 'nowhere'} there and {one.date or 'nowhere'} here" * (one.date != other.date)
    return (
        f"It is more alike {other.name}{days}, than two recordings can be: most likely a copy that was edited, and no "
        f"visit. {other.name} stands for it. analyze compare says more."
    )


def whole_words(history: History) -> str:
    """How much was found."""
    read = [row for row in history.visits if row.state == "read"]
    copies = [row.path for row in history.visits if row.state == "copy"]
    n_left = sum(row.state == "left out" for row in history.visits)
    said = [f"{plural(len(read), 'visit')} to {plural(len(history.venues), 'venue')}"]
    if copies:
        more = f" and {len(copies) - _NAMED} more" if len(copies) > _NAMED else ""
        named = ", ".join(copies[:_NAMED])
        said.append(f"passed over as copies of others: {named}{more}")
    if n_left:
        said.append(f"{n_left} that cannot be relied on left out")
    return "; ".join(said) + "."
