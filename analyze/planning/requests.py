"""Which outputs does a sentence of a report ask to be recorded?

Reasons and findings say it in words of one kind: `record`, and then names or a word that stands for them, up to where
or how. `It` is the output that the sentence is about; `each`, `both` and `them` are those it has named before.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

#: What is said of an output for which no recording would help.
NO_RECORDING = "nothing has to be recorded again"

#: What is to be recorded: up to where, how and why.
_REQUEST = re.compile(r"\brecord\b(.*?)(?=\b(?:where|with|at|on|to|for|until|in)\b|[.;:(]|$)", re.IGNORECASE)
#: A feed or a signal that was missing, and no output again.
_NO_OUTPUT = re.compile(r"\s*(?:its|the|their)\b")
_OF_ONE, _OF_NAMED = re.compile(r"\bit\b"), re.compile(r"\b(?:each|both|them)\b")
_EVERY, _A_MAIN = re.compile(r"\bevery output\b"), re.compile(r"\ba main\b")
#: Names of captures, in which names of outputs may stand.
_QUOTED = re.compile(r"(?<!\w)'[^']*'(?!\w)|(?<!\w)\"[^\"]*\"(?!\w)")
#: An output in a sentence, by its number: names may hold any word and any sign.
_MARK = re.compile("\x00(\\d+)\x00")

#: Ways that a reason offers beside what is planned, with what is left of them: outputs alone, and in turn in one take.
_OTHER_WAYS = (
    (
        "record both in one take, each with a mix of its own, or feeds and microphones on one recorder",
        "record each alone, feeds and microphones on one recorder",
        "record both in one take, as here",
    ),
    (" alone, or the same stretch once more with its polarity flipped, in the empty hall", " alone", " alone"),
)


def asked_for(
    text: str, kinds: Mapping[str, str], about: Sequence[str] = (), otherwise: Sequence[str] = ()
) -> list[str]:
    """Outputs that a text asks to be recorded, each once.

    Parameters
    ----------
    kinds : the kind of every output that there is
    about : what `it` stands for; the first output that the text names if empty
    otherwise : what is meant where it names none
    """
    if NO_RECORDING in text:
        return []
    marked = _without_captures(text, kinds)
    asked: list[str] = []
    for request in _REQUEST.finditer(marked):
        if not _NO_OUTPUT.match(request[1]):
            before = _named(marked[: request.start()], kinds)
            asked += _named(request[1], kinds)
            asked += _meant(request[1], kinds, [*about] or before[:1] or [*otherwise], before or [*about, *otherwise])
    return list(dict.fromkeys(asked))


def named_to_record(text: str, kinds: Mapping[str, str]) -> list[str]:
    """The same of a text that asks in passing: only outputs that it names where it asks."""
    requests = _REQUEST.finditer(_without_captures(text, kinds))
    return list(dict.fromkeys(name for request in requests for name in _named(request[1], kinds)))


def as_planned(why: str, *, is_in_turn: bool = False) -> str:
    """A reason without the ways that it offers beside what is planned, which serves as well.

    is_in_turn : outputs sound in turn in one take; else each is recorded alone
    """
    for ways, alone, in_turn in _OTHER_WAYS:
        why = why.replace(ways, in_turn if is_in_turn else alone)
    return why


def _meant(what: str, kinds: Mapping[str, str], one: Sequence[str], several: Sequence[str]) -> list[str]:
    """The outputs that words other than names stand for in a request."""
    meant = [*one] if _OF_ONE.search(what) else []
    meant += several if _OF_NAMED.search(what) and not _MARK.search(what) else ()
    meant += kinds if _EVERY.search(what) else ()
    meant += [name for name, kind in kinds.items() if kind == "main"] if _A_MAIN.search(what) else ()
    return meant


def _without_captures(text: str, kinds: Mapping[str, str]) -> str:
    """The text with marks for outputs, and without the names of captures."""
    return _QUOTED.sub("", _marked(text, list(kinds)))


def _marked(text: str, names: Sequence[str]) -> str:
    """The text with marks for names, the longest first: one may be part of another."""
    if not names:
        return text
    any_name = "|".join(map(re.escape, sorted(names, key=len, reverse=True)))
    return re.sub(rf"(?<!\w)(?:{any_name})(?!\w)", lambda found: f"\x00{names.index(found[0])}\x00", text)


def _named(marked: str, kinds: Mapping[str, str]) -> list[str]:
    """The outputs that are marked in a text, in its order."""
    names = list(kinds)
    return [names[int(found[1])] for found in _MARK.finditer(marked)]
