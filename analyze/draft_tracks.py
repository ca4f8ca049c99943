"""What each channel of a file is taken for, by what the file says of it and by its name.

What a recorder or an engineer wrote into the file comes first, as far as a word of the trade stands in it; then the
name of the file; then that of its folder. Every guess carries the words it was made from.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace

from analyze.description_words import words_of
from analyze.draft_files import FoundFile
from analyze.draft_reading import OutputKey, Reading, read_text

#: A description longer than this is a text about the file and not the name of its track.
_LONGEST_NAME = 80
#: What the channels of a file of two are called that only a text about all of it tells of.
SIDES = ("left", "right")
#: Where words stand that are about a whole file.
FILE_NAME, FOLDER_NAME = "the file name", "the name of the folder"


@dataclass(frozen=True)
class Track:
    """One channel of a file, and what it is taken for.

    role : feed | mic | input, empty where nothing tells; is_sure : whether a word says so outright
    label : the name proposed for its output, position or input, empty if none
    kind, output_key : of the output that it feeds or, for a microphone, that was heard; empty if none is named
    zone, family, take, is_handheld : as in `Reading`
    is_by_place : taken for feed or microphone by the place of the channel alone
    is_by_order : likewise by the order of its recording's tracks, of which nothing else is known
    is_told : the user says which microphone it is
    why, kind_why : what the role and the kind of output were guessed from
    source : where the words stand that the role was read from, empty if it was not from words
    """

    file: FoundFile
    channel: int
    role: str = ""
    is_sure: bool = False
    label: str = ""
    kind: str = ""
    output_key: OutputKey = ()
    zone: str = ""
    family: str = ""
    take: str = ""
    is_handheld: bool = False
    is_by_place: bool = False
    is_by_order: bool = False
    is_told: bool = False
    why: str = ""
    kind_why: str = ""
    source: str = ""

    @property
    def place(self) -> tuple[str, int]:
        """Path and channel, which no other track has."""
        return self.file.path, self.channel

    @property
    def own_name(self) -> str:
        """The label if it can be told by, else the name of the file, with the channel where it has several."""
        if any(character.isalpha() for character in self.label):
            return self.label
        return self.file.stem if self.file.n_channels == 1 else f"{self.file.stem} {self.channel}"

    @property
    def text(self) -> str:
        """The track as a description names it: the channel is left away where there is but one."""
        is_plain = self.file.n_channels == 1 and ":" not in self.file.path
        return self.file.path if is_plain else f"{self.file.path}:{self.channel}"


def guess_tracks(files: Sequence[FoundFile]) -> tuple[Track, ...]:
    """What every channel of every file is taken for.

    What several files say word for word is about all of them, and names no track.
    """
    counts = Counter(text for file in files for text, _ in _texts_of_file(file))
    shared = {text for text, count in counts.items() if count > 1}
    return tuple(track for file in files for track in _channels(file, shared))


def _channels(file: FoundFile, shared: Collection[str]) -> tuple[Track, ...]:
    """What every channel of a file is taken for."""
    name, folder = read_text(file.stem), _folder_reading(file)
    texts = [_best_text(file, channel, shared) for channel in range(1, file.n_channels + 1)]
    named = [_of_reading(file, channel, reading, source) for channel, (reading, source) in enumerate(texts, start=1)]
    if file.n_channels == 1:
        either = [*named, _of_reading(file, 1, name, FILE_NAME)]
        tracks = [next((track for track in either if track.role), next((t for t in either if t.label), either[1]))]
    elif any(track.role for track in named):
        tracks = named
    elif name.says_something:
        tracks = _of_file(file, name, FILE_NAME)
    else:
        tracks = _of_file(file, folder, FOLDER_NAME) if folder.says_something else named
    is_own = name.is_handheld or folder.is_handheld
    whole = (replace(t, take=t.take or name.take, is_handheld=t.is_handheld or is_own) for t in tracks)
    return tuple(_in_folder(track, folder) for track in whole)


def _folder_reading(file: FoundFile) -> Reading:
    """What the folders of a file say, the innermost that says something first."""
    readings = [read_text(folder) for folder in reversed(file.folders)]
    return next((reading for reading in readings if reading.says_something), Reading())


def _best_text(file: FoundFile, channel: int, shared: Collection[str]) -> tuple[Reading, str]:
    """The first text in the file about a channel that says something, else the first there is; and where it stands."""
    texts = [(read_text(text), source, text) for text, source in _texts(file, channel, shared)]
    for reading, source, _ in texts:
        if reading.says_something:
            return reading, source
    reading, source, text = texts[0] if texts else (Reading(), "", "")
    says_more_than_a_number = any(not word.means("number", "filler") for word in words_of(text))
    return (replace(reading, place=text), source) if says_more_than_a_number else (Reading(), "")


def _texts(file: FoundFile, channel: int, shared: Collection[str]) -> Iterator[tuple[str, str]]:
    """Texts in the file that may name a channel, and where each stands."""
    metadata = file.metadata
    for names, source in ((metadata.track_names, "track list"), (metadata.noted_names, "description")):
        if channel in names:
            yield names[channel], f"the {source} in the file"
    if file.n_channels == 1:
        yield from ((text, source) for text, source in _texts_of_file(file) if text not in shared)


def _texts_of_file(file: FoundFile) -> Iterator[tuple[str, str]]:
    """Texts about a file as a whole that are short enough for a name: description, a single mark, title."""
    metadata = file.metadata
    mark = metadata.marks[0].text if len(metadata.marks) == 1 else ""
    for text, source in ((metadata.description, "description"), (mark, "mark"), (metadata.title, "title")):
        if 0 < len(text) <= _LONGEST_NAME and "\n" not in text:
            yield text, f"the {source} in the file"


def _of_reading(file: FoundFile, channel: int, reading: Reading, source: str) -> Track:
    """A track as one text about it tells."""
    role = "" if reading.role == "both" else reading.role
    return Track(
        file=file,
        channel=channel,
        role=role,
        is_sure=reading.is_sure,
        label=(reading.output if role == "feed" else "") or reading.place,
        kind=reading.kind,
        output_key=reading.output_key,
        zone=reading.zone,
        family=reading.family,
        take=reading.take,
        is_handheld=reading.is_handheld,
        why=because(reading.words, source),
        kind_why=because(reading.kind_words, source),
        source=source if reading.words else "",
    )


def _of_file(file: FoundFile, reading: Reading, source: str) -> list[Track]:
    """The channels of a file of which only a text about all of them says something."""
    is_one_recording = reading.role == "both" or (
        reading.role == "feed" and reading.kind and not (reading.is_sure or reading.is_stereo)
    )
    tracks = []
    for channel in range(1, file.n_channels + 1):
        role = ("feed" if channel == 1 else "mic") if is_one_recording else reading.role
        track = _of_reading(file, channel, replace(reading, role=role), source)
        if is_one_recording:
            which = "first channel" if channel == 1 else "channel behind the feed's"
            why = f"{which} of a file of which only {_quoted(reading.words)} is known"
            label = track.label if channel == 1 else _numbered_label(reading.place, channel - 1)
            tracks.append(replace(track, label=label, is_sure=False, is_by_place=True, why=why, source=""))
        else:
            tracks.append(_one_of_many(track))
    return tracks


def _one_of_many(track: Track) -> Track:
    """A channel of a file whose channels are all of one sort: left and right, or numbered."""
    if track.role == "mic":
        return replace(track, label=_numbered_label(track.label, track.channel))
    is_pair = track.file.n_channels == 2
    which = SIDES[track.channel - 1] if is_pair else str(track.channel)
    key = (*track.output_key, which) if track.output_key else ()
    return replace(track, label=f"{track.label} {which}".strip(), output_key=key)


def _numbered_label(label: str, number: int) -> str:
    """`mic 3`: microphones without names of their own, called alike in all captures."""
    return f"{label or 'mic'} {number}"


def _in_folder(track: Track, folder: Reading) -> Track:
    """A track with what its folder adds: the output where it names none, the role where no word tells."""
    if track.kind or not folder.says_something:
        return track
    if not track.role and folder.is_sure and folder.role in ("feed", "mic", "input") and not folder.kind:
        why = because(folder.words, FOLDER_NAME)
        family = track.family or track.label.lower()
        return replace(track, role=folder.role, is_sure=True, family=family, why=why, source=FOLDER_NAME)
    if not folder.kind or track.role not in ("feed", "mic", ""):
        return track
    label = track.label or (folder.output if track.role == "feed" else "")
    why = because(folder.kind_words, FOLDER_NAME)
    return replace(track, kind=folder.kind, output_key=folder.output_key, label=label, kind_why=why)


def because(words: tuple[str, ...], source: str) -> str:
    """What a guess was made from; empty if no word told."""
    return f"{_quoted(words)} in {source}" if words else ""


def _quoted(words: tuple[str, ...]) -> str:
    """Words in quotes, joined by `and`."""
    return " and ".join(f'"{word}"' for word in words)
