"""Changes that may be left out: the present setting counts as right, too."""

from __future__ import annotations

#: A change that adds less than this is optional: `RIGHT_DB` of `confidence.py`, which brings in numpy.
LITTLE_DB = 0.5


def may_be_left_out(decision: str, kind: str, gain_db: float) -> bool:
    """Whether a recommendation is a change of mains or subs that adds little.

    Fills and towers are set by arrival, monitors for what they add on stage.
    """
    return decision == "change" and abs(gain_db) < LITTLE_DB and kind in ("main", "sub")
