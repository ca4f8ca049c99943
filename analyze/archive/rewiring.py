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
class Mended:
    """A wire that was inverted and is normal now, by the wiring of two reports, and how sure that is."""

    confidence: float
    outcome = "wire mended"

    @property
    def words(self) -> str:
        """That it was mended, without saying of which output."""
        return (
            f"It was wired inverted before and reads normal now, its setting taken as described: its wire was likely "
            f"mended ({percent(self.confidence)})."
        )


@dataclass(frozen=True)
class TurnedOver:
    """A wire that was normal and is inverted now, by the wiring of two reports, and how sure that is."""

    confidence: float
    outcome = "wire inverted"

    @property
    def words(self) -> str:
        """That it turned over, without saying of which output."""
        return (
            f"It was wired normal before and reads inverted now, its setting taken as described: its wire likely "
            f"turned over ({percent(self.confidence)})."
        )


def mended(older: ReportRead, newer: ReportRead, output: str, turned: float) -> Mended | None:
    """Whether the wiring of both reports explains that an output turned over, by its wire having been mended.

    Parameters
    ----------
    turned : probability that it turned over, settings as described out of it
    """
    sure = _sureness(older, newer, output, ("inverted", "normal"))
    return None if sure is None else Mended(turned * sure)


def turned_over(older: ReportRead, newer: ReportRead, output: str, turned: float) -> TurnedOver | None:
    """The same of a wire that was right and is wrong now."""
    sure = _sureness(older, newer, output, ("normal", "inverted"))
    return None if sure is None else TurnedOver(turned * sure)


def _sureness(older: ReportRead, newer: ReportRead, output: str, wired: tuple[str, str]) -> float | None:
    """Probability that a wire went from one polarity to the other, given that its output turned over."""
    then, now = (report.wiring.get(output, {}) for report in (older, newer))
    if (then.get("polarity"), now.get("polarity")) != wired:
        return None
    for_it = float(then["confidence"]) * float(now["confidence"])
    either = for_it + (1.0 - float(then["confidence"])) * (1.0 - float(now["confidence"]))
    if not either > 0.0:  # not the confidences of two signs that were found
        return None
    return for_it / either * _AS_DESCRIBED
