"""Every column of the tables of verified settings, declared once."""

from __future__ import annotations

from analyze.archive.comparison_tables import counted, declared
from analyze.archive.settings_rows import OUTCOMES, TURNS
from analyze.reports.columns import DECISIONS, FOUND_SIGNS, KINDS, SIGNS, YES_NO, ZONES, Table

_GAINS = (
    declared("predicted_change_db", "what the report before predicted for the recommended settings"),
    declared("predicted_change_std_db", "standard error of that, from its responses"),
    declared("measured_change_db", "sum of all outputs re the sum of their magnitudes, after minus before"),
    declared("measured_change_std_db", "standard error of that, with what the responses of both do not have in common"),
    declared("difference_db", "measured minus predicted"),
    declared("difference_std_db", "standard error of that"),
)
_AS_PREDICTED = declared("as_predicted", "whether the two agree within 0.5 dB and two standard errors", words=YES_NO)

SETTINGS = Table(
    "settings",
    "Settings",
    "One row per output: what was recommended, what the description after says, and what is in force: by measurement, "
    "or as described where the feed is recorded after the setting.",
    (
        declared("output", "name of the output"),
        declared("kind", "what the output is", words=KINDS),
        declared("group", "outputs of a group get one common change; empty without a group"),
        declared("decision", "what was decided before", words=DECISIONS),
        declared("recommended_delay_ms", "delay that was to be typed in"),
        declared("recommended_polarity", "polarity that was to be set", words=SIGNS),
        declared("described_delay_ms", "delay that the description after says is in force"),
        declared("described_polarity", "polarity that the description after says is in force", words=SIGNS),
        declared(
            "in_force_delay_ms",
            "delay that is in force by measurement: the setting before and what it changed by; as described where the "
            "feed is recorded after it",
        ),
        declared("in_force_delay_std_ms", "standard error of that; empty where it is not measured"),
        declared(
            "in_force_polarity",
            "polarity that is in force by measurement; as described where the feed is recorded after it",
            words=FOUND_SIGNS,
        ),
        declared("delay_change_ms", "recommended change of the delay"),
        declared("measured_delay_change_ms", "measured change of the delay"),
        declared("polarity_change", "whether the polarity was to be changed", words=YES_NO),
        declared("measured_polarity_change", "whether it turned over", words=TURNS),
        declared("outcome", "what was done", words=OUTCOMES),
        declared("other", "the output whose change it has, or which has its change"),
        declared("confidence", "probability that the outcome is right; empty where it rests on a description"),
        declared("reason", "what was found and what to do, in sentences"),
    ),
    "settings",
    ("output",),
)

SEATS = Table(
    "seats",
    "Seats",
    "One row per position with cells that were scored: change of the low end, mean over its cells.",
    (
        declared("position", "name of the microphone position"),
        declared("zone", "where the position is", words=ZONES),
        counted("cells", "bands that count"),
        *_GAINS,
        _AS_PREDICTED,
    ),
    "seats",
    ("position",),
)

VERIFICATION = Table(
    "verification",
    "Bands",
    "One row per position and band: change of the sum, predicted and measured.",
    (
        declared("position", "name of the microphone position"),
        declared("zone", "where the position is", words=ZONES),
        declared("band_hz", "nominal mid-band frequency (IEC 61260-1)"),
        *_GAINS,
        declared("cell", "whether this position and band counted in the score", words=YES_NO),
        _AS_PREDICTED,
    ),
    "verification",
    ("position", "band_hz"),
)

#: All tables of verified settings, the answer first.
TABLES = (SETTINGS, SEATS, VERIFICATION)
