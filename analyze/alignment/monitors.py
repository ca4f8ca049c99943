"""The monitor question: does a monitor's polarity help or hurt the low end on stage?

Monitors are judged last, mains and subs fixed, at the stage positions, in their own cells, and usually for their
polarity alone. In doubt the setting stays. Turning a monitor over on purpose to thin out the low end on stage is
shown with its price, and never recommended: a fader move undoes it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from analyze.acoustics import db_to_amplitude, energy_db
from analyze.alignment.confidence import MODEL_DB, MOST, RIGHT_DB, above
from analyze.alignment.context import Context
from analyze.alignment.decision import DECIDED, Decision, nothing_heard, setting_words
from analyze.alignment.device import allowed, rounded
from analyze.alignment.mains_subs import Group
from analyze.alignment.rows import MonitorTrick
from analyze.alignment.score import UNCHANGED, Change, cell_energy, efficiency_db, mean_score
from analyze.alignment.search import search

#: A monitor is turned over only for more than this.
_WORTHWHILE_DB = 0.3
_SIGMAS = 2.0
#: The fader move against which the trick is shown.
_FADER_DB = 3.0


def decide_monitor(context: Context, group: Group, fixed: Mapping[str, Change]) -> Decision:
    """Decision on one group of monitors, every other output changed as in `fixed`."""
    members = context.members(group)
    if all(o.adjust == "none" for o in members):
        return Decision(group, UNCHANGED, "keep", MOST, MOST, reason="Not to be adjusted, as described.")
    heard = context.heard(group)
    if not heard:
        return nothing_heard(group, f"Not measured: record {group[0]} alone with microphones on stage.")
    mask = context.stage.own(heard)
    if not mask.any():
        reason = "Meets no other output in the low bands on stage: its polarity does not matter there."
        return Decision(group, UNCHANGED, "keep", MOST, MOST, reason=reason)
    landscape = context.landscape([group], fixed, context.stage)
    replicates = [context.landscape([group], fixed, context.stage, r) for r in range(len(context.replicates))]
    mover = allowed(members)
    candidate = rounded(members, search(landscape, [mover]).state[0])
    gain = landscape.score([candidate], mask) - landscape.score([UNCHANGED], mask)
    std = float(np.std([r.score([candidate], mask) - r.score([UNCHANGED], mask) for r in replicates]))
    if candidate == UNCHANGED or not gain > max(_WORTHWHILE_DB, _SIGMAS * math.hypot(std, MODEL_DB)):
        return _keep(group, landscape.score([UNCHANGED], mask), landscape.score([(-1.0, 0.0)], mask), std)
    confidence = above(gain + RIGHT_DB, std)
    polarity = above(gain, std)
    if min(confidence, polarity) < DECIDED:
        reason = f"In doubt: {gain:.1f} dB on stage either way. Leave it, or record it again louder."
        return Decision(
            group, candidate, "undecided", confidence, polarity, gain, f"candidate {setting_words(members, candidate)}", reason
        )
    reason = f"{'Turned over' if candidate[0] < 0 else 'Moved'} it adds {gain:.1f} dB to the low end on stage."
    return Decision(group, candidate, "change", confidence, polarity, gain, f"leaving it costs {gain:.1f} dB", reason)


def _keep(group: Group, as_is: float, turned: float, std: float) -> Decision:
    """Left as it is, with what the other polarity would do on stage."""
    cost = as_is - turned
    confidence = above(RIGHT_DB + cost, std)
    if cost > 0.05:
        reason = f"Leave it: the other polarity would cost {cost:.1f} dB of low end on stage."
    else:
        reason = f"Leave it: the other polarity would add only {-cost:.1f} dB on stage, which is in doubt."
    return Decision(group, UNCHANGED, "keep", confidence, above(cost, std), cost, "", reason)


def monitor_trick(context: Context, group: Group, fixed: Mapping[str, Change]) -> MonitorTrick | None:
    """What turning this monitor over would take from the low end on stage, and what a +3 dB fader move leaves of it."""
    heard = context.heard(group)
    if not heard or not len(context.stage) or not context.stage.own(heard).any():
        return None
    mask = context.stage.own(heard)
    h = context.changed(fixed)
    turned, louder, both = h.copy(), h.copy(), h.copy()
    fader = float(db_to_amplitude(_FADER_DB))
    turned[heard] *= -1.0
    louder[heard] *= fader
    both[heard] *= -fader

    def level(x: np.ndarray) -> np.ndarray:
        return energy_db(np.maximum(cell_energy(np.abs(x.sum(axis=0)) ** 2, context.stage), 1e-30))

    thinner = float(mean_score(level(turned) - level(h), context.stage, mask))
    after = float(mean_score(level(both) - level(louder), context.stage, mask))
    audience = math.nan
    if len(context.audience):
        change = efficiency_db(turned, context.audience) - efficiency_db(h, context.audience)
        audience = float(mean_score(change, context.audience))
    return MonitorTrick(group[0], thinner, after, audience)
