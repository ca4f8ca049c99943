"""A draft as the text of a `soundcheck.toml`: valid TOML, every guess marked with what it was made from.

What cannot be run as it stands is written as comments, so that the rest loads: captures that lack feeds or microphones,
what only they use, and files that nothing places. Where no capture is complete they are written all the same, and so
is `kind = "?"`: loading then says, by line, what to fill in first.
"""

from __future__ import annotations

import itertools
import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence

from analyze.description_text import GUESS, GUESSED_SETTING
from analyze.draft_names import Draft, DraftCapture, DraftOutput, DraftPosition, printable_name, unique_name
from analyze.draft_tracks import Track

#: Characters of a comment on its own line, and behind something; a line of a description may have 4096 bytes.
_LONGEST_COMMENT, _LONGEST_REMARK = 700, 200
_MOST_MARKS = 12
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_HEAD = """\
# A draft, guessed from the names, lengths and metadata of the recordings. Correct it by hand: whatever is marked as a
# guess may be wrong; take the mark away where it is right. The delays and polarities that were set while recording are
# known to nobody but you: type them in.
# A position has one name in all captures; so has an output. What could not be placed stands in comments. With
# device = "..." and channel = "..." an output says where its setting is typed; the sheet shows it. What the device
# allows is taken to be 0 to 500 ms in steps of 0.01, and a polarity switch; else write max_delay_ms, delay_step_ms or
# can_invert = false. Outputs that get the same change, such as left and right, share one group = "..."."""
_SAID = "# Asked for with "
_BY_ORDER = """\
# Which of these are feeds and which microphones is a guess by their order: check each line, move what is wrong to its
# table, and rename outputs and positions here and above. Tracks of the stage belong under [captures.inputs]."""
_PLACE_THESE = """\
# Not placed, for nothing says what these are. Take the # away and move each line under [captures.feeds] (the signal
# sent to an output), [captures.mics] (a measurement microphone) or [captures.inputs] (the stage), renamed:"""


def draft_text(draft: Draft, said: str = "") -> str:
    """The text of the description; `said` are the options with which it was asked for."""
    live = draft.live
    outputs = {name for capture in live for name in capture.feeds}
    positions = {name for capture in live for name in capture.mics}
    blocks = [_head(draft, said)]
    first_of_group = {output.group: output.name for output in reversed(draft.outputs) if output.name in outputs}
    for output in draft.outputs:
        is_marked = first_of_group.get(output.group, output.name) == output.name
        blocks.append(_block(_output(output, is_marked), output.name in outputs))
    taped = _taped_from(draft)
    blocks += [_block(_position(position, taped), position.name in positions) for position in draft.positions]
    again = _of_the_same_feeds(live)
    blocks += [_block(_capture(capture, capture in again), capture in live) for capture in draft.captures]
    if draft.left_out:
        lines = (f"{_comment(left.what)}: {_shown(left.why, _LONGEST_REMARK)}" for left in draft.left_out)
        blocks.append("\n".join(["# Left out:", *lines]))
    return "\n\n".join(blocks) + "\n"


def said_of(text: str) -> str:
    """The options with which a draft was asked for, as it tells itself; empty if with none."""
    return next((line.removeprefix(_SAID) for line in text.splitlines() if line.startswith(_SAID)), "")


def _head(draft: Draft, said: str) -> str:
    """What stands before the first table."""
    lines = [
        _HEAD,
        *([_SAID + said] if said else []),
        "format = 1",
        _marked(f"title = {_quoted(draft.title)}", "the name of the folder"),
    ]
    if draft.day:
        lines.append(_marked(f"date = {draft.day}", "by the clock of the recorder"))
    else:
        lines.append("# date = YYYY-MM-DD  # the day of the sound check")
    lines.append(_marked("temperature_c = 20.0", "nothing says it"))
    return "\n".join(lines)


def _output(output: DraftOutput, is_group_marked: bool) -> Iterator[str]:
    """An `[outputs.*]` table; that outputs are a group is one guess, which the first of them bears."""
    yield f"[outputs.{_key(output.name)}]"
    if output.kind:
        yield _marked(f'kind = "{output.kind}"', output.why)
    else:
        yield 'kind = "?"  # fill in, for no word tells: main | sub | fill | tower | monitor'
    if output.group:
        why = "the names of its outputs differ by side or number alone" if is_group_marked else ""
        yield _marked(f"group = {_quoted(output.group)}", why)
    yield from GUESSED_SETTING.values()
    if output.kind in ("fill", "tower"):
        yield _marked("later_ms = 0.0", "nothing says it; how much later than the mains it is meant to arrive")
        yield "# align_at = [...]  the seats at which it is to; without it, where it is about as loud as the mains"
    yield _marked('feed_tap = "before"', 'nothing says it; "after" if the feed was recorded behind the processor')


def _position(position: DraftPosition, taped: str) -> Iterator[str]:
    """A `[positions.*]` table; `taped` is the output from which a distance is best measured, empty for none."""
    yield f"[positions.{_key(position.name)}]"
    yield _marked(f'zone = "{position.zone}"', position.why)
    yield "# weight = 1.0  # more where a seat matters more: at 2.0 it counts as two"
    if taped:
        yield _comment(f"distance_m = {{ {_key(taped)} = 0.0 }}  # metres by tape, like each other output to one place")


def _taped_from(draft: Draft) -> str:
    """The first main, else the first output."""
    names = [output.name for output in draft.outputs if output.kind == "main"] or [o.name for o in draft.outputs]
    return names[0] if names else ""


def _of_the_same_feeds(live: Sequence[DraftCapture]) -> list[DraftCapture]:
    """Captures whose several feeds are those of an earlier one: each may be a take with a flip."""
    feeds = [frozenset(capture.feeds) for capture in live]
    return [one for k, one in enumerate(live) if len(feeds[k]) > 1 and feeds[k] in feeds[:k]]


def _settings_of_a_take(capture: DraftCapture) -> str:
    """How a setting is written that held in one take alone, with one of its outputs: a sub where there is one."""
    subs = [name for name, track in capture.feeds.items() if track.kind == "sub"]
    name = (subs or list(capture.feeds))[0]
    return (
        f'settings = {{ {_key(name)} = {{ polarity = "inverted" }} }}  # where this take had another polarity or delay '
        "than [outputs] says, e.g. flipped for a test; an inverted output that was flipped is written normal"
    )


def _capture(capture: DraftCapture, is_example: bool) -> Iterator[str]:
    """A `[[captures]]` table; `is_example` if it shows how settings of one take are written."""
    yield "[[captures]]"
    yield f"name = {_quoted(capture.name)}"
    yield _comment(_together(capture))
    if not capture.is_complete:
        lacks = " and ".join(name for name in ("feeds", "mics") if not getattr(capture, name))
        yield _comment(f"incomplete, for nothing was found for {lacks}")
        if capture.mics:
            yield "# if these belong to another capture, move them there, and list their files under unsynced"
    if any(track.is_by_order for track in capture.feeds.values()):
        yield _BY_ORDER
    if capture.strays:
        yield "unsynced = ["
        for files, why in capture.strays:
            yield from _clock(files, f"on a clock of its own: {why}")
        yield "]"
    if is_example:
        yield _comment(_settings_of_a_take(capture))
    for name in ("feeds", "mics", "inputs"):
        tracks = getattr(capture, name)
        if tracks:
            yield f"[captures.{name}]"
            yield from _tracks(name, tracks)
    if capture.unplaced:
        yield _PLACE_THESE
        yield from _unplaced(capture.unplaced)
    yield from _marks(capture)


def _together(capture: DraftCapture) -> str:
    """Why the tracks are taken for one recording."""
    recording = capture.recording
    start = "" if math.isnan(recording.start_s) else f", begun at {_clock_time(recording.start_s)}"
    others = ", but for unsynced" if capture.strays else ""
    length = f"{recording.duration_s:.3f} s at {recording.sample_rate_hz} Hz{start}"
    return f"guess: recorded together: {length}{others}, and names and folders do not part them"


def _clock_time(since_midnight_s: float) -> str:
    """Hours, minutes and seconds of a time since midnight."""
    minutes, seconds = divmod(since_midnight_s, 60.0)
    return f"{int(minutes) // 60:02d}:{int(minutes) % 60:02d}:{seconds:06.3f}"


def _tracks(table: str, tracks: Mapping[str, Track]) -> Iterator[str]:
    """The lines of a table of tracks; a guess that holds for several in a row is marked at the first of them."""
    role = {"feeds": "feed", "mics": "microphone", "inputs": "stage input"}[table]
    for _, alike in itertools.groupby(tracks.items(), key=lambda item: (item[1].is_told, _ground(item[1]))):
        named = tuple(alike)
        first, *others = (f"{_key(name)} = {_quoted(track.text)}" for name, track in named)
        below = f", and so are the {len(others)} below" if len(others) > 1 else ", and so is the one below"
        mark = f"{role}{below if others else ''}: {_common_why([track for _, track in named])}"
        yield _marked(first, "" if named[0][1].is_told else mark)
        yield from others


def _ground(track: Track) -> str:
    """What tracks share that may be checked at once: where the words stand that tell, else what does."""
    return track.source or track.why


def _common_why(tracks: Sequence[Track]) -> str:
    """What tracks of one ground were guessed from."""
    whys = {track.why for track in tracks}
    return whys.pop() if len(whys) == 1 else f"each by its own words in {tracks[0].source}"


def _clock(files: Sequence[str], why: str) -> Iterator[str]:
    """The entry of `unsynced` for the files that share one clock."""
    if len(files) == 1:
        yield _marked(f"    {_quoted(files[0])},", why)
        return
    yield _marked("    [", why)
    yield from (f"        {_quoted(file)}," for file in files)
    yield "    ],"


def _unplaced(tracks: Iterable[Track]) -> Iterator[str]:
    """Lines for tracks of which nothing is known, each with a name of its own."""
    names: list[str] = []
    for track in tracks:
        names.append(unique_name(printable_name(track.own_name) or "track", names))
        yield f"# {_key(names[-1])} = {_quoted(track.text)}"


def _marks(capture: DraftCapture) -> Iterator[str]:
    """Marks in the files, of use for start_s and end_s."""
    tables = (capture.feeds, capture.mics, capture.inputs)
    files = {track.file.path: track.file for table in tables for track in table.values()}
    marks = [(mark, path) for path, file in files.items() for mark in file.metadata.marks]
    for mark, path in marks[:_MOST_MARKS]:
        yield _comment(f"mark at {mark.at_s:.2f} s in {path}: {mark.text}")


def _block(lines: Iterable[str], is_live: bool) -> str:
    """The lines of a table, or the same as comments."""
    text = "\n".join(lines)
    return text if is_live else "\n".join(f"# {line}" for line in text.split("\n"))


def _marked(line: str, why: str) -> str:
    """A line with what it was guessed from; without a mark where it is none, or marked elsewhere."""
    return f"{line}  {GUESS}{_shown(why, _LONGEST_REMARK)}" if why else line


def _comment(text: str, longest: int = _LONGEST_COMMENT) -> str:
    """A comment on one line."""
    return f"# {_shown(text, longest)}"


def _shown(text: str, longest: int) -> str:
    """A text on one line, cut if it is too long, with what cannot be seen or written escaped."""
    shown = "".join(_visible(character) for character in text)
    return shown if len(shown) <= longest else f"{shown[:longest]}..."


def _visible(character: str) -> str:
    """A character, escaped if it cannot be seen or written, or turns the direction of the text."""
    return character if character.isprintable() else character.encode("unicode_escape").decode()


def _quoted(text: str) -> str:
    """A TOML basic string: JSON's escapes are valid TOML, but for what lies beyond 16 bits; see `_visible`."""
    quoted = json.dumps(text, ensure_ascii=False)
    return "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in quoted)


def _key(name: str) -> str:
    """A TOML key: bare where that is allowed."""
    return name if _BARE_KEY.fullmatch(name) else _quoted(name)
