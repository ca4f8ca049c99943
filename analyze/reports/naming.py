"""Names given by people, made fit for files, labels and terminals.

Names are free Unicode text: they may hold tags, quotes, line breaks, control characters, right-to-left marks, or be
very long. A file name keeps their ASCII letters and a number; a label keeps what can be seen.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

_SLUG_LENGTH, _LABEL_LENGTH = 40, 22

# Categories with nothing to see: controls, formats (direction marks among them), surrogates, private use, separators.
_UNSEEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}

# Joiners that Persian, Indic scripts and some pictographs need to be read.
_JOINERS = "\u200c\u200d"

# Latin, Greek and Cyrillic: what the font of the plots can draw. Names beyond it also get a number.
_DRAWN_BELOW = 0x0530


def clean(text: str) -> str:
    r"""One line of text without anything that cannot be seen; runs of white space become one space.

    >>> clean("sub\n left\x1b[31m")
    'sub left[31m'
    """
    return " ".join("".join(" " if c.isspace() else c for c in text if c.isspace() or _is_seen(c)).split())


def _is_seen(character: str) -> bool:
    return character in _JOINERS or unicodedata.category(character) not in _UNSEEN


def shortened(text: str, length: int) -> str:
    """Cleaned text of at most `length` characters; what is cut from the middle leaves an ellipsis."""
    text = clean(text)
    if len(text) <= length:
        return text
    head = (length - 1) * 2 // 3
    return f"{text[:head].rstrip()}…{text[len(text) - (length - 1 - head) :].lstrip()}"


def labels(names: Iterable[str], length: int = _LABEL_LENGTH) -> dict[str, str]:
    """A short label for each name, all different, none empty or starting with an underscore.

    A name that is cut to the label of another, or that the plots cannot draw, gets its number in the list.
    """
    names = list(dict.fromkeys(names))
    short = {name: shortened(name, length) for name in names}
    drawn = list(short.values())
    return {
        name: f"{number}. {short[name]}".rstrip() if _needs_number(short[name], drawn) else short[name]
        for number, name in enumerate(names, 1)
    }


def _needs_number(label: str, all_labels: list[str]) -> bool:
    """Whether a label says too little without a number."""
    beyond = any(ord(c) >= _DRAWN_BELOW and c != "…" for c in label)
    return not label or label.startswith("_") or beyond or all_labels.count(label) > 1


def slug(text: str) -> str:
    """Lower-case ASCII letters, digits and hyphens of a text, at most 40; `unnamed` if nothing is left.

    >>> slug("Fläche 2 (Süd)"), slug("舞台")
    ('flache-2-sud', 'unnamed')
    """
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii").lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:_SLUG_LENGTH].strip("-") or "unnamed"


def numbered(number: int, *parts: str) -> str:
    """A file stem: number and parts as slugs, parted by underscores; different for different numbers.

    >>> numbered(3, "Sub left", "mix")
    '003_sub-left_mix'
    """
    return "_".join([f"{number:03d}", *(slug(part) for part in parts)])
