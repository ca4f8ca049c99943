"""Which outputs can be told apart in a capture in which several sound, and what would settle the rest.

A feed's *own share* in a band is what of its energy it has in common with no other feed (1 - multiple coherence, by
energy over the lines). Feeds that carry the same signal cannot be separated by any arithmetic: what was heard may be
one output's or the other's. An output that sounded without a recorded feed spoils whatever it reaches.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import band_centres_hz, band_edges_hz, nominal_hz
from analyze.description import Output
from analyze.findings import Finding
from analyze.responses.rows import ShareBand
from analyze.responses.transfer import Responses
from analyze.spectra.alike_feeds import FEEDS_ALIKE
from analyze.spectra.cross_spectra import CrossSpectra

#: Bands in which outputs must be told apart: where settings are decided, and where fills and towers show their arrival.
LOW_HZ, HIGH_HZ = (22.4, 355.0), (355.0, 8000.0)
#: Octaves whose shares are told, and the share of a feed's energy that counts as none.
_TOLD_HZ, _NOTHING = (31.0, 4100.0), 1e-6
#: How high a sub reaches that sounds without a feed; any other output reaches everything.
_SUB_REACHES_HZ = 355.0
#: An output of which more than this cannot be told is not decided; an own share under this is said.
_UNTOLD, _SMALL_SHARE = 0.5, 0.3
#: Feeds of which one explains more than this of the other play the same.
_SAME = 0.98


@dataclass(frozen=True)
class Separation:
    """How well one output can be told from the others of a capture in the band that decides on it.

    other : the output whose feed is most like this one's, empty if none sounded; likeness : the share of this feed's
        energy that it explains by itself
    own_share : of the feed's energy; untold : share of the energy where the output cannot be told at all
    unfed : outputs that sounded without a feed and reach this band
    """

    capture: str
    output: str
    other: str
    likeness: float
    own_share: float
    untold: float
    unfed: tuple[str, ...] = ()

    @property
    def is_untold(self) -> bool:
        """Whether most of this output cannot be told from the others."""
        return self.untold > _UNTOLD


def separations(
    cross: CrossSpectra, responses: Responses, outputs: Mapping[str, Output], unfed: Sequence[str]
) -> list[Separation]:
    """The separation of every output of a capture; `responses` are those of `cross`."""
    found = []
    f, p = responses.frequency_hz, _best_told(responses)
    gxx = cross.gxx[p][..., : len(f)]
    for i, name in enumerate(cross.feeds):
        band = HIGH_HZ if outputs[name].kind in ("fill", "tower") else LOW_HZ
        inside = (f >= band[0]) & (f <= band[1])
        power = gxx[i, i, inside].real
        share = responses.share[i, p, inside]
        is_untold = np.abs(responses.h[i, p, inside]) == 0.0
        reaching = tuple(u for u in unfed if outputs[u].kind != "sub" or band is LOW_HZ)
        total = max(float(power.sum()), 1e-300)
        found.append(
            Separation(
                cross.capture,
                name,
                *_most_alike(cross.feeds, gxx[..., inside], i),
                float(power @ share) / total,
                1.0 if reaching else float(power @ is_untold) / total,
                reaching,
            )
        )
    return found


def _best_told(responses: Responses) -> int:
    """The microphone for which most of the outputs was told: feeds are read for each, and a dead one tells nothing."""
    return int(np.argmax(np.nan_to_num(np.abs(responses.h) > 0.0).sum(axis=(0, 2))))


def share_bands(cross: CrossSpectra, responses: Responses) -> list[ShareBand]:
    """The own share of every output of a capture, octave by octave; `responses` are those of `cross`."""
    f, p = responses.frequency_hz, _best_told(responses)
    power = np.einsum("iil->il", cross.gxx[p]).real[:, : len(f)]
    centres = band_centres_hz(1, *_TOLD_HZ)
    rows = []
    for centre, low, high in zip(centres, *band_edges_hz(centres, 1), strict=True):
        inside = (f >= low) & (f < high)
        if high > f[-1]:
            continue
        for i, name in enumerate(cross.feeds):
            total = float(power[i, inside].sum())
            is_played = total > _NOTHING * power[i].sum()
            own = float(power[i, inside] @ responses.share[i, p, inside]) / total if is_played else math.nan
            rows.append(ShareBand(cross.capture, name, nominal_hz(float(centre), 1), own))
    return rows


def _most_alike(feeds: Sequence[str], gxx: NDArray[np.complex128], i: int) -> tuple[str, float]:
    """The feed that explains most of the energy of feed i, and which share of it; gxx is (feed, feed, line)."""
    if len(feeds) == 1:
        return "", 0.0
    power = np.maximum(np.einsum("iil->il", gxx).real, 1e-300)
    common = (np.abs(gxx[i]) ** 2 / power).sum(axis=-1) / power[i].sum()
    common[i] = -1.0
    j = int(np.argmax(common))
    return feeds[j], float(common[j])


def without_reach(responses: Responses, outputs: Mapping[str, Output], unfed: Sequence[str]) -> Responses:
    """The responses without what outputs that sounded without a feed may have spoilt: there nothing is told."""
    if not unfed:
        return responses
    reaches_all = any(outputs[name].kind != "sub" for name in unfed)
    spoilt = responses.frequency_hz <= (np.inf if reaches_all else _SUB_REACHES_HZ)
    h, variance, share, coherence, replicates = (
        getattr(responses, name).copy() for name in ("h", "variance", "share", "coherence", "replicates")
    )
    variance[..., spoilt] += np.abs(h[..., spoilt]) ** 2
    for array in (h, share, coherence):
        array[..., spoilt] = 0.0
    replicates[..., spoilt[: replicates.shape[-1]]] = 0.0
    return replace(responses, h=h, variance=variance, share=share, coherence=coherence, replicates=replicates)


def separation_findings(found: Sequence[Separation], groups: Mapping[str, Sequence[str]]) -> list[Finding]:
    """What of a capture cannot be told apart, or only with effort; `groups` are the outputs of each output's group."""
    findings = []
    told = {s.output for s in found if not s.unfed and not s.is_untold}
    for s in found:
        if s.unfed:
            continue
        same_group = s.other in groups.get(s.output, ())
        if s.is_untold and s.output in told:
            detail = f"{_alike_words(s)}. {s.output} is told in another capture, and what is decided comes from there."
            findings.append(_finding(FEEDS_ALIKE, "note", detail, s, 100.0 * s.own_share))
        elif s.is_untold:
            detail = f"{_alike_words(s)}. {_mend(s)}"
            findings.append(_finding(FEEDS_ALIKE, "warning", detail, s, 100.0 * s.own_share))
        elif s.own_share < _SMALL_SHARE and not same_group:
            detail = (
                f"Only {100.0 * s.own_share:.0f} % of what {s.output} plays is its own, the rest it shares, most with "
                f"{s.other}: a longer take, or {s.output} alone, would tell more."
            )
            findings.append(_finding("feeds partly alike", "note", detail, s, 100.0 * s.own_share))
        elif same_group and s.own_share < _SMALL_SHARE:
            detail = (
                f"{s.output} and {s.other} play nearly the same and are judged together as their group; nothing is "
                f"said of one alone. {_mend(s)}"
            )
            findings.append(_finding("group plays the same", "note", detail, s, 100.0 * s.own_share))
    return [*findings, *_unfed_findings(found)]


def _unfed_findings(found: Sequence[Separation]) -> list[Finding]:
    """One warning per output that sounded without a feed."""
    spoilt: dict[tuple[str, str], list[str]] = {}
    for s in found:
        for name in s.unfed:
            spoilt.setdefault((s.capture, name), []).append(s.output)
    return [
        Finding(
            "sounds without a feed",
            "warning",
            f"{name} sounded and its feed was not recorded: what it reaches of {', '.join(hit)} is not decided from "
            f"this capture. Record its feed too, or mute it.",
            capture,
            name,
        )
        for (capture, name), hit in spoilt.items()
    ]


def _finding(name: str, severity: str, detail: str, s: Separation, percent: float) -> Finding:
    return Finding(
        name, "warning" if severity == "warning" else "note", detail, s.capture, s.output, value=percent, unit="%"
    )


def _alike_words(s: Separation) -> str:
    if s.likeness > _SAME:
        return f"{s.output} and {s.other} play the same in {s.capture!r} and cannot be told apart"
    return (
        f"In {s.capture!r} what {s.output} plays is a mix of what the others play, most of {s.other}, and cannot be "
        "told from them"
    )


def _mend(s: Separation) -> str:
    return f"Record {s.output} alone, or the same stretch once more with its polarity flipped, in the empty hall."


def not_separable(found: Sequence[Separation]) -> dict[str, str]:
    """Outputs that no capture tells from the others, with the sentence that says why and what would settle it."""
    best: dict[str, Separation] = {}
    for s in found:
        if s.output not in best or s.untold < best[s.output].untold:
            best[s.output] = s
    reasons = {}
    for name, s in best.items():
        if not s.is_untold:
            continue
        if s.unfed:
            others = ", ".join(s.unfed)
            reasons[name] = f"{others} sounded in {s.capture!r} without a recorded feed: record {name} alone."
        else:
            reasons[name] = f"{_alike_words(s)}. {_mend(s)}"
    return reasons
