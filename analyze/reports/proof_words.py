"""How to check a setting: what to play, where to stand, what to flip and what to hear, or why there is no check."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyze.reports.naming import shortened
from analyze.reports.selections import BY_ARRIVAL
from analyze.reports.summaries import listed, number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analyze.alignment.rows import Proof, Recommendation
    from analyze.pipeline import Analysis

#: Less than this of one third octave is not told by ear in pink noise, but on an analyser: common practice, no source.
BY_EAR_DB = 6.0

_BY_EAR, _ON_ANALYSER = "Check by ear", "Check on an analyser"
#: A drop that is surer than this is said without what is sure of it.
_HEARD_DOUBT_DB = 0.5
#: No more outputs than this are flipped at once (judgement).
_MOST_FLIPPED = 3
#: What stands instead where there is no check.
NO_CHECK = "No check"

#: How every check is made; said once.
HOW = (
    "Checks, when all is typed: pink noise through everything, at a low level; flip what the line says, listen, flip "
    "back. If it does not drop, something is not set as it stands here."
)

_NAME_LENGTH = 40


def proof_words(analysis: Analysis, row: Recommendation) -> tuple[str, str]:
    """What the check of an output is called, and how to do it: with the first of a group, empty where none is due."""
    from analyze.alignment.proof import LEAST_DB  # brings in numpy

    proof = next((one for one in analysis.proofs if one.outputs[0] == row.output), None)
    if proof is not None:
        flipped, why = _flipped(analysis, proof)
        if not flipped:
            return NO_CHECK, why
        text = " ".join(filter(None, (proof_text(proof, flipped), why, _stands(analysis, row, proof))))
        return _ON_ANALYSER if _needs_analyser(proof) else _BY_EAR, text
    is_due = row.decision in ("change", "keep") and math.isfinite(row.confidence)
    if not is_due or row.output != analysis.sound_check.group_of(row.output)[0]:
        return "", ""
    where = "on stage" if row.kind == "monitor" else "at any seat"
    return NO_CHECK, f"flipped, no band {where} is sure to drop by {LEAST_DB:g} dB: too little to go by."


def _needs_analyser(proof: Proof) -> bool:
    """Whether so little of so narrow a band drops that an ear would not tell."""
    return proof.low_hz == proof.high_hz and proof.sure_drop_db < BY_EAR_DB


def _flipped(analysis: Analysis, proof: Proof) -> tuple[Sequence[str], str]:
    """What is flipped for a check, and why where it is not the outputs themselves; nothing where that cannot be.

    To flip a group and to flip all that play with it is the same to their sum.
    """
    described = analysis.sound_check.outputs
    if all(described[name].can_invert for name in proof.outputs if name in described):
        return proof.outputs, ""
    others = [name for name in described if name not in {*proof.outputs, *proof.silent}]
    has = "has" if len(proof.outputs) == 1 else "have"
    fixed = f"{listed([shortened(name, _NAME_LENGTH) for name in proof.outputs])} {has} no polarity switch"
    if len(others) <= _MOST_FLIPPED and all(described[name].can_invert for name in others):
        return others, f"({fixed}, so it is the others that are flipped.)"
    return (), f"{fixed}, and the others cannot all be flipped at once."


def proof_text(proof: Proof, flipped: Sequence[str] = ()) -> str:
    """What to play, where to stand, what to flip and what to hear; flipped : instead of the outputs themselves."""
    names = [shortened(name, _NAME_LENGTH) for name in flipped or proof.outputs]
    flip = names[0] if len(names) == 1 else f"{listed(names)} together"
    but = f", without {', '.join(shortened(name, _NAME_LENGTH) for name in proof.silent)}" if proof.silent else ""
    low, high = f"{proof.low_hz:g}", f"{proof.high_hz:g}"
    is_one = low == high
    what = f"the third octave at {low} Hz drops" if is_one else f"{low} to {high} Hz together drop"
    drop, sure = number(proof.drop_db, 0), number(math.floor(proof.sure_drop_db), 0)
    at_least = f" ({sure} for sure)" if proof.drop_db - proof.sure_drop_db >= _HEARD_DOUBT_DB else ""
    where = f"“{shortened(proof.position, _NAME_LENGTH)}”"
    how = f"a microphone at {where}" if _needs_analyser(proof) else f"heard at {where}"
    return f"{how[0].upper()}{how[1:]}{but}: flip {flip}, and {what} by {drop} dB{at_least}."


def _stands(analysis: Analysis, row: Recommendation, proof: Proof) -> str:
    """That a check of a fill or tower stands elsewhere than where its delay was chosen."""
    from analyze.reports.lateness import late_after_first  # brings in all that decides

    late = late_after_first(analysis) if row.kind in BY_ARRIVAL else {}
    seats = [seat for seat in analysis.sound_check.positions if (row.output, seat) in late]
    lined_up = [seat for seat in seats if late[row.output, seat].is_aligned]
    if not lined_up or proof.position in lined_up:
        return ""
    names = listed([shortened(seat, _NAME_LENGTH) for seat in lined_up])
    return f"Its delay was chosen for {names}; the drop is clearest at {shortened(proof.position, _NAME_LENGTH)}."
