"""Takes that by their name had a polarity flipped, and that are described as all the others are.

`settings` of a capture says what was in force, not what was done: an inverted output that was flipped is normal there.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from analyze.description_lines import key_text, shown
from analyze.description_words import words_of
from analyze.findings import Finding

if TYPE_CHECKING:
    from analyze.description import Capture, SoundCheck

#: Words for a take in which something was turned over; `inverted` is what an output may be all evening.
_FLIPPED = frozenset({"flip", "flips", "flipped", "flipping", "reversed"})


def flips_not_described(check: SoundCheck) -> tuple[Finding, ...]:
    """Takes with a flip in their name in which nothing stands otherwise than in every other take."""
    return tuple(
        _finding(capture, named[0] if named else "")
        for capture in check.captures
        if capture.playing and _plain_words(capture.name) & _FLIPPED
        for named in (_named(check, capture),)
        if not any(_is_turned(check, name) for name in named or capture.playing)
    )


def _plain_words(text: str) -> set[str]:
    return {word.plain for word in words_of(text)}


def _named(check: SoundCheck, capture: Capture) -> tuple[str, ...]:
    """The outputs of a take that its name speaks of, by their own name, group or kind."""
    said = _plain_words(capture.name)
    outputs = [check.outputs[name] for name in capture.playing if name in check.outputs]
    for key in ("name", "group", "kind"):
        words = {one.name: _plain_words(getattr(one, key)) for one in outputs}
        named = tuple(name for name, own in words.items() if own and own <= said)
        if named:
            return named
    return ()


def _is_turned(check: SoundCheck, output: str) -> bool:
    """Whether an output has one polarity in one take and the other in another, or in [outputs]."""
    signs = {one.settings[output].sign for one in check.captures if output in one.settings}
    return len(signs | {check.outputs[output].setting.sign}) > 1


def _finding(capture: Capture, output: str) -> Finding:
    """What to write instead; `output` is empty where the take's name has none, and any serves to show how."""
    shows = output or capture.playing[0]
    now, then = ("inverted", "normal") if capture.settings[shows].sign < 0 else ("normal", "inverted")
    is_so = f"{shown(output)} is {now} in it as in every other take" if output else "nothing in it is described so"
    detail = (
        f"By its name {shown(capture.name)} had a polarity flipped, and {is_so}. For what was flipped write, as of "
        f'{shown(shows)}, settings = {{ {key_text((shows,))} = {{ polarity = "{then}" }} }} there; if nothing was, '
        "give the take another name."
    )
    return Finding("flip not described", "warning", detail, capture.name, output)
