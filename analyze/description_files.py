"""Tracks of a description, `FILE` or `FILE:CHANNEL`: files that exist inside its folder, channels counted from 1.

A path is written with `/`, from the folder of the description, and may not lead out of it, by `..` or by a symbolic
link. A name that differs from a file's only in how accents are stored means that file.
"""

from __future__ import annotations

import os
import posixpath
import re
import stat
import unicodedata
from collections.abc import Collection, Iterable, Mapping
from functools import cached_property
from pathlib import Path

from analyze.description_lines import did_you_mean, normalised

#: Most channels of one file: libsndfile 1.2.2 (SF_MAX_CHANNELS) opens no more.
MAX_CHANNELS = 1024

#: Endings of audio files, those that cannot be decoded too: a recording that is passed over must be named.
IS_AUDIO = re.compile(
    r".+\.(wave?|bwf|rf64|bw64|w64|aif[fc]?|caf|flac|og[ga]|opus|mp[23]|au|snd|m4a|mp4|aac|wma|amr|3gp|ape|wv|mka)",
    re.IGNORECASE | re.DOTALL,
)
#: Files of a folder that are looked at for a near miss.
_MAX_NAMES = 2000
#: Files that are not there for which one is looked for: each takes a tenth of a second in a large folder.
_MAX_MISSING = 50

_DRIVE = re.compile(r"[A-Za-z]:[\\/]")
_NUMBER = re.compile(r"[0-9]+")
_CHANNEL = re.compile(r"[0-9]{1,9}")
#: The problem of a track whose file is not there.
NO_FILE = "no such file in the folder of the description"
_INSIDE = "Put the file into the folder of the description and write its path from there, with / between folders."
_BACKSLASH = "A backslash in double quotes may have turned into it: write / between folders."


class Refused(Exception):
    """Why a track is refused: problem, what is expected, a hint, and the words among which a near miss may be."""

    def __init__(
        self, problem: str, *, expected: str = "", hint: str = "", word: str = "", choices: tuple[str, ...] = ()
    ) -> None:
        super().__init__(problem)
        self.problem, self.expected, self.hint = problem, expected, hint
        self.word, self.choices = word, choices


def split_track(text: str) -> tuple[str, str | None]:
    """File and channel of a track as written; the channel is None if none is given.

    >>> split_track("day 1/take.wav:2"), split_track("take.wav")
    (('day 1/take.wav', '2'), ('take.wav', None))
    """
    file, colon, channel = text.rpartition(":")
    return (file, channel) if colon else (text, None)


def tidy(file: str) -> str:
    """A path without `.` parts and doubled separators, for comparison.

    >>> tidy("./a//b.wav")
    'a/b.wav'
    """
    return posixpath.normpath(file)


def by_reading(files: Iterable[str]) -> dict[str, str]:
    """Files under their normalised names, for `matching_file`."""
    return {normalised(file): file for file in files}


def matching_file(text: str, files: Mapping[str, str]) -> str | None:
    """The one of the files (`by_reading`) that a text means, however accents are stored and folders spelt."""
    return files.get(normalised(tidy(text)))


class AudioFolder:
    """The folder of a description, asked for tracks and files; answers are kept, so each file is looked at once."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._root = folder.resolve()
        self._files: dict[str, str] = {}

    def track(self, text: str) -> tuple[str, int]:
        """File (relative, as it is called on disk) and channel of a track.

        Raises Refused if the text is not a track or its file is not an ordinary file inside the folder.
        """
        _check_spelling(text)
        file, channel = split_track(text)
        if channel is None or (not _CHANNEL.fullmatch(channel) and matching_file(text, self._by_reading)):
            return self.file(text), 1
        if not _CHANNEL.fullmatch(channel) or not 1 <= int(channel) <= MAX_CHANNELS:
            raise Refused("bad channel", expected=f"FILE or FILE:CHANNEL, with a channel from 1 to {MAX_CHANNELS}")
        return self.file(file), int(channel)

    def file(self, text: str) -> str:
        """The file of a track, relative to the folder, as it is called on disk. Raises Refused as `track` does."""
        if text not in self._files:
            self._files[text] = self._located(text)
        return self._files[text]

    def _located(self, text: str) -> str:
        """The checks of `file`, made once per text."""
        if not text.strip():
            raise Refused("no file name", expected="FILE or FILE:CHANNEL")
        name = tidy(text)
        if name.split("/")[0] == "..":
            raise Refused("path leaves the folder of the description", hint=_INSIDE)
        try:
            name = self._on_disk(name)
            mode = (self._folder / name).stat().st_mode
            target = (self._folder / name).resolve()
        except (FileNotFoundError, NotADirectoryError) as error:
            raise Refused(NO_FILE, word=name, choices=self._like(name)) from error
        except (OSError, RuntimeError, ValueError) as error:  # RuntimeError: a loop of symbolic links
            reason = getattr(error, "strerror", None) or "not a usable path"
            raise Refused(f"file cannot be opened: {reason}") from error
        if not target.is_relative_to(self._root):
            raise Refused("symbolic link leads out of the folder of the description", hint=_INSIDE)
        if not stat.S_ISREG(mode):
            what = "a folder" if stat.S_ISDIR(mode) else "a device or pipe"
            raise Refused(f"not a file but {what}", expected="an audio file")
        return name

    def _on_disk(self, name: str) -> str:
        """The name as the disk has it: itself or, if there is no such file, the one that reads the same."""
        if not (self._folder / name).exists():
            return matching_file(name, self._by_reading) or name
        return name

    def is_there(self, text: str) -> bool:
        """Whether the file of a track is in the folder; what is wrong with it otherwise does not count."""
        try:
            self.track(text)
        except Refused as why:
            return why.problem != NO_FILE
        return True

    def meant(self, texts: Iterable[str], used: Collection[str]) -> dict[str, str]:
        """Files of tracks that are not there, and for each the unused file that it may mean, as far as one is near.

        Each is the nearest to the other, so that one file is not offered to several.
        """
        missing = list(dict.fromkeys(tidy(split_track(text)[0]) for text in texts))
        near = {}
        for name in missing[:_MAX_MISSING]:
            other = did_you_mean(name, [other for other in self._like(name) if other not in used])
            if other is not None and did_you_mean(other, missing) == name:
                near[name] = other
        return near

    def _like(self, name: str) -> tuple[str, ...]:
        """Files that may have been meant: one that differs by a number alone is another take."""
        return tuple(other for other in self._names if _NUMBER.sub("", other) != _NUMBER.sub("", name))

    @cached_property
    def _by_reading(self) -> dict[str, str]:
        """The files of the folder under their normalised names."""
        return by_reading(self._names)

    @cached_property
    def _names(self) -> tuple[str, ...]:
        """Files of the folder, hidden ones and descriptions left out, sorted; the first two thousand."""
        names: list[str] = []
        for base, folders, files in os.walk(self._folder):
            folders[:] = sorted(name for name in folders if not name.startswith("."))
            inside = Path(base).relative_to(self._folder)
            names += [
                (inside / name).as_posix()
                for name in sorted(files)
                if not name.startswith(".") and not name.lower().endswith(".toml")
            ]
            if len(names) >= _MAX_NAMES:
                break
        return tuple(names[:_MAX_NAMES])


def _check_spelling(text: str) -> None:
    """Refuse what no relative path with `/` looks like."""
    if _DRIVE.match(text) or text.startswith(("/", "\\\\")):
        raise Refused("absolute path", expected="a path inside the folder of the description", hint=_INSIDE)
    if any(unicodedata.category(character) == "Cc" for character in text):
        raise Refused("control character in a file name", hint=_BACKSLASH)
    if "\\" in text:
        raise Refused("backslash in a path", expected=f"/ between folders, as in {text.replace(chr(92), '/')!r:.80}")
