"""Settings in words: delays as they are typed, how far sound goes in them, and what changes."""

from __future__ import annotations

import math

from analyze.description_units import METRES_PER_FOOT
from analyze.reports.summaries import number

#: Decimals of a delay: at least two, at most as many as a device may take.
MIN_DECIMALS, MAX_DECIMALS = 2, 4


def delay_texts(*delays_ms: float) -> list[str]:
    """Delays with equal decimals, two to four: as many as one of them needs.

    >>> delay_texts(0.0, 12.5), delay_texts(1.0, 2.0833)
    (['0.00', '12.50'], ['1.0000', '2.0833'])
    """
    known = [f"{d:.{MAX_DECIMALS}f}".rstrip("0").partition(".")[2] for d in delays_ms if math.isfinite(d)]
    decimals = max(MIN_DECIMALS, *(len(digits) for digits in known), 0)
    return [number(d, decimals) for d in delays_ms]


def change_texts(delays_ms: tuple[float, float], polarities: tuple[str, str]) -> list[str]:
    """What of a setting changes from the first to the second: its delay, its polarity, both, or nothing.

    >>> change_texts((13.52, 6.32), ("normal", "normal")), change_texts((0.0, 1.0), ("normal", "inverted"))
    (['13.52 → 6.32 ms'], ['0.00 → 1.00 ms', 'normal → inverted'])
    """
    now, then = delay_texts(*delays_ms)
    texts = [f"{now} → {then} ms"] if now != then else []
    return texts if polarities[0] == polarities[1] else [*texts, " → ".join(polarities)]


def length_text(delay_ms: float, speed_m_s: float) -> str:
    """How far sound goes in a delay, to a tenth of a metre and half a foot (below one a tenth); empty where not known.

    >>> length_text(10.0, 343.2), length_text(14.0, 343.2)
    ('3.4 m, 11.5 ft', '4.8 m, 16 ft')
    >>> length_text(0.21, 343.2), length_text(0.27, 343.2), length_text(0.9, 343.2)
    ('0.1 m, 0.2 ft', '0.1 m, 0.3 ft', '0.3 m, 1 ft')
    """
    if not math.isfinite(delay_ms):
        return ""
    metres = delay_ms / 1000.0 * speed_m_s
    feet = metres / METRES_PER_FOOT
    feet = round(2.0 * feet) / 2.0 if feet >= 0.9 else feet
    return f"{number(metres)} m, {number(feet).removesuffix('.0')} ft"


def change_text(change_ms: float, speed_m_s: float) -> str:
    """A change of delay in words and as how far sound goes in it, if that is anything; empty where there is none.

    >>> change_text(-10.0, 343.2), change_text(0.06, 343.2), change_text(0.0, 343.2)
    ('10.00 ms earlier = 3.4 m, 11.5 ft', '0.06 ms later', '')
    """
    if not math.isfinite(change_ms) or not round(change_ms, MAX_DECIMALS):
        return ""
    text = f"{delay_texts(abs(change_ms))[0]} ms {'later' if change_ms > 0 else 'earlier'}"
    length = length_text(abs(change_ms), speed_m_s)
    return text if length.startswith("0.0 m") else f"{text} = {length}"
