"""Every column of the tables of a comparison, declared once, as `reports/columns.py` does for reports."""

from __future__ import annotations

from analyze.archive.comparison_rows import POSITION_VERDICTS, SIGN_CHANGES, VERDICTS
from analyze.reports.columns import DECIMALS, KINDS, PROBABILITY_DECIMALS, UNIT_SYMBOLS, YES_NO, ZONES, Column, Table


def declared(name: str, meaning: str, *, words: tuple[str, ...] = (), is_text: bool = False) -> Column:
    """A column whose kind shows in its name: a number where the name ends in a unit, else text or a count.

    Names that end in `confidence` or `likeness` are between 0 and 1; `date` is a day.
    """
    ending = name.rpartition("_")[2]
    if ending in DECIMALS and not is_text:
        return Column(name, "number", meaning, unit=UNIT_SYMBOLS[ending], decimals=DECIMALS[ending])
    if ending in ("confidence", "likeness"):
        return Column(name, "number", meaning, decimals=PROBABILITY_DECIMALS, is_probability=True)
    return Column(name, "date" if name == "date" else "string", meaning, words=words)


def counted(name: str, meaning: str) -> Column:
    """A column of whole numbers."""
    return Column(name, "integer", meaning)


_OUTPUT = declared("output", "name of the output at the newer visit; at the older one where it is gone")
_POSITION = declared(
    "position", "name of the microphone position at the newer visit; at the older one where it is gone"
)
_ZONE = declared("zone", "where the position is", words=ZONES)
_REASON = declared("reason", "what was found, in sentences")
_BEYOND = declared("beyond_noise", "whether the change is beyond its error, tolerances aside", words=YES_NO)

OUTPUTS = Table(
    "outputs",
    "Outputs",
    "One row per output: what became of it, newer minus older, settings, air and what is common to all taken out.",
    (
        _OUTPUT,
        declared("kind", "what the output is", words=KINDS),
        declared("verdict", "what became of it; the gravest of several", words=VERDICTS),
        declared("confidence", "probability that the verdict is right"),
        declared("arrival_change_ms", "its own change of arrival, mean over positions; positive is later"),
        declared("arrival_change_std_ms", "standard error of that mean"),
        declared("arrival_spread_ms", "spread of the change between positions, where the box stands elsewhere"),
        declared("polarity", "whether it turned over", words=SIGN_CHANGES),
        declared("polarity_confidence", "probability that this is right"),
        declared("level_change_db", "its own change of level, mean over positions; positive is louder"),
        declared("level_change_std_db", "standard error of that mean"),
        declared("response_change_db", "change in the band that changed most, level taken out, mean over positions"),
        declared("response_change_std_db", "standard error of that mean"),
        declared("response_change_hz", "nominal mid-band frequency of that band (IEC 61260-1)"),
        declared("setting_change_ms", "change of the delay setting as described; taken out of the arrival"),
        declared("setting_polarity_change", "whether the polarity setting was changed; taken out", words=YES_NO),
        counted("positions", "positions at which it was heard at both visits"),
        _REASON,
    ),
    "outputs",
    ("output",),
)

POSITIONS = Table(
    "positions",
    "Positions",
    "One row per microphone position: what is common to all outputs heard there and to no other position.",
    (
        _POSITION,
        _ZONE,
        declared("verdict", "what became of the microphone; the gravest of several", words=POSITION_VERDICTS),
        declared("arrival_change_ms", "common change of arrival; positive is later"),
        declared("arrival_change_std_ms", "standard error of that"),
        declared("arrival_spread_ms", "spread of the change between outputs"),
        declared(
            "distance_m",
            "how far the microphone stands at least from where it stood; empty where nothing shows that it does",
        ),
        declared("polarity", "whether its chain turned over", words=SIGN_CHANGES),
        declared("level_change_db", "common change of level; positive is louder"),
        declared("level_change_std_db", "standard error of that"),
        counted("outputs", "outputs that were heard here at both visits"),
        _REASON,
    ),
    "positions",
    ("position",),
)

CHANGES = Table(
    "changes",
    "Changes",
    "One row per output and position: arrival, polarity and level, newer minus older. The change of arrival is the "
    "setting's, the air's, what is common to rig or position, and the output's own, in sum.",
    (
        _OUTPUT,
        _POSITION,
        _ZONE,
        declared("older_arrival_ms", "arrival at the older visit, its setting included"),
        declared("newer_arrival_ms", "arrival at the newer visit, its setting included"),
        declared(
            "arrival_change_ms",
            "change of arrival, measured response against response: for subs far finer than the difference of the two",
        ),
        declared("arrival_change_std_ms", "standard error of that change"),
        declared("setting_change_ms", "what the change of the delay setting makes of it, as described"),
        declared("flight_ms", "time in the air at the older visit: arrival less setting and latency, known or guessed"),
        declared("air_ms", "what the change of the speed of sound makes of it"),
        declared("common_ms", "what is put down to the microphone here, or to the whole rig"),
        declared("own_ms", "what is left for this output"),
        declared("own_std_ms", "standard error of that, how well microphones were put back included"),
        declared("beyond_noise", "whether what is left is beyond three standard errors", words=YES_NO),
        declared("polarity", "whether the response turned over, settings taken out", words=SIGN_CHANGES),
        declared("polarity_confidence", "probability that this is right, from this position alone"),
        declared("level_change_db", "change of level, middle of the bands to 5 kHz"),
        declared("level_change_std_db", "standard error of that"),
        declared("likeness", "correlation of the two responses, close to the direct sound"),
    ),
    "changes",
    ("output", "position"),
)

COMPARISON = Table(
    "comparison",
    "Bands",
    "One row per output, position and third octave: what is left of the response's change when level, delay, polarity "
    "and air are taken out.",
    (
        _OUTPUT,
        _POSITION,
        _ZONE,
        declared("band_hz", "nominal mid-band frequency (IEC 61260-1)"),
        declared("band_low_hz", "exact lower edge of the band (IEC 61260-1, base ten)"),
        declared("band_high_hz", "exact upper edge of the band (IEC 61260-1, base ten)"),
        declared("level_change_db", "change of level re the change over all bands"),
        declared("level_change_std_db", "standard error of that"),
        declared("phase_change_deg", "change of phase; positive when ahead"),
        declared("phase_change_std_deg", "standard error of that"),
        _BEYOND,
    ),
    "comparison",
    ("output", "position", "band_hz"),
)

#: All tables of a comparison, the answer first.
TABLES = (OUTPUTS, POSITIONS, CHANGES, COMPARISON)
