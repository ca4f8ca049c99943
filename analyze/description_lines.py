"""Where each key of a description stands, what is wrong with it, and which word was probably meant.

Conventions: a key path holds table and key names as text and places in lists as numbers from 0; what a person reads
counts from 1. Lines count from 1. Names are compared after NFC normalisation (Unicode Standard Annex 15).
"""

from __future__ import annotations

import bisect
import datetime
import difflib
import itertools
import re
import tomllib
import unicodedata
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from analyze.errors import DescriptionError

KeyPath = tuple[str | int, ...]

#: No key that means anything lies deeper than this; deeper ones are reported at the line of their ancestor.
_INDEX_DEPTH = 8

#: Choices shown in a message, choices searched for a near miss, and characters shown of what was found.
_SHOWN_CHOICES, _SEARCHED_CHOICES, _SHOWN_CHARACTERS = 24, 2000, 80

#: Names that differ by so many letters, and by no more than this share of them, may be one that was misspelt.
_MISSPELT_LETTERS, _MISSPELT_SHARE = 2, 0.25

#: Integers with more bits than this are not spelled out.
_SHOWN_BITS = 128

#: Mistakes spelt out in one message.
MAX_MISTAKES = 50

_BLANK = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_KEY_PART = re.compile(r'"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'|[A-Za-z0-9_-]+')
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"""(?:"{0,2})' + r"|'''.*?'''(?:'{0,2})" + r'|"(?:[^"\\\n]|\\.)*"' + r"|'[^'\n]*'", re.DOTALL
)
_SCALAR = re.compile(r"[^,\]}\n#]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(frozen=True)
class Mistake:
    """One thing wrong in a description.

    key : where; problem : what is wrong, in words; found : what stands there, as `shown` gives it;
    expected : what may stand there; word, choices : what a near miss is sought for, and among which words;
    hint : a sentence that says more
    """

    key: KeyPath
    problem: str
    found: str = ""
    expected: str = ""
    word: str = ""
    choices: tuple[str, ...] = field(default=(), repr=False)
    hint: str = ""

    def text(self) -> str:
        """`key: problem (found X, expected Y). Did you mean 'Z'? Hint.`"""
        details = [f"found {self.found}" if self.found else "", f"expected {self.expected}" if self.expected else ""]
        inside = ", ".join(part for part in details if part)
        text = f"{key_text(self.key)}: {self.problem}" + (f" ({inside})." if inside else ".")
        meant = did_you_mean(self.word, self.choices) if self.word else None
        if meant is not None:
            text += f" Did you mean {shown(meant)}?"
        return f"{text} {self.hint}" if self.hint else text


def normalised(text: str) -> str:
    """The text in Unicode normalisation form C, in which names are compared."""
    return unicodedata.normalize("NFC", text)


def did_you_mean(word: str, choices: Sequence[str]) -> str | None:
    """The choice nearest to a misspelt word, or None if none is near; case and folders do not count against it.

    >>> did_you_mean("Sup", ["main", "sub"]), did_you_mean("take.wav", ["day 1/take.wav"]), did_you_mean("x", ["main"])
    ('sub', 'day 1/take.wav', None)
    """
    folded = {choice.casefold(): choice for choice in reversed(choices[:_SEARCHED_CHOICES])}
    sought = word[:_SHOWN_CHARACTERS].casefold()
    file = sought.rpartition("/")[2]
    for near, choice in folded.items():
        if near == sought or (file and near.rpartition("/")[2] == file):
            return choice
    near_matches = difflib.get_close_matches(sought, folded, n=1)
    return folded[near_matches[0]] if near_matches else None


def is_nearly(one: str, other: str) -> bool:
    """Whether one name may be the other misspelt. A number or a letter by itself tells two names apart.

    >>> is_nearly("Boathouse", "boat house"), is_nearly("harbor", "harbour"), is_nearly("hall a", "hall b")
    (True, True, False)
    """
    words = [re.findall(r"\w+", unicodedata.normalize("NFKC", name).casefold()) for name in (one, other)]
    a, b = ("".join(each) for each in words)
    if a == b:
        return bool(a)
    marks = [[word for word in each if len(word) == 1 or any(map(str.isdigit, word))] for each in words]
    starts = [[word[0] for word in each] for each in words]
    if marks[0] != marks[1] or (len(words[0]) == len(words[1]) and starts[0] != starts[1]):
        return False
    steps = difflib.SequenceMatcher(None, a, b, autojunk=False).get_opcodes()
    changed = sum(max(a1 - a0, b1 - b0) for what, a0, a1, b0, b1 in steps if what != "equal")
    return changed <= min(_MISSPELT_LETTERS, _MISSPELT_SHARE * min(len(a), len(b)))


def shown(value: object) -> str:
    """A value of a description as a message shows it: short, printable, and of any nesting or size.

    >>> shown("sub"), shown(True), shown(2.0), shown({"a": 1}), shown(1 << 9999)
    ("'sub'", 'true', '2', 'a table', 'a very large number')
    """
    if isinstance(value, str):
        return repr(value) if len(value) <= _SHOWN_CHARACTERS else repr(value[:_SHOWN_CHARACTERS]) + "..."
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict | list | tuple):
        return "a table" if isinstance(value, dict) else "a list"
    if isinstance(value, int) and value.bit_length() > _SHOWN_BITS:
        return "a very large number"
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    return str(value)


def listed(choices: Collection[str]) -> str:
    """`main | sub | fill`: what may stand somewhere, the first two dozen.

    >>> listed(["main", "sub"])
    'main | sub'
    """
    first = [repr(choice)[1:-1] for choice in itertools.islice(choices, _SHOWN_CHOICES)]
    return " | ".join([*first, "..."] if len(choices) > _SHOWN_CHOICES else first)


def key_text(key: KeyPath) -> str:
    """A key path as a person reads it, places in lists counted from 1.

    >>> key_text(("captures", 0, "feeds", "sub left"))
    'captures[1].feeds."sub left"'
    """
    text = ""
    for part in key:
        if isinstance(part, int):
            text += f"[{part + 1}]"
            continue
        body = part if len(part) <= _SHOWN_CHARACTERS else part[:_SHOWN_CHARACTERS] + "..."
        name = body if _BARE_KEY.fullmatch(part) else f'"{repr(body)[1:-1]}"'
        text += f".{name}" if text else name
    return text


@dataclass(frozen=True)
class LineIndex:
    """The line on which each key of a description stands."""

    lines: Mapping[KeyPath, int]

    def line_of(self, key: KeyPath) -> int:
        """Line of a key or, if it is not written, of the nearest table round it; 1 for the file itself."""
        for length in range(min(len(key), _INDEX_DEPTH), 0, -1):
            line = self.lines.get(key[:length])
            if line is not None:
                return line
        return 1


def with_normal_keys(value: Any, key: KeyPath, mistakes: list[Mistake]) -> Any:
    """A parsed document with every key normalised; a mistake is added where two keys become the same."""
    if isinstance(value, list):
        return [with_normal_keys(item, (*key, place), mistakes) for place, item in enumerate(value)]
    if not isinstance(value, dict):
        return value
    result: dict[str, Any] = {}
    for written, inner in value.items():
        name = normalised(written)
        if name in result:
            mistakes.append(Mistake((*key, name), "two keys that read the same", shown(name), "only one of them"))
        result[name] = with_normal_keys(inner, (*key, name), mistakes)
    return result


def report(path: Path, mistakes: Sequence[Mistake], lines: LineIndex) -> DescriptionError:
    """All mistakes as one error, a line each, in the order of the file."""
    in_order = sorted(mistakes, key=lambda mistake: lines.line_of(mistake.key))
    first, *others = in_order[:MAX_MISTAKES]
    text = [first.text()] + [f"{path}:{lines.line_of(mistake.key)}: {mistake.text()}" for mistake in others]
    if len(in_order) > MAX_MISTAKES:
        text.append(f"... and {len(in_order) - MAX_MISTAKES} more")
    mend = "Correct this and run again." if len(in_order) == 1 else "Correct these lines and run again."
    return DescriptionError("\n".join(text), mend, path=path, line=lines.line_of(first.key))


def index_lines(text: str) -> LineIndex:
    r"""Line of every key, table header and list item in a valid TOML text.

    >>> index_lines('[outputs.mains]\nkind = "main"\n').line_of(("outputs", "mains", "kind"))
    2
    """
    return LineIndex(_Scanner(text).lines)


class _Scanner:
    """One walk over a text that is known to be valid TOML; every step moves on, so it always ends."""

    def __init__(self, text: str) -> None:
        self._text, self._at = text, 0
        self._ends = [match.start() for match in re.finditer("\n", text)]
        self._n_items: dict[KeyPath, int] = {}
        self.lines: dict[KeyPath, int] = {}
        table: KeyPath = ()
        while self._next():
            if self._text.startswith("[", self._at):
                table = self._header()
            else:
                self._pair(table)

    def _next(self) -> str:
        """The next character after blanks, line ends and comments; empty at the end."""
        self._skip(_BLANK)
        return self._text[self._at : self._at + 1]

    def _skip(self, pattern: re.Pattern[str]) -> str:
        """Move behind what the pattern matches here and return it."""
        match = pattern.match(self._text, self._at)
        if match is None:
            return ""
        self._at = match.end()
        return match.group()

    def _note(self, key: KeyPath, offset: int) -> None:
        """Remember the line of a key and of its ancestors, unless they are known already."""
        line = bisect.bisect_left(self._ends, offset) + 1
        for length in range(1, min(len(key), _INDEX_DEPTH) + 1):
            self.lines.setdefault(key[:length], line)

    def _header(self) -> KeyPath:
        """`[table]` or `[[array of tables]]`: the path of what follows."""
        start = self._at
        is_array = self._text.startswith("[[", start)
        self._at += 2 if is_array else 1
        path: KeyPath = ()
        for part in self._key():
            if path in self._n_items:
                path = (*path, self._n_items[path] - 1)
            path = (*path, part)
        if is_array:
            self._n_items[path] = self._n_items.get(path, 0) + 1
            path = (*path, self._n_items[path] - 1)
        self._note(path, start)
        self._at += 2 if is_array else 1
        return path

    def _key(self) -> list[str]:
        """A bare, quoted or dotted key, its parts decoded and normalised."""
        parts: list[str] = []
        while True:
            self._skip(_SPACE)
            part = self._skip(_KEY_PART)
            if part.startswith('"'):
                part = tomllib.loads(f"key = {part}")["key"]
            elif part.startswith("'"):
                part = part[1:-1]
            parts.append(normalised(part))
            self._skip(_SPACE)
            if not self._text.startswith(".", self._at):
                return parts
            self._at += 1

    def _pair(self, table: KeyPath) -> None:
        """`key = value`, the value's own keys included."""
        start = self._at
        key = (*table, *self._key())
        self._note(key, start)
        self._at += 1  # the equals sign
        self._value(key)

    def _value(self, key: KeyPath) -> None:
        """A string, list, inline table or anything else."""
        first = self._next()
        if first in ('"', "'"):
            self._skip(_STRING)
        elif first == "[":
            self._items(key, "]")
        elif first == "{":
            self._items(key, "}")
        else:
            self._skip(_SCALAR)

    def _items(self, key: KeyPath, closing: str) -> None:
        """The items of a list or the pairs of an inline table."""
        self._at += 1
        n_items = 0
        while (first := self._next()) and first != closing:
            if first == ",":
                self._at += 1
            elif closing == "}":
                self._pair(key)
            else:
                self._note((*key, n_items), self._at)
                self._value((*key, n_items))
                n_items += 1
        self._at += 1
