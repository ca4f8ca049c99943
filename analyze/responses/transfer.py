"""Responses from feed to microphone with coherence and error: what the recordings say about each output.

Conventions: `H = Y / X`; a delay tau > 0 is later, phase `-2 pi f tau`; a sign is a polarity.

Sources: least squares over all feeds, `H = inv(Gxx) Gxy`, its random error and the ordinary coherence from Bendat &
Piersol, Random Data, ch. 6, 7 and 9 (from memory); with one feed it is `H1 = Gxy / Gxx`.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analyze.findings import Finding
from analyze.spectra.cross_spectra import FRAME_S, LOW_HZ, CrossSpectra, line_hz
from analyze.spectra.least_squares import solve

#: Resampled responses kept for the spread of later figures.
N_REPLICATES = 48
#: Captures of one pair that differ by more than this many standard errors do not agree.
DISAGREE_SIGMAS = 3.0
#: The finding that says so.
DISAGREE = "captures disagree"
#: Share of the replicates that follow an older capture which the newest contradicts: the odds that it was right.
OLDER_RIGHT = 0.125
#: A capture with less than this of the own share that another has of an output does not count for it.
_TOLD_SHARE = 0.25
#: A microphone needs this many averages more than there are feeds: with fewer not even the error is known.
_LEAST_SPARE = 1.0
#: Energy of a feed that held nothing but zeros.
_SILENCE = 1e-30

# First of the replicates that follow an older capture.
_FOLLOW_OLDER = round(N_REPLICATES * (1.0 - OLDER_RIGHT))
# Neighbouring lines share their noise (a Hann window leaves 1.5 lines' worth of it in each), and under a sweep the few
# frames that hold a line's sound share theirs by up to 1.4: replicates scatter by that much more.
_LINES_PER_INDEPENDENT = 2.1


@dataclass(frozen=True)
class Responses:
    """Responses of several outputs at several positions; axes output, position, line, and replicate for the low lines.

    capture : name of the capture, empty where several were merged
    outputs, positions : labels of the output and position axes
    frequency_hz : (line,) from 0 up
    h : (output, position, line) complex, NaN where nothing was measured
    variance : (output, position, line) variance of h, `E|dh|^2`
    coherence : (output, position, line) 0..1
    share : (output, position, line) of the feed's energy that is its own and not common with other feeds, 0..1; 0 where
        the output cannot be told from the others: h is 0 there, or its part of what its group does together
    averages : (output, position) effective averages, NaN where nothing was measured
    replicates : (replicate, output, position, line) h of the low lines as it might have come out: resampled over
        groups of frames, with the noise of `variance` added
    """

    capture: str
    outputs: tuple[str, ...]
    positions: tuple[str, ...]
    frequency_hz: NDArray[np.float64]
    h: NDArray[np.complex64]
    variance: NDArray[np.float32]
    coherence: NDArray[np.float32]
    share: NDArray[np.float32]
    averages: NDArray[np.float64]
    replicates: NDArray[np.complex64]

    def __post_init__(self) -> None:
        """Check that the shapes agree and close the arrays."""
        shape = (len(self.outputs), len(self.positions), len(self.frequency_hz))
        for name in ("h", "variance", "coherence", "share"):
            if getattr(self, name).shape != shape:
                raise ValueError(f"{name} has shape {getattr(self, name).shape}, expected {shape}")
        if self.replicates.shape[1:3] != shape[:2]:
            raise ValueError(
                f"replicates has shape {self.replicates.shape}, expected (replicate, output, position, line)"
            )
        for name in ("h", "variance", "coherence", "share", "averages", "replicates"):
            getattr(self, name).flags.writeable = False

    def has(self, output: str, position: str) -> bool:
        """Whether this output was measured at this position."""
        if output not in self.outputs or position not in self.positions:
            return False
        row = self.h[self.outputs.index(output), self.positions.index(position)]
        return bool(np.isfinite(row.real).any())

    def without(self, outputs: Collection[str]) -> Responses:
        """The same with nothing known of some outputs, whose recordings cannot be theirs."""
        gone = [i for i, output in enumerate(self.outputs) if output in outputs]
        parts = {name: getattr(self, name).copy() for name in ("h", "variance", "coherence", "share", "averages")}
        for part in parts.values():
            part[gone] = np.nan
        replicates = self.replicates.copy()
        replicates[:, gone] = np.nan
        return replace(self, **parts, replicates=replicates) if gone else self


@dataclass(frozen=True)
class ImpulseResponse:
    """One output at one position at present settings; time zero is the feed.

    samples : (frame,) float32, full scale out per full scale in
    """

    output: str
    position: str
    sample_rate_hz: int
    samples: NDArray[np.float32]


def responses_of(cross: CrossSpectra, rng: np.random.Generator, groups: Sequence[int] | None = None) -> Responses:
    """Responses of one capture, as its feeds were tapped.

    Parameters
    ----------
    cross : the capture's sums; feeds are named after their outputs
    rng : draws the replicates
    groups : per feed the number of its output's group; all different if not given

    Notes
    -----
    With K frames worth `n` averages and q feeds the noise per frame is `(Gyy - H* Gxy) / K * n / (n - q)`, the variance
    of H that noise times `K / n * inv(Gxx)`. A frame that does not hold a line's sound adds to what is known of the
    noise there, so sweeps and drums need no other estimate than steady noise does. `inv(Gxx)` of feed i is `1 / (Gii (1
    - g2))`, g2 its coherence with all other feeds together. Where that comes near 1 all that is known is that the feed
    gives no more than everything heard: H is 0 with the variance `Gyy / Gii`. Feeds alike within a group share what
    they do together in equal parts. Where a microphone is left with too few frames in which a feed sounds nothing is
    known of any output there.
    """
    frequency_hz = line_hz(cross.gxx.shape[-1])
    gxy, gyy = cross.gxy, cross.gyy
    n = cross.n_effective  # (position,)
    q = len(cross.feeds)
    solved = solve(cross.gxx, gxy, n, groups)
    sounds = solved.power.max(axis=-1, keepdims=True) > _SILENCE  # in the frames of that microphone
    nothing = np.where(_is_measured(cross)[:, None] & sounds, 0.0, np.nan)  # (feed, position, 1)
    explained = np.einsum("ipl,ipl->pl", np.conj(solved.h), gxy).real
    residual = np.clip(gyy - explained, 1e-7 * gyy, None)  # rounding of float32 spectra leaves 1e-7
    share = np.where(solved.share > 0.0, solved.share, solved.apart)
    is_told = share > 0.0
    variance = residual[None] / (solved.power * np.where(is_told, share, 1.0) * np.maximum(n - q, 0.5)[:, None])
    coherence = explained[None] / np.maximum(gyy, 1e-300) if q == 1 else _partial(solved.h, variance, n)
    variance = np.where(is_told, variance, gyy / solved.power)
    phase = np.exp(-2j * np.pi * frequency_hz * cross.shift_s[:, :, None])  # (feed, position, line)
    shape = gxy.shape
    return Responses(
        capture=cross.capture,
        outputs=cross.feeds,
        positions=cross.positions,
        frequency_hz=frequency_hz,
        h=(solved.h * phase + nothing).astype(np.complex64),
        variance=(variance + nothing).astype(np.float32),
        coherence=(np.clip(np.broadcast_to(coherence, shape), 0.0, 1.0) + nothing).astype(np.float32),
        share=solved.share.astype(np.float32),
        averages=np.broadcast_to(n + nothing[..., 0], shape[:2]).copy(),
        replicates=_replicates(cross, variance, rng, groups) + nothing.astype(np.float32),
    )


def _is_measured(cross: CrossSpectra) -> NDArray[np.bool_]:
    """Microphones, (position,), with averages enough to tell the outputs' sound from the rest."""
    return np.asarray(cross.n_effective - len(cross.feeds) >= _LEAST_SPARE)


def _partial(h: NDArray[np.complex128], variance: NDArray[np.float64], n: NDArray[np.float64]) -> NDArray[np.float64]:
    """Partial coherence of each feed from its own error: `g2 / (1 - g2) = |H|^2 / (n var)`; n is (position,)."""
    ratio = np.abs(h) ** 2 / np.maximum(n[:, None] * variance, 1e-300)
    return ratio / (1.0 + ratio)


def _replicates(
    cross: CrossSpectra, variance: NDArray[np.float64], rng: np.random.Generator, groups: Sequence[int] | None
) -> NDArray[np.complex64]:
    """Low lines of H resampled: groups weighted at random (the Bayesian bootstrap, Rubin 1981), plus the noise of H.

    The groups show what changes during a take, the noise what a take too short for the groups cannot show.
    """
    n_group, n_feed, n_position, n_low = cross.low_gxy.shape
    phase = np.exp(-2j * np.pi * line_hz(n_low) * cross.shift_s[:, :, None])
    weights = rng.dirichlet(np.ones(n_group), N_REPLICATES) * n_group if n_group > 1 else np.ones((N_REPLICATES, 1))
    out = np.empty((N_REPLICATES, n_feed, n_position, n_low), dtype=np.complex64)
    sigma = np.sqrt(variance[..., :n_low] * _LINES_PER_INDEPENDENT / 2.0)
    n_line = min(cross.gxx.shape[-1], n_low)
    mixing = solve(cross.gxx[..., :n_line], cross.gxy[..., :n_line], cross.n_effective, groups, with_mixing=True).mixing
    low_gxx, low_gxy = (low.reshape(n_group, -1) for low in (cross.low_gxx, cross.low_gxy))
    for r in range(N_REPLICATES):
        gxx = (weights[r] @ low_gxx).reshape(cross.low_gxx.shape[1:])
        gxy = (weights[r] @ low_gxy).reshape(cross.low_gxy.shape[1:])
        real, imaginary = rng.standard_normal((2, n_feed, n_position, n_low))
        noise = real + 1j * imaginary
        if mixing is not None:
            noise = np.einsum("plij,jpl->ipl", mixing, noise)
        out[r] = (solve(gxx, gxy, cross.n_effective, groups).h + sigma * noise) * phase
    return out


def changed(responses: Responses, change: dict[str, tuple[float, float]]) -> Responses:
    """The same responses with outputs delayed and turned over: `sign * H * exp(-j 2 pi f delay)`.

    change : per output (sign, delay_ms); delay positive when later; outputs that are not named stay
    """
    h, replicates = responses.h.copy(), responses.replicates.copy()
    n_low = replicates.shape[-1]
    for i, output in enumerate(responses.outputs):
        if output in change:
            factor = rotation(responses.frequency_hz, *change[output])
            h[i] *= factor
            replicates[:, i] *= factor[:n_low]
    return replace(responses, h=h, replicates=replicates)


def rotation(frequency_hz: NDArray[np.float64], sign: float, delay_ms: float) -> NDArray[np.complex128]:
    """`sign * exp(-j 2 pi f delay)`, the shape of `frequency_hz`; delay positive when later."""
    return np.asarray(sign * np.exp(-2j * np.pi * frequency_hz * delay_ms / 1000.0), dtype=np.complex128)


def merged(
    captures: Sequence[Responses], outputs: Sequence[str], positions: Sequence[str]
) -> tuple[Responses, list[Finding]]:
    """Responses of several captures, all at the same settings, as one.

    Where captures of one output at one position agree, the mean weighted by inverse variance, of those that know the
    output alone if any does; where they differ beyond `DISAGREE_SIGMAS` standard errors the newest (last) counts, a
    finding says so, and the last replicates follow the older capture, so that whatever hangs on the difference is known
    to be unsure.
    """
    n_low = max((c.replicates.shape[-1] for c in captures), default=round(LOW_HZ * FRAME_S) + 1)
    n_line = max((c.h.shape[-1] for c in captures), default=n_low)
    shape = (len(outputs), len(positions), n_line)
    h = np.full(shape, np.nan, dtype=np.complex64)
    variance, coherence, share = (np.full(shape, np.nan, dtype=np.float32) for _ in range(3))
    averages = np.full(shape[:2], np.nan)
    replicates = np.full((N_REPLICATES, *shape[:2], n_low), np.nan, dtype=np.complex64)
    findings: list[Finding] = []
    for i, output in enumerate(outputs):
        for p, position in enumerate(positions):
            sources = _told_apart([c for c in captures if c.has(output, position)], output, position)
            if not sources:
                continue
            used, contradicted, found = _agreeing(sources, output, position)
            findings += found
            n = min(c.h.shape[-1] for c in used)
            k = min(c.replicates.shape[-1] for c in used)
            rows = [(c, c.outputs.index(output), c.positions.index(position)) for c in used]
            v = np.stack([c.variance[o, q, :n].astype(np.float64) for c, o, q in rows])
            is_own = np.stack([c.share[o, q, :n] > 0.0 for c, o, q in rows])
            # what a capture knows only of a group as a whole counts where no capture knows the output alone
            v = np.where(is_own | ~is_own.any(axis=0), v, np.inf)
            w = (1.0 / np.maximum(v, 1e-30)) / (1.0 / np.maximum(v, 1e-30)).sum(axis=0)
            v = np.where(np.isfinite(v), v, 0.0)
            h[i, p, :n] = np.sum(w * np.stack([c.h[o, q, :n] for c, o, q in rows]), axis=0)
            variance[i, p, :n] = np.sum(w**2 * v, axis=0)
            coherence[i, p, :n] = np.sum(w * np.stack([c.coherence[o, q, :n] for c, o, q in rows]), axis=0)
            share[i, p, :n] = np.max([c.share[o, q, :n] for c, o, q in rows], axis=0)
            averages[i, p] = sum(float(c.averages[o, q]) for c, o, q in rows)
            stacked = np.stack([c.replicates[:, o, q, :k] for c, o, q in rows])  # (capture, replicate, line)
            replicates[:, i, p, :k] = np.sum(w[:, None, :k] * stacked, axis=0)
            if contradicted:
                older = contradicted[-1].replicates[_FOLLOW_OLDER:, *_index(contradicted[-1], output, position)]
                k = min(k, older.shape[-1])
                replicates[_FOLLOW_OLDER:, i, p, :k] = older[:, :k]
    whole = Responses(
        capture="",
        outputs=tuple(outputs),
        positions=tuple(positions),
        frequency_hz=line_hz(n_line),
        h=h,
        variance=variance,
        coherence=coherence,
        share=share,
        averages=averages,
        replicates=replicates,
    )
    return whole, findings


def _told_apart(sources: list[Responses], output: str, position: str) -> list[Responses]:
    """Captures without those in which the output is hardly told from others, as far as another tells it."""
    shares = [float(np.mean(_row(c, output, position)[2])) for c in sources]
    return [c for c, share in zip(sources, shares, strict=True) if share >= _TOLD_SHARE * max(shares)]


def _agreeing(
    sources: list[Responses], output: str, position: str
) -> tuple[list[Responses], list[Responses], list[Finding]]:
    """The captures that agree with the newest, those that do not, and a finding for each of these."""
    newest = sources[-1]
    used, contradicted, findings = [], [], []
    for source in sources[:-1]:
        sigmas = _difference_sigmas(source, newest, output, position)
        if sigmas <= DISAGREE_SIGMAS:
            used.append(source)
            continue
        contradicted.append(source)
        detail = (
            f"{output} at {position} came out differently in {source.capture!r} and {newest.capture!r}; the newest "
            "counts. Check whether a setting, a level or the microphone was changed in between."
        )
        findings.append(
            Finding(DISAGREE, "warning", detail, newest.capture, output, value=sigmas, unit="standard errors")
        )
    return [*used, newest], contradicted, findings


def _difference_sigmas(a: Responses, b: Responses, output: str, position: str) -> float:
    """Root mean square over the lines both carry of the difference in standard errors, in excess of what 1 would be.

    A real difference is one of several per cent at least: below that two captures agree, however small their errors.
    """
    ha, va, sa = _row(a, output, position)
    hb, vb, sb = _row(b, output, position)
    n = min(len(ha), len(hb))
    ha, va, hb, vb = ha[:n], va[:n], hb[:n], vb[:n]
    carried = (np.abs(ha) ** 2 > 10.0 * va) & (np.abs(hb) ** 2 > 10.0 * vb) & (sa[:n] > 0.0) & (sb[:n] > 0.0)
    if not carried.any():
        return 0.0
    allowed = va + vb + (0.1 * np.abs(hb)) ** 2
    return float(np.sqrt(np.mean((np.abs(ha - hb) ** 2 / allowed)[carried])))


def _row(
    responses: Responses, output: str, position: str
) -> tuple[NDArray[np.complex64], NDArray[np.float32], NDArray[np.float32]]:
    """H, variance and own share, (line,), of one output at one position."""
    at = _index(responses, output, position)
    return responses.h[at], responses.variance[at], responses.share[at]


def _index(responses: Responses, output: str, position: str) -> tuple[int, int]:
    """Where an output and a position stand on their axes."""
    return responses.outputs.index(output), responses.positions.index(position)


def impulse_responses(
    cross: CrossSpectra, change: dict[str, tuple[float, float]], groups: Sequence[int] | None = None
) -> list[ImpulseResponse]:
    """Impulse responses of one capture with `change` (sign, delay_ms per output) applied; time zero is the feed.

    One frame long; what a delay moves before time zero is left out.
    """
    from scipy import fft

    n_samples = round(cross.sample_rate_hz * FRAME_S)
    frequency_hz = line_hz(cross.gxx.shape[-1])
    h = solve(cross.gxx, cross.gxy, cross.n_effective, groups).h
    out = []
    for p in np.flatnonzero(_is_measured(cross)):
        position = cross.positions[p]
        for i, output in enumerate(cross.feeds):
            sign, delay_ms = change.get(output, (1.0, 0.0))
            turn = rotation(frequency_hz, sign, delay_ms + 1000.0 * float(cross.shift_s[i, p]))
            samples = fft.irfft(h[i, p] * turn, n_samples)
            out.append(ImpulseResponse(output, position, round(cross.sample_rate_hz), samples.astype(np.float32)))
    return out
