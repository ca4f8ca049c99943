"""What the trade calls what the guide tells under other headings: common practice, no source."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

#: A heading of the guide, or a word that it tells of, and the words by which it is looked for.
LOOKED_FOR_BY = {
    "signs and units": "wiring, sign, signs, units, setting, settings, delay",
    "output wired inverted": "wiring, invert, inverted, reverse, reversed, wrong polarity, cable",
    "microphone chain inverted": "invert, inverted, reverse, reversed",
    "later_ms": "later, late, haas, haas effect, precedence, precedence effect, fill, fills, front fill, tower, "
    "towers, delay tower, delays",
    "align_at": "fill, fills, front fill, tower, towers, delay tower, delays",
    "aligned arrivals are not the goal": "time alignment, time align, align, alignment, aligned, delay, haas, "
    "haas effect, precedence, precedence effect",
    "what adds and what cancels": "cancel, cancels, cancelled, cancellation, comb, combs, comb filter, combing, phase, "
    "in phase, out of phase, sum, summation",
    "why a sub can be right either way": "sub, subs, subwoofer, subwoofers, crossover, crossovers, all-pass, allpass, "
    "all pass, slope, slopes, phase",
    "an inverted monitor is a bargain that a fader undoes": "wedge, wedges, monitor, monitors, side fill, foldback",
    "microphones exchanged": "swap, swaps, swapped, swapped microphones, exchange, exchanged, mixed up, mix up, mixup, "
    "interchanged, crossed, swapped mics, microphones swapped, mics swapped",
    "name contradicted": "swap, swaps, swapped, exchange, exchanged, mixed up, left, right, left and right, row, rows, "
    "swapped microphones, swapped mics, microphones swapped, mics swapped",
    "channels exchanged": "swap, swaps, swapped, exchange, exchanged, mixed up, mix up, mixup, interchanged, crossed, "
    "swapped channels, channels swapped",
    "arrives before it was sent": "swap, swaps, swapped, mixed up, swapped tracks, swapped feed",
    "seats alike": "swapped microphones, swapped mics, microphones swapped, mics swapped",
    "latency_ms": "latency",
    "distance contradicted": "latency, distance, distances, tape, distance_m",
    "automatic gain": "gain, agc, compressor",
    "limiter working": "limiter, compressor",
    "level moved": "gain, fader, level",
    "how loud, and why not louder": "gain, level, loud, spl, headroom",
    "what to play": "flip, flipped, sweep, sweeps, noise, pink noise, music, signal",
    "flip as predicted": "flip, flipped",
    "flip not as predicted": "flip, flipped",
    "what to note down": "temperature, weather",
    "temperature_c": "temperature",
    "mains hum": "hum, buzz, ground, ground noise, ground loop, earth loop, earth",
    "little level over the noise": "noise, signal to noise",
    "clipping": "clip, clipped, distortion, overload, overs",
    "where to stand the microphones": "microphone, microphones, mic, mics, seat, seats",
    "how long": "short, short take, short takes, length of a take, duration, seconds",
    "likeliest so far": "likeliest, likely, candidate, best guess",
    "warmer air": "air, warm, warmer, colder, weather, heat",
    "on which recorder": "recorder, clock, sync, synchronisation, virtual sound check",
}


def headings_for(word: str) -> tuple[str, ...]:
    """The headings, or words of the guide, that a word of the trade is looked for by, the first the nearest."""
    return _headings().get(word, ())


@cache
def _headings() -> Mapping[str, tuple[str, ...]]:
    table: dict[str, tuple[str, ...]] = {}
    for heading, words in LOOKED_FOR_BY.items():
        for word in words.split(", "):
            table[word] = (*table.get(word, ()), heading)
    return table
