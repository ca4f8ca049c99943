"""Settings that nobody can hear: those of outputs whose feed is recorded after the setting.

What such a feed and a microphone tell is what lies behind the processor. The setting itself rests on the description.
"""

from __future__ import annotations

from analyze.archive.opening import ReportRead
from analyze.archive.rewiring import Rewired
from analyze.reports.summaries import number

#: Said of every such setting.
UNHEARD = (
    "Its feed is recorded after the setting, which cannot be heard: what is said of it rests on the description, "
    "not on sound."
)


def is_heard_with_setting(report: ReportRead, output: str) -> bool:
    """Whether what is heard of an output holds its setting: its feed is recorded before it."""
    return report.output(output).get("feed_tap") != "after"


def is_change_heard(older: ReportRead, newer: ReportRead, output: str) -> bool:
    """Whether a change of an output's setting is heard: its feed is recorded before it at both visits."""
    return is_heard_with_setting(older, output) and is_heard_with_setting(newer, output)


def unheard_words(older: ReportRead, newer: ReportRead, output: str) -> str:
    """What the descriptions say of a setting that cannot be heard."""
    then, now = (_said(report, output) for report in (older, newer))
    said = f"{now}, as before" if now == then else f"{now}, where it said {then} before"
    return (
        f"{UNHEARD} That says {said}. Look at the processor. The verdict and its confidence are of what lies behind it."
    )


def _said(report: ReportRead, output: str) -> str:
    setting = report.output(output)["setting"]
    return f"{number(float(setting['delay_ms']), 2)} ms, {setting['polarity']}"


def turned_behind_words(wire: Rewired | None, where: str, older: str) -> str:
    """That an output turned over behind its processor; `older` is what the older visit is called."""
    if wire is not None and wire.is_mended:
        why = "it was wired inverted then and reads normal now, as after a wire was mended."
    else:
        why = "look for a turned connector or a cable."
    return f"Behind the processor it plays the other way up than at {older}, at {where}: {why}"
