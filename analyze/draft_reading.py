"""What the name of a track says: feed, microphone or stage input, of which output, where, in which take.

`read_text` takes a text apart by the table of words (`description_words.py`). It only reads; what follows from the
other tracks of a recording is in `draft_recordings.py`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from analyze.description_words import Word, joined_text, words_of

#: What tells one output from another: kind, then sides, numbers and other words in their own order.
OutputKey = tuple[str, ...]

#: Words that stand behind the word for an output and still belong to its name, besides sides and numbers.
_CENTRES = ("centre", "center", "mitte", "centro", "midden")
#: Numbers longer than this are dates and counters, and no part of a name.
_LONGEST_NUMBER = 2


@dataclass(frozen=True)
class Reading:
    """What a text says of a track.

    role : feed | mic | input | both (feed and microphone in one file) | empty where no word tells
    is_sure : whether a word says the role outright, and not only what it belongs to
    kind, output, output_key : of the output that is named, empty if none; `output` as it is written
    place : what is left to name a position, an input, or a feed of no known output
    zone : audience | stage, empty if no word tells; family : of a stage input, what its partners share
    take : number of the take, empty if none; is_handheld : a recorder of its own; is_stereo : left and right
    words, kind_words : those that the role and the kind of output were read from, as they are written
    """

    role: str = ""
    is_sure: bool = False
    kind: str = ""
    output: str = ""
    output_key: OutputKey = ()
    place: str = ""
    zone: str = ""
    family: str = ""
    take: str = ""
    is_handheld: bool = False
    is_stereo: bool = False
    words: tuple[str, ...] = ()
    kind_words: tuple[str, ...] = ()

    @property
    def says_something(self) -> bool:
        """Whether a role or an output was found."""
        return bool(self.role or self.kind)


def read_text(text: str) -> Reading:
    """What a text says.

    >>> reading = read_text("take2_sub_L")
    >>> reading.role, reading.kind, reading.output, reading.take
    ('feed', 'sub', 'sub L', '2')
    >>> reading = read_text("01 Kick In")
    >>> reading.role, reading.place, reading.family
    ('input', 'Kick In', 'kick')
    """
    words, take = _without_take(words_of(text))
    words = _without_leading_numbers(words)
    phrase = _phrase(words)
    rest = [word for place, word in enumerate(words) if place not in phrase]
    named = [words[place] for place in phrase]
    kind = next((word.first("kind") for word in named if word.means("kind")), "")
    if kind and _is_instrument_with_kind(kind, rest):
        rest, named, kind = list(words), [], ""
    found = _role(kind, named, rest)
    return replace(
        found,
        kind=kind,
        output=joined_text(named),
        output_key=_output_key(kind, named),
        place=_place(found.role, rest),
        zone=_zone(rest),
        family=_family(rest) if found.role == "input" else "",
        take=take,
        is_handheld=any(word.means("role:handheld") for word in rest),
        is_stereo=any(word.means("stereo") for word in words),
        kind_words=tuple(word.text for word in named if word.means("kind")),
    )


def base_key(key: OutputKey) -> OutputKey:
    """What outputs of one group share: their key without sides and, of mains and subs, without numbers."""
    drops_numbers = key[:1] in (("main",), ("sub",))
    return tuple(part for part in key if part not in ("left", "right") and not (drops_numbers and part.isdecimal()))


def _without_take(words: Sequence[Word]) -> tuple[list[Word], str]:
    """The words without `take 2` and the like, and its number."""
    for place, word in enumerate(words[:-1]):
        if word.means("take") and words[place + 1].means("number"):
            return [*words[:place], *words[place + 2 :]], words[place + 1].plain.lstrip("0") or "0"
    return list(words), ""


def _without_leading_numbers(words: list[Word]) -> list[Word]:
    """The words without the number of the track, a date or a counter; numbers alone stay."""
    first = next((place for place, word in enumerate(words) if not word.means("number")), 0)
    return [word for word in words[first:] if not (word.means("number") and len(word.plain) > _LONGEST_NUMBER)]


def _phrase(words: Sequence[Word]) -> list[int]:
    """Places of the words that name an output, in a row round the first word for a kind of output."""
    centre = next((place for place, word in enumerate(words) if word.means("kind")), None)
    if centre is None:
        return []
    kind = words[centre].first("kind")
    end = centre + 1
    while end < len(words) and _belongs_behind(words[end], kind):
        end += 1
    start = centre
    while start and _belongs_before(words[start - 1], kind):
        start -= 1
    return list(range(start, end))


def _belongs_behind(word: Word, kind: str) -> bool:
    """Whether a word behind an output's belongs to its name."""
    if word.means("take", "filler") or (word.means("role") and not word.means(f"kind:{kind}")):
        return False
    is_centre = kind in ("main", "sub") and word.plain in _CENTRES
    is_musician = kind == "monitor" and word.means("instrument")
    return word.means(f"kind:{kind}", "side", "number") or is_centre or is_musician


def _belongs_before(word: Word, kind: str) -> bool:
    """Whether a word before an output's belongs to its name."""
    is_musician = kind == "monitor" and word.means("instrument")
    return word.means(f"kind:{kind}", f"before:{kind}", "side") or is_musician


def _is_instrument_with_kind(kind: str, rest: Iterable[Word]) -> bool:
    """Whether the word for an output belongs to an instrument, as in `kick sub` or `main vocal`."""
    words = list(rest)
    is_feed = any(word.means("role:feed", "role:signal") for word in words)
    return kind != "monitor" and not is_feed and any(word.means("instrument") for word in words)


def _role(kind: str, named: Sequence[Word], rest: Sequence[Word]) -> Reading:
    """Role, how sure, and the words it was read from."""

    def telling(*meanings: str) -> tuple[str, ...]:
        return tuple(word.text for word in rest if word.means(*meanings))

    feed, mic, instrument = telling("role:feed"), telling("role:mic"), telling("instrument")
    zone, signal, stage_input = telling("zone", "role:handheld"), telling("role:signal"), telling("role:input")
    output = tuple(word.text for word in named if word.means("kind"))
    if instrument and not kind and not (mic and zone):
        return Reading("input", bool(stage_input), words=instrument)
    if feed and mic:
        return Reading("both", True, words=(*feed, *mic))
    if feed or mic:
        return Reading("feed", True, words=feed) if feed else Reading("mic", True, words=(*mic, *zone))
    if kind:
        return Reading("mic", words=(*output, *zone)) if zone else Reading("feed", bool(signal), words=output)
    if stage_input:
        return Reading("input", True, words=stage_input)
    if zone:
        return Reading("mic", words=zone)
    return Reading("feed", words=signal) if signal else Reading()


def _output_key(kind: str, named: Sequence[Word]) -> OutputKey:
    """Kind and what else tells an output from others; plurals, sides in any language and full names are one."""
    parts = [kind] if kind else []
    for word in named:
        if word.means(f"kind:{kind}"):
            if kind in ("fill", "monitor"):  # a front fill is not an in fill, though `fill` may mean either
                parts.append(word.plain.removesuffix("s"))
        elif word.means("number"):
            parts.append(word.plain.lstrip("0") or "0")
        else:
            parts.append(word.first("side") or word.plain)
    return tuple(parts)


def _zone(rest: Sequence[Word]) -> str:
    """Where a microphone stands, by its words; `stage` wins, for `stage centre` has both."""
    zones = {word.first("zone") for word in rest if word.means("zone")}
    return "stage" if "stage" in zones else "".join(zones)


def _place(role: str, rest: Sequence[Word]) -> str:
    """What is left of a text to name what the track is of."""
    kept = [word for word in rest if not word.means("filler", "stereo")]
    own = [word for word in kept if not word.means("role:input" if role == "input" else "role")]
    if all(word.means("number") for word in own):
        return _numbered(kept, own)
    return joined_text(own)


def _numbered(kept: Sequence[Word], numbers: Sequence[Word]) -> str:
    """`mic 1`, `Matrix 2`: a name for what has no more than its role and perhaps a number."""
    role = [word.text for word in kept if word.means("role:handheld")] or [
        word.text for word in kept if word.means("role") and numbers
    ]
    return " ".join([*role[:1], *(word.text for word in numbers)])


def _family(rest: Sequence[Word]) -> str:
    """What the microphones of one instrument share: the instrument and every word that is no variant of it.

    >>> read_text("Gtr 1 DI").family, read_text("guitar 1 mic").family, read_text("Snare Top").family
    ('guitar 1', 'guitar 1', 'snare')
    """
    instruments = [word.first("instrument") for word in rest if word.means("instrument")]
    others = [
        word.plain.lstrip("0") or "0"
        for word in rest
        if not word.means("instrument", "variant", "side", "filler", "stereo", "role")
    ]
    return " ".join([*instruments[:1], *others])
