"""Outputs and positions that bear another name now: said by the user, and put into what an older visit says.

Everything that is compared afterwards knows one name per thing, that of the newer visit.
"""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from analyze.archive.opening import ReportRead
from analyze.errors import DescriptionError

#: Keys of the description whose values are objects with a key per output or position.
_BY_NAME = ("outputs", "positions", "settings", "feeds", "mics", "distance_m")
#: Columns of tables, and keys of the description, that hold the name of one or a list of some.
_NAMES = ("output", "position", "reference", "playing", "align_at")


def parsed_renames(pairs: Iterable[str]) -> dict[str, str]:
    """`OLD=NEW`, as given on the command line, as old name -> new name.

    Raises
    ------
    DescriptionError : a pair without a name on either side, or a name with two new ones
    """
    renames: dict[str, str] = {}
    for pair in pairs:
        old, _, new = (unicodedata.normalize("NFC", part.strip()) for part in pair.partition("="))
        if not old or not new:
            raise DescriptionError(
                f"--rename is not OLD=NEW (found {pair!r}).", "Say what was called how, and how now."
            )
        if renames.setdefault(old, new) != new:
            raise DescriptionError(f"--rename gives {old!r} two new names.", "Say one of them.")
    return renames


def renamed_older(older: ReportRead, newer: ReportRead, renames: Mapping[str, str]) -> ReportRead:
    """The older of two visits with the names that the newer one has.

    Raises
    ------
    DescriptionError : a rename names what the older or the newer visit does not have, or two come to have one name
    """
    for old, new in renames.items():
        _check_known(old, names_in(older), older, "--rename OLD=NEW: OLD")
        _check_known(new, names_in(newer), newer, "--rename OLD=NEW: NEW")
    for names in (older.outputs, older.positions):
        if len({renames.get(name, name) for name in names}) < len(names):
            raise DescriptionError("a --rename gives two of them one name.", "Say what each is called now.")
    return renamed(older, renames)


def renames_over(visits: Iterable[Iterable[str]], renames: Mapping[str, str]) -> dict[str, str]:
    """Renames over many visits, each name -> the last one that it came to have.

    Parameters
    ----------
    visits : the names in each

    Raises
    ------
    DescriptionError : a rename names what no visit has or changes nothing, or renames go round in a circle
    """
    visits = [frozenset(names) for names in visits]
    known = {name for names in visits for name in names}
    last = {}
    for old, new in renames.items():
        for name, side in ((old, "OLD"), (new, "NEW")):
            _check_known(name, known, None, f"--rename OLD=NEW: {side}")
        passed = {old}
        while new in renames:
            if new in passed:
                raise DescriptionError(f"--rename leads from {old!r} back to it.", "Say what it is called now.")
            passed.add(new)
            new = renames[new]
        last[old] = new
        if not any(old in names and new not in names for names in visits):
            raise DescriptionError(
                f"--rename {old}={new} changes nothing: every visit that has the one has the other too.",
                "They are two things there. Leave it out.",
            )
    return last


def renamed_visit(report: ReportRead, renames: Mapping[str, str]) -> ReportRead:
    """One of many visits with the names that things have now; where it has old and new name, both stay."""
    own = names_in(report)
    return renamed(report, {old: new for old, new in renames.items() if old in own and new not in own})


def names_in(report: ReportRead) -> frozenset[str]:
    """Names of all outputs and positions of a report."""
    return frozenset((*report.outputs, *report.positions))


def renames_words(renames: Mapping[str, str]) -> tuple[str, ...]:
    """What was renamed, as the user said it: one sentence, or none.

    >>> renames_words({"front fill": "lip fill"})
    ('Renamed: lip fill was front fill.',)
    """
    said = "; ".join(f"{new} was {old}" for old, new in renames.items())
    return (f"Renamed: {said}.",) if said else ()


def renamed(report: ReportRead, renames: Mapping[str, str]) -> ReportRead:
    """The same report with other names of outputs and positions; what they are called in files stays."""
    if not renames:
        return report
    results = {
        key: [_in_object(row, renames) if isinstance(row, dict) else row for row in value]
        if isinstance(value, list)
        else value
        for key, value in report.results.items()
    }
    check = _in_object(report.check, renames)
    for kind in ("outputs", "positions"):
        check[kind] = {name: {**told, "name": name} for name, told in check[kind].items()}
    results["sound_check"] = check
    results["responses"] = _keys(
        {output: _keys(files, renames) for output, files in report.results["responses"].items()}, renames
    )
    return replace(report, results=results)


def _in_object(what: Mapping[str, Any], renames: Mapping[str, str]) -> dict[str, Any]:
    """An object of the results and all within it."""
    found: dict[str, Any] = {}
    for key, value in what.items():
        if key in _NAMES and isinstance(value, str):
            found[key] = renames.get(value, value)
        elif key in _NAMES and isinstance(value, list):
            found[key] = [renames.get(one, one) for one in value]
        elif isinstance(value, dict):
            inner = _keys(value, renames) if key in _BY_NAME else value
            found[key] = _in_object(inner, renames)
        elif isinstance(value, list):
            found[key] = [_in_object(one, renames) if isinstance(one, dict) else one for one in value]
        else:
            found[key] = value
    return found


def _keys(what: Mapping[str, Any], renames: Mapping[str, str]) -> dict[str, Any]:
    return {renames.get(key, key): value for key, value in what.items()}


def _check_known(name: str, names: Iterable[str], report: ReportRead | None, what: str) -> None:
    """Refuse a name that is none of these. Raises DescriptionError."""
    names = sorted(names)
    if name in names:
        return
    alike = difflib.get_close_matches(name, names, n=2)
    mend = f"Did you mean {' or '.join(repr(one) for one in alike)}?" if alike else f"Names are: {', '.join(names)}."
    place = report.place if report is not None else None
    raise DescriptionError(f"{what} is no output or position there (found {name!r}).", mend, path=place)
