"""Every column of the tables of a history, declared once."""

from __future__ import annotations

from analyze.archive.comparison_rows import SIGN_CHANGES, VERDICTS
from analyze.archive.comparison_tables import counted, declared
from analyze.archive.history_rows import DRIFTS, FORMS, STATES, VENUE_SOURCES, VISIT_VERDICTS
from analyze.reports.columns import DECISIONS, FOUND_SIGNS, KINDS, SIGNS, YES_NO, Column, Table

_PATH = declared("path", "of the record or report, below the folder that was searched")
_VENUE = declared("venue", "where it was, as the newest visit there spells it")
_DATE = declared("date", "day of the sound check, as its description states it")
_TEMPERATURE = Column("temperature_c", "number", "air as described, 20 where nothing was", unit="°C", decimals=2)
_VERSION = declared("program_version", "version of the program that analysed it")

VISITS = Table(
    "visits",
    "Visits",
    "One row per record or report: venue by venue in the order of days, then copies and what was left out.",
    (
        _PATH,
        declared("state", "whether it was read; a copy has the results of another one", words=STATES),
        declared("form", "what it is", words=FORMS),
        declared("title", "of the sound check"),
        _VENUE,
        declared(
            "venue_from", "what that name is from: venue or title in the description, or a folder", words=VENUE_SOURCES
        ),
        _DATE,
        _TEMPERATURE,
        declared("temperature_assumed", "whether no temperature was described", words=YES_NO),
        counted("outputs", "outputs that were heard"),
        counted("positions", "microphone positions at which something was heard"),
        declared("reference", "the output that all else is set against"),
        counted("format", "format number of the report"),
        _VERSION,
        declared("previous", "path of the visit before it at the same venue, against which it was held"),
        declared(
            "verdict",
            "what it was found to be; exchanged: its outputs are as they were, two positions look exchanged",
            words=VISIT_VERDICTS,
        ),
        declared("reason", "what changed, or why it was not read or compared"),
        declared("remarks", "what holds for the whole: air, the rig as one, how far the comparison carries"),
        declared(
            "since_first", "what changed since the first visit to the venue; of the newest of three and more visits"
        ),
    ),
    "visits",
    ("path",),
)

HISTORY = Table(
    "history",
    "Outputs over time",
    "One row per visit and output. Changes are those of a comparison with the visit before: the output's own, with "
    "settings as described, air, microphones and the whole rig taken out. Arrivals and levels hold the settings.",
    (
        _PATH,
        _VENUE,
        _DATE,
        _TEMPERATURE,
        declared("output", "name of the output"),
        declared("kind", "what the output is", words=KINDS),
        declared("verdict", "what became of it since the visit before", words=VERDICTS),
        declared("confidence", "probability that the verdict is right"),
        declared("counted_from", "path of the visit from which its changes are added up"),
        declared("arrival_change_ms", "its own change of arrival since the visit before; positive is later"),
        declared("arrival_change_std_ms", "standard error of that"),
        declared("arrival_since_ms", "the same added up since the visit it is counted from"),
        declared("arrival_since_std_ms", "standard error of that, from those of every step"),
        declared("level_change_db", "its own change of level since the visit before; positive is louder"),
        declared("level_change_std_db", "standard error of that"),
        declared("level_since_db", "the same added up since the visit it is counted from"),
        declared("level_since_std_db", "standard error of that, from those of every step"),
        declared("drift_from", "path of the visit from which a line is laid through its own changes, over days"),
        declared("arrival_drift_ms", "what arrival changed by since then, by the line; empty of less than three days"),
        declared("arrival_drift_std_ms", "standard error of that"),
        declared("arrival_rate_ms", "the same for a year of 365.25 days"),
        declared("arrival_drift_confidence", "probability that the change is beyond the tolerance"),
        declared("level_drift_db", "what level changed by since then, by the line"),
        declared("level_drift_std_db", "standard error of that"),
        declared("level_rate_db", "the same for a year"),
        declared("level_drift_confidence", "probability that the change is beyond the tolerance"),
        declared("drift", "what drifts: beyond the tolerance by 3.5 standard errors and more", words=DRIFTS),
        declared(
            "polarity_change", "whether it turned over since the visit before, settings aside", words=SIGN_CHANGES
        ),
        declared("wiring", "polarity of the chain from feed to air without its setting", words=FOUND_SIGNS),
        declared("wiring_confidence", "probability that this is right"),
        declared("setting_polarity", "polarity setting in force, as described", words=SIGNS),
        declared("polarity", "which way up it plays: wiring times setting", words=FOUND_SIGNS),
        declared("setting_delay_ms", "delay setting in force, as described"),
        declared("recommended_delay_ms", "delay that the report recommends"),
        declared("recommended_polarity", "polarity that the report recommends", words=SIGNS),
        declared("decision", "what the report recommends to do", words=DECISIONS),
        declared("position", "where arrival and level of this row were measured; the same at all visits"),
        declared("arrival_ms", "arrival there, setting included; empty on a recorder's own clock"),
        declared("arrival_std_ms", "standard error of that"),
        declared(
            "same_air_arrival_ms", "the same in air of 20 degrees Celsius; flight is arrival less setting and latency"
        ),
        declared("relative_arrival_ms", "the same minus that of the reference; positive when this output is later"),
        declared("relative_arrival_std_ms", "standard error of that"),
        declared("level_db", "level there, full scale out per full scale in"),
        declared("relative_level_db", "the same minus that of the reference; positive when this output is louder"),
        _VERSION,
        declared("reason", "what was found, in sentences"),
    ),
    "history",
    ("path", "output"),
)

#: All tables of a history, the answer first.
TABLES = (HISTORY, VISITS)
