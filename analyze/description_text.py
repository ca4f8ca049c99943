"""The text of a description, read and parsed as TOML with everything that can be wrong about a file named.

Size and line length are capped before parsing: the parser's time grows with the square of a key's length, and a file
that passes the caps is no description. Lines count from 1, byte offsets from 0.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyze.description_lines import MAX_MISTAKES, did_you_mean, key_text, shown
from analyze.description_units import mend_of_line
from analyze.errors import DescriptionError, printable

if TYPE_CHECKING:
    from collections.abc import Sequence

#: What a folder's description is called.
FILE_NAME = "soundcheck.toml"

#: How a draft marks what it has guessed.
GUESS = "# guess: "
#: An output's setting in force where nobody has said it, per key.
GUESSED_SETTING = {
    key: f"{key} = {value}  {GUESS}nothing says it; the setting in force while recorded"
    for key, value in (("delay_ms", "0.0"), ("polarity", '"normal"'))
}

#: Largest file and longest line that are parsed, in bytes.
MAX_FILE_BYTES, MAX_LINE_BYTES = 1 << 20, 4096

#: Most parts of a dotted key; the deepest key that means anything has five.
_MAX_KEY_PARTS = 16

# Whole texts in one line.
_TEXTS = re.compile(r"\"(?:[^\"\\]|\\.)*\"|'[^']*'")
# Tables that are told by their names when they stand twice.
_TABLES = ("outputs", "positions", "captures")

_LONG_KEY = re.compile(
    r"(?:^|[{,\[])[ \t]*(?:(?:[A-Za-z0-9_-]{1,80}|\"[^\"\n]{0,80}\"|'[^'\n]{0,80}')[ \t]*\.[ \t]*)"
    rf"{{{_MAX_KEY_PARTS}}}",
    re.MULTILINE,
)
#: Characters shown of what stands before the place where a line cannot be read: the slip is often there.
_SHOWN_BEFORE = 24
_PLACE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")

_BACKSLASH = "In double quotes a backslash has a meaning of its own: write / between folders."
_VALUE = "Text needs double quotes, numbers a point as their decimal sign, every list and table its closing bracket."
_TWICE = "A key or table may stand only once: join the two or rename one."
_OPEN = "The quotes opened in this text are never closed."
_GENERAL = "Each line is a [table] header, a key = value pair or a # comment."

#: What to do about a line that the parser refused, by what stands in it; the first that fits counts.
_TYPED = (
    (re.compile(r"^\s*\[{1,2}\s*captures\s*\]"), "Every take begins with [[captures]], in double brackets."),
    (
        re.compile(r"^\s*\[{1,2}\s*(\w+)\s*\.\s*([^\]\"'#]*[^\s\]\"'#][ \t]+[^\s\]\"'#]+)\s*\]"),
        'A name of several words stands in quotes: [{0}."{1}"].',
    ),
    (
        re.compile(r"(?:^|[{,])\s*([^\W\d][\w-]*(?:[ \t]+[\w-]+)+)[ \t]*="),
        'A name of several words stands in quotes: "{0}" = ...',
    ),
    (re.compile("[“”„‟«»‘’‚]"), 'Quotes as a word processor makes them: type plain ones, ".'),
    (re.compile(r"=\s*\d{1,2}[./]\d{1,2}[./]\d{2,4}|=\s*\d{4}[./]\d"), "A day is year-month-day: 2026-05-14."),
    (re.compile(r"=\s*(-?\d+),(\d+)\s*(?:[,}].*|#.*)?$"), "The decimal sign is a point: {0}.{1}."),
    (
        re.compile(r"=\s*(-?\d+(?:\.\d+)?)\s*(?:°|k?Hz\b|[mµ]?s\b|d[Bb]\b|[mCF]\b|ft\b)"),
        "The unit stands in the name of the key: write the number alone, in that unit.",
    ),
    (re.compile(r"=\s*([^\W\d][^\"'#=\[\]{}]*)(?:#|$)"), 'Text stands in quotes: "{0}".'),
    (
        re.compile(r"^[^\"'#]*=\s*\"([^\"#]*)$"),
        'Text stands between two quotes, one before it and one behind: "{0}".',
    ),
)

#: What to do about a message of the parser, by a part of its text; the first that fits counts.
_MENDS = (
    ("Unescaped '\\'", _BACKSLASH),
    ("hex value", _BACKSLASH),
    ("Escaped character", _BACKSLASH),
    ("Cannot overwrite", _TWICE),
    ("Cannot declare", _TWICE),
    ("Cannot mutate", _TWICE),
    ("Duplicate", _TWICE),
    ("a quote is open", "Text stands between two quotes, one before it and one behind."),
    ("Invalid value", _VALUE),
    ("Expected newline", _VALUE),
    ("Unterminated string", _OPEN),
    ('Expected "\'"', _OPEN),
    ("inline table", "A table in braces stands on one line, with commas between its entries and none at its end."),
)


def description_file(path: Path) -> Path:
    """The description that a call means: `path` itself, or the `soundcheck.toml` in it.

    Raises DescriptionError if there is none.
    """
    try:
        is_folder, is_file = path.is_dir(), path.is_file()
    except OSError as error:
        raise DescriptionError(f"cannot be opened: {error.strerror}.", "Check the path.", path=path) from error
    if is_folder:
        return _inside(path)
    if not is_file and path.exists():
        raise _not_a_file(path)
    if not is_file:
        raise DescriptionError(
            f"no such file or folder (expected a folder that holds {FILE_NAME}, or that file).",
            _near_miss(path.parent, path.name) or "Check the path.",
            path=path,
        )
    if path.suffix.lower() != ".toml":
        raise DescriptionError(
            f"not a description (found a file ending in {shown(path.suffix)}, expected a folder that holds {FILE_NAME}"
            ", or that file).",
            "Name the folder of the recordings instead.",
            path=path,
        )
    return path


def read_bytes(path: Path) -> bytes:
    """The description as it stands on the disk.

    Raises DescriptionError if the file cannot be read, is too large or has too long a line.
    """
    try:
        with path.open("rb") as stream:
            data = stream.read(MAX_FILE_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise DescriptionError(
            f"cannot be read: {reason}.", "Check the path and its permissions.", path=path
        ) from error
    if len(data) > MAX_FILE_BYTES:
        raise DescriptionError(
            f"larger than a description may be (expected at most {MAX_FILE_BYTES} bytes).",
            "Split it into several sound checks, one folder each.",
            path=path,
        )
    for number, line in enumerate(data.split(b"\n"), start=1):
        if len(line) > MAX_LINE_BYTES:
            raise DescriptionError(
                f"line too long (found {len(line)} bytes, expected at most {MAX_LINE_BYTES}).",
                'Break it into several lines; long text may stand between """ and """.',
                path=path,
                line=number,
            )
    return data


def decoded(data: bytes, path: Path) -> str:
    """The bytes of a description as text: UTF-8, a byte-order mark stripped; `path` is named in messages.

    Raises DescriptionError if they are not UTF-8.
    """
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise DescriptionError("saved as UTF-16 (expected UTF-8).", "Save it again as UTF-8.", path=path, line=1)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        start = error.start + len(data) - len(error.object)  # the decoder counts behind a byte-order mark
        raise DescriptionError(
            f"not UTF-8 (found byte 0x{data[start]:02x} at offset {start}).",
            "Save it again as UTF-8.",
            path=path,
            line=data.count(b"\n", 0, start) + 1,
        ) from error


def parse_toml(text: str, path: Path) -> dict[str, Any]:
    """The TOML document in `text`; `path` is named in messages.

    Raises DescriptionError, with the line where the parser stopped, if the text is not valid TOML.
    """
    long_key = _LONG_KEY.search(text)
    if long_key is not None:
        line = text.count("\n", 0, long_key.start()) + 1
        raise DescriptionError(
            f"a key has too many parts (expected at most {_MAX_KEY_PARTS}).", _GENERAL, path=path, line=line
        )
    try:
        return tomllib.loads(text)
    except ValueError as error:  # what the parser raises, and what a number or date in it may
        raise _syntax_error(str(error), text, path) from error


def _inside(folder: Path) -> Path:
    """The `soundcheck.toml` of a folder."""
    file = folder / FILE_NAME
    if file.is_file():
        return file
    if file.exists():
        raise _not_a_file(file)
    raise DescriptionError(
        f"no {FILE_NAME} in this folder.",
        _near_miss(folder, FILE_NAME) or "Begin one with `analyze draft FOLDER`: see `analyze guide describing`.",
        path=folder,
    )


def _not_a_file(path: Path) -> DescriptionError:
    """The error for a folder, device or pipe that is called like a description."""
    return DescriptionError("is not a file.", f"Put a {FILE_NAME} there, or name the folder that holds one.", path=path)


def _near_miss(folder: Path, name: str) -> str:
    """`Did you mean ...?` for a name that is not in a folder; empty if nothing there is near."""
    try:
        names = sorted(entry.name for entry in folder.iterdir() if entry.name != name)
    except OSError:
        return ""
    meant = did_you_mean(name, names)
    return "" if meant is None else f"Did you mean {shown(meant)}?"


def _syntax_error(message: str, text: str, path: Path) -> DescriptionError:
    """The parser's message with its line, and what to do about it."""
    match = _PLACE.search(message)
    line, column = text.count("\n") + (not text.endswith("\n")), ""
    if match is not None and match.group(1):
        line, column = int(match.group(1)), f" at column {match.group(2)}"
    if "Cannot declare" in message and (twice := _tables_twice(line, text, path)):
        return twice
    reason, refused = _PLACE.sub("", message), text.split("\n")[line - 1 : line]
    typed = _typed_mend(refused)
    if "character '\\n'" in reason or any(map(_has_open_quote, refused)):
        reason = f"a quote is open in this line{_behind(match, refused)}"
    elif typed:  # what the parser expected would only lead away from it
        reason = "this line cannot be read"
    mend = typed or next((m for part, m in _MENDS if part in reason), _GENERAL)
    return DescriptionError(f"not valid TOML{column}: {reason}.", mend, path=path, line=max(line, 1))


def _behind(match: re.Match[str] | None, refused: Sequence[str]) -> str:
    """What stands before the place where a long line could not be read on: its slip is there and not behind."""
    if match is None or not match.group(1) or not refused:
        return ""
    before = refused[0][: int(match.group(2)) - 1].strip()
    if len(before) <= _SHOWN_BEFORE:
        return ""
    shown = before[-_SHOWN_BEFORE:]
    return f", at or before {printable(shown.partition(' ')[2] or shown)}"


def _tables_twice(refused: int, text: str, path: Path) -> DescriptionError | None:
    """All tables of which a second header stands in the text; None if it is not for one that a line was refused."""
    n_items: dict[tuple[str, ...], int] = {}
    places: dict[tuple[tuple[str, ...], tuple[int, ...]], list[int]] = {}  # per table, and item of a list it lies in
    for number, line in enumerate(text.split("\n"), 1):
        table, is_list = _header(line)
        if is_list:
            n_items[table] = n_items.get(table, 0) + 1
        elif len(table) > 1 and table[0] in _TABLES:
            items = tuple(n_items.get(table[:length], 0) for length in range(1, len(table)))
            places.setdefault((table, items), []).append(number)
    told = {
        lines[1]: f"[{key_text(table)}] stands {'twice' if len(lines) == 2 else f'{len(lines)} times'} "
        f"(lines {', '.join(map(str, lines[:-1]))} and {lines[-1]})."
        for (table, _), lines in places.items()
        if len(lines) > 1
    }
    if refused not in told:
        return None
    first, *others = sorted(told)
    more = [f"{path}:{line}: {told[line]}" for line in others[: MAX_MISTAKES - 1]]
    mend = "Delete one of them, or give it the name of another."
    return DescriptionError("\n".join([told[first], *more]), mend, path=path, line=first)


def _header(line: str) -> tuple[tuple[str, ...], bool]:
    """The table that a line is the header of, and whether it is one of a list; empty for any other line."""
    if not line.lstrip().startswith("["):
        return (), False
    try:
        node: Any = tomllib.loads(line)
    except ValueError:
        return (), False
    table: tuple[str, ...] = ()
    while isinstance(node, dict) and node:
        key, node = next(iter(node.items()))
        table = (*table, key)
    return table, isinstance(node, list)


def _has_open_quote(line: str) -> bool:
    """Whether a line holds a double quote that begins or ends no text."""
    return '"' in _TEXTS.sub("", line).partition("#")[0] and '"""' not in line and "'''" not in line


def _typed_mend(lines: Sequence[str]) -> str:
    """What to do about the line that was refused, as far as its look tells; empty where it does not."""
    for line in lines:
        if in_unit := mend_of_line(line):
            return in_unit
        for pattern, mend in _TYPED:
            if found := pattern.search(line):
                return mend.format(*(printable(part.strip()) for part in found.groups()))
    return ""
