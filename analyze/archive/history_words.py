"""A history in sentences."""

from __future__ import annotations

from analyze.archive.history_rows import History
from analyze.reports.summaries import plural

#: Said wherever a history is handed out.
REBUILT = (
    "All of this is made anew from the records every time. It is an index, never the only copy: what must last are the "
    "records."
)


def venue_words(history: History, venue: str) -> str:
    """How often a venue was visited, and what the newest visit found."""
    visits = history.visits_of(venue)
    days = [row.date for row in visits if row.date]
    if not days:
        return f"{plural(len(visits), 'visit')} without a date: they have no place in time."
    span = f"from {days[0]} to {days[-1]}" if days[0] != days[-1] else f"on {days[0]}"
    newest = [row for row in visits if row.date][-1]
    last = "" if newest.verdict == "first" else f" The newest against the one before it: {newest.reason}"
    return f"{plural(len(visits), 'visit')} {span}.{last}"


def whole_words(history: History) -> str:
    """How much was found."""
    read = [row for row in history.visits if row.state == "read"]
    n_copies, n_left = (sum(row.state == state for row in history.visits) for state in ("copy", "left out"))
    said = [f"{plural(len(read), 'visit')} to {plural(len(history.venues), 'venue')}"]
    if n_copies:
        said.append(f"{n_copies} {'copy' if n_copies == 1 else 'copies'} passed over")
    if n_left:
        said.append(f"{n_left} that cannot be relied on left out")
    return "; ".join(said) + "."
