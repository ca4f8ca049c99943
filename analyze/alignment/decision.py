"""The decision on one group of outputs, and the words that go with it."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from analyze.alignment.device import setting_after
from analyze.alignment.grounds import Grounds
from analyze.alignment.score import UNCHANGED, Change
from analyze.description import Output

#: Under this probability nothing is recommended.
DECIDED = 0.8
#: Settings that differ by no more than this are equally good.
EQUAL_DB = 0.05
#: What `setting_words` writes.
_SETTING = re.compile(r"(normal|inverted), (-?\d+\.\d\d) ms")


def _no_grounds() -> None:
    """What a decision stands on that nothing was measured for."""


@dataclass(frozen=True)
class Decision:
    """What is recommended for a group and why.

    candidate : the best change found; decision : keep | change | undecided | reference
    confidence, polarity_confidence : probabilities; cost_if_wrong_db : of the other polarity at its own best delay
    turned : members set to the other polarity by themselves, until their wiring is mended
    grounds : what the confidence was made of, worked out when asked for; None where nothing was measured for it
    """

    members: tuple[str, ...]
    candidate: Change
    decision: str
    confidence: float
    polarity_confidence: float
    cost_if_wrong_db: float = math.nan
    alternative: str = ""
    reason: str = ""
    notes: tuple[str, ...] = field(default=())
    turned: tuple[str, ...] = ()
    grounds: Callable[[], Grounds | None] = field(default=_no_grounds, compare=False, repr=False)

    @property
    def change(self) -> Change:
        """What is typed in: the candidate, or nothing where undecided."""
        return self.candidate if self.decision == "change" else UNCHANGED


def setting_words(members: Sequence[Output], change: Change) -> str:
    """`inverted, 7.25 ms`: the setting of the group's first output after a change."""
    polarity, delay_ms = setting_after(members[0], change)
    return f"{polarity}, {delay_ms:.2f} ms"


def said_of(words: str, first: Output, output: Output) -> str:
    """Words on settings of a group's first output as words on another member's, which may be set differently.

    >>> from analyze.description import Setting
    >>> twin = Output("b", "sub", setting=Setting(3.0, "inverted"))
    >>> said_of("inverted, 12.50 ms costs 0.1 dB", Output("a", "sub", setting=Setting(2.0)), twin)
    'normal, 13.50 ms costs 0.1 dB'
    """
    if output.setting == first.setting:
        return words

    def of_member(found: re.Match[str]) -> str:
        turned = 1.0 if found[1] == first.setting.polarity else -1.0
        return setting_words([output], (turned, float(found[2]) - first.setting.delay_ms))

    return _SETTING.sub(of_member, words)


def change_words(change: Change) -> str:
    """`2.10 ms later and the other polarity`: a change in words, empty for none."""
    sign, delay_ms = change
    words = []
    if abs(delay_ms) > 0.0:
        words.append(f"{abs(delay_ms):.2f} ms {'later' if delay_ms > 0 else 'earlier'}")
    if sign < 0:
        words.append("to the other polarity")
    return " and ".join(words)


def disagreement_words(outputs: Sequence[str]) -> str:
    """Why an output is undecided of which two captures disagree, and the mend."""
    names = ", ".join(outputs)
    return f"Two captures of {names} disagree: find out what was changed in between, then record {names} again."


def undecided(members: Sequence[str], reason: str) -> Decision:
    """Undecided without a candidate; `reason` says why and which capture would settle it."""
    return Decision(tuple(members), UNCHANGED, "undecided", math.nan, math.nan, reason=reason)


def faint_words(name: str) -> str:
    """Why an output that no seat hears over the noise is undecided, and the mend."""
    return (
        f"{name} does not stand out from the noise in the low bands at any seat: record it alone, louder or longer, "
        "with noise or a sweep."
    )


def hidden_words(name: str, reference: str) -> str:
    """Why nothing is decided of an output that may meet others where noise or likeness hides it, and the mend."""
    return (
        f"How {name} meets other outputs in the low bands is hidden, by noise or by outputs that play alike: record "
        f"{name} and {reference} each alone, with noise or a sweep."
    )


def either_words(cost_db: float) -> str:
    """What to add where the other polarity, at a delay of its own, costs nothing: crossovers of odd order are so."""
    return " Either polarity adds equally, each at its own best delay." if abs(cost_db) <= EQUAL_DB else ""
