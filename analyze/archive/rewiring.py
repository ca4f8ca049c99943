"""Was a wire turned over between two visits? Both reports say how every output is wired, its setting aside.

That aside, a wire that turned over and a setting that is not as described sound the same. What speaks for the wire is
that it was found inverted before, which the report asks to be mended, and reads normal now. Given that the output
turned over, and with the confidences c1 and c2 of the two wirings, it was inverted before, and is not now, by

    c1 c2 / (c1 c2 + (1 - c1) (1 - c2))

and likewise of a wire that read normal before and reads inverted now.
"""

from __future__ import annotations

from dataclasses import dataclass

from analyze.archive.opening import ReportRead
from analyze.reports.summaries import percent

#: Chance that a setting is as described where wirings say that the wire turned over (judgement).
_AS_DESCRIBED = 2.0 / 3.0

OTHER_POLARITY = {"normal": "inverted", "inverted": "normal"}


@dataclass(frozen=True)
class Rewired:
    """A wire that turned over, by the wiring of two reports, and how sure that is.

    is_mended : whether it was inverted and is normal now; else it was normal and is inverted now
    """

    is_mended: bool
    confidence: float

    @property
    def words(self) -> str:
        """That it turned over, without saying of which output."""
        then, now = ("inverted", "normal") if self.is_mended else ("normal", "inverted")
        what = "was likely mended" if self.is_mended else "likely turned over"
        return (
            f"It was wired {then} before and reads {now} now, its setting taken as described: its wire {what} "
            f"({percent(self.confidence)}, for a setting that is not as described would sound the same)."
        )


def rewired(older: ReportRead, newer: ReportRead, output: str, turned: float) -> Rewired | None:
    """Whether the wiring of both reports explains that an output turned over, by its wire.

    Parameters
    ----------
    turned : probability that it turned over, settings as described out of it
    """
    then, now = (report.wiring.get(output, {}) for report in (older, newer))
    wired = then.get("polarity"), now.get("polarity")
    if wired not in (("inverted", "normal"), ("normal", "inverted")):
        return None
    for_it = float(then["confidence"]) * float(now["confidence"])
    either = for_it + (1.0 - float(then["confidence"])) * (1.0 - float(now["confidence"]))
    if not either > 0.0:  # not the confidences of two signs that were found
        return None
    return Rewired(wired[0] == "inverted", turned * for_it / either * _AS_DESCRIBED)


def look_words(shown: str) -> str:
    """What to look at before a wire is believed to have turned over; `shown` is the polarity that is described."""
    return f"Look first whether the processor shows {shown}, as described."


def check_words(shown: str) -> str:
    """What to look for where a wire turned over that was right; `shown` is the polarity that is described."""
    other = OTHER_POLARITY[shown]
    return (
        f"{look_words(shown)} If it does, check cable, connectors and whatever was swapped or repaired since, and mend "
        f"that. If it shows {other}, no wire was touched: set {shown}."
    )
