"""Arrivals and signs of all captures together: the rows of `arrivals.csv`, arrivals at present settings, air.

Rows stand as captured, the setting included. Delays are positive when later.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from analyze.acoustics import energy_db, speed_of_sound_simple
from analyze.description import Capture, SoundCheck
from analyze.findings import Finding
from analyze.responses.arrival import Evidence
from analyze.responses.capture import Measured, present_change
from analyze.responses.rows import Arrival
from analyze.responses.transfer import OLDER_RIGHT, Responses, changed, rotation
from analyze.responses.wiring import DECIDED, MOST, Signs, own_confidence, polarity_word

#: Arrivals of one pair that differ by more than this many standard deviations are not averaged: the newest counts.
_AGREE_SIGMAS = 3.0
#: Smallest difference in ms that counts as one: the room's own.
_AGREE_MS = 0.2
#: An arrival so many times vaguer than an older one does not displace it.
_FAR_VAGUER = 20.0
#: An arrival earlier than this against the setting in force cannot be: latency and flight are not negative.
_EARLY_MS = 1.0


def wiring_evidence(measured: Sequence[Measured]) -> dict[tuple[str, str], float]:
    """Evidence per (output, position) for `normal` wiring, captures added up, settings taken out."""
    total: dict[tuple[str, str], float] = {}
    for m in measured:
        for e in m.evidence:
            value = e.evidence * m.capture.settings[e.output].sign
            total[e.output, e.position] = total.get((e.output, e.position), 0.0) + value
    return total


def arrival_rows(measured: Sequence[Measured], sound_check: SoundCheck, signs: Signs) -> list[Arrival]:
    """Rows of `arrivals.csv`, captures in the order of the description."""
    return [_row(m, e, sound_check, signs) for m in measured for e in m.evidence]


def _captured_sign(m: Measured, e: Evidence, signs: Signs) -> int:
    """Sign of the response as captured: wiring, setting and microphone chain."""
    wiring = signs.likelier.get(e.output, 1)
    return wiring * m.capture.settings[e.output].sign * signs.microphone_sign.get(e.position, 1)


def _arrival_s(m: Measured, e: Evidence, signs: Signs) -> tuple[float, float]:
    """Arrival as captured and its standard deviation in seconds: an arrival by the wrong sign is another one."""
    sign = _captured_sign(m, e, signs)
    (arrival_s, std_s), (other_s, _) = e.arrival_for(sign), e.arrival_for(-sign)
    doubt = max(0.0, MOST - signs.confidence.get(e.output, MOST))  # no sign is claimed to be surer
    return arrival_s, math.hypot(std_s, math.sqrt(doubt) * (other_s - arrival_s)) if math.isfinite(other_s) else std_s


def high_phases(measured: Sequence[Measured], signs: Signs) -> dict[str, list[float]]:
    """Phases in radians of every output's high section re its lowest driver, wherever both could be told."""
    phases: dict[str, list[float]] = {}
    for m in measured:
        for e in m.evidence:
            if signs.output_sign.get(e.output, 0) != 0 and math.isfinite(e.high_phase_rad):
                turned = 0.0 if _captured_sign(m, e, signs) > 0 else math.pi
                phases.setdefault(e.output, []).append(e.high_phase_rad - turned)
    return phases


def _row(m: Measured, e: Evidence, sound_check: SoundCheck, signs: Signs) -> Arrival:
    capture, output = m.capture, sound_check.outputs[e.output]
    setting = capture.settings[e.output]
    arrival_s, std_s = _arrival_s(m, e, signs)
    own = own_confidence(e.evidence)
    own_sign = int(np.sign(e.evidence)) if own >= DECIDED else 0
    level_db, coherence = _in_band(m.responses, e)
    flight_s = arrival_s - (setting.delay_ms + output.latency_ms) / 1000.0
    if (e.output, e.position) in m.own_clocks:
        flight_s = math.nan
    return Arrival(
        capture=capture.name,
        output=e.output,
        position=e.position,
        zone=sound_check.positions[e.position].zone,
        arrival_ms=1000.0 * arrival_s,
        arrival_std_ms=1000.0 * std_s,
        distance_m=flight_s * speed_of_sound_simple(capture.temperature_c),
        polarity=polarity_word(signs.output_sign.get(e.output, 0) * setting.sign),
        polarity_confidence=signs.confidence.get(e.output, math.nan),
        own_polarity=polarity_word(own_sign),
        own_confidence=own,
        level_db=level_db,
        band_low_hz=e.band_low_hz,
        band_high_hz=e.band_high_hz,
        coherence=coherence,
        averages=float(m.responses.averages[m.responses.outputs.index(e.output), 0]),
    )


def _in_band(responses: Responses, e: Evidence) -> tuple[float, float]:
    """Level and mean coherence of a response within the band it was heard in; NaN where it was not."""
    if not math.isfinite(e.band_low_hz):
        return math.nan, math.nan
    i, p = responses.outputs.index(e.output), responses.positions.index(e.position)
    f = responses.frequency_hz
    inside = (f >= e.band_low_hz) & (f <= e.band_high_hz)
    energy = np.mean(np.abs(responses.h[i, p, inside].astype(np.complex128)) ** 2 - responses.variance[i, p, inside])
    return float(energy_db(max(float(energy), 1e-30))), float(np.mean(responses.coherence[i, p, inside]))


def arrivals_at_present(
    measured: Sequence[Measured], sound_check: SoundCheck, signs: Signs
) -> dict[tuple[str, str], tuple[float, float]]:
    """Arrival and standard deviation in ms per (output, position) at present settings and the sound check's air.

    Captures that agree are averaged by inverse variance; else the newest counts, with a spread that allows for the
    odds that the older was right.
    """
    found: dict[tuple[str, str], tuple[float, float]] = {}
    for m in measured:
        moved = present_change(sound_check, m.capture)
        for e in m.evidence:
            arrival_s, std_s = _arrival_s(m, e, signs)
            if not math.isfinite(arrival_s):
                continue
            flight_ms = _flight_ms(1000.0 * arrival_s, e.output, m, sound_check)
            arrival_ms = 1000.0 * arrival_s + moved[e.output][1] + flight_ms * _air_stretch(m, sound_check)
            new = (arrival_ms, 1000.0 * std_s)
            found[e.output, e.position] = _joined(found.get((e.output, e.position)), new)
    return found


def before_its_feed(rows: Iterable[Arrival], measured: Sequence[Measured]) -> set[str]:
    """Outputs that arrive before their feed sounds, whatever delay they are set to: their tracks are not theirs."""
    return {
        row.output
        for row in rows
        if row.arrival_ms < -_early_ms(row)
        and not any(m.capture.name == row.capture and (row.output, row.position) in m.own_clocks for m in measured)
    }


def sent_before_arrival(
    measured: Sequence[Measured], sound_check: SoundCheck, signs: Signs
) -> tuple[dict[str, str], list[Finding]]:
    """Outputs that seem to arrive before they were sent, with the reason to leave them undecided, and the findings.

    One finding for an output in a capture.
    """
    early: dict[tuple[str, str], list[Arrival]] = {}
    captures = {m.capture.name: m for m in measured}
    for row in arrival_rows(measured, sound_check, signs):
        m = captures[row.capture]
        flight_ms = row.arrival_ms - m.capture.settings[row.output].delay_ms
        if (row.output, row.position) not in m.own_clocks and flight_ms < -_early_ms(row):
            early.setdefault((row.capture, row.output), []).append(row)
    blocked: dict[str, str] = {}
    findings = []
    for (capture, output), rows in early.items():
        why, found = _sent_late(captures[capture].capture, rows)
        blocked.setdefault(output, why)
        findings.append(found)
    return blocked, findings


def _early_ms(row: Arrival) -> float:
    """How early an arrival has to be to be impossible."""
    return max(_EARLY_MS, _AGREE_SIGMAS * row.arrival_std_ms)


def _sent_late(capture: Capture, rows: Sequence[Arrival]) -> tuple[str, Finding]:
    """Why an output that is heard too early at some positions is not decided, and the finding; where it is known best.

    No delay mends what is ahead of its feed. Which track is in its place is not said: a response to a microphone in the
    place of the feed has no arrival, and `inspect` tells it by the delays between the tracks.
    """
    ahead = [row for row in rows if row.arrival_ms < -_early_ms(row)]
    row = min(ahead or rows, key=lambda row: row.arrival_std_ms)
    feed, mic = capture.feeds[row.output], capture.mics[row.position]
    set_ms = capture.settings[row.output].delay_ms
    if ahead:
        heard = ", ".join(dict.fromkeys(one.position for one in ahead))
        why = (
            f"In {row.capture!r} what is sent to {row.output} sounds after microphones hear it: put that capture's "
            f"tracks right, or record {row.output} again, feed and microphones in one take."
        )
        detail = (
            f"What is sent to {row.output} ({feed.file}:{feed.channel}) sounds after it is heard at {heard}: its track "
            "is swapped with that of a microphone in the description, or of another take, or does not begin with the "
            "others. `analyze inspect` names the two tracks; exchange them there, or export all from one point."
        )
    else:
        likewise = f" Likewise at {len(rows) - 1} more position{'s' * (len(rows) > 2)}." * (len(rows) > 1)
        why = (
            f"In {row.capture!r} {row.output} is heard before the delay described for it is over: correct its delay_ms "
            'to what was in force, or say feed_tap = "after" if its feed was recorded behind the processor. Nothing '
            "has to be recorded again for it."
        )
        detail = (
            f"{row.output} is heard at {row.position} after {row.arrival_ms:.1f} ms, and the delay described is "
            f'{set_ms:.2f} ms: correct delay_ms to what was in force, or say feed_tap = "after" if the feed was '
            f"recorded behind the processor.{likewise}"
        )
    name, flight_ms = "arrives before it was sent", row.arrival_ms - set_ms
    found = Finding(name, "error", detail, row.capture, row.position, mic.file, mic.channel, flight_ms, "ms")
    return why, found


def _joined(old: tuple[float, float] | None, new: tuple[float, float]) -> tuple[float, float]:
    if old is None:
        return new
    (a, sa), (b, sb) = old, new
    if sb > _FAR_VAGUER * sa:  # as where feeds that sound together are hardly told apart
        return old
    if abs(a - b) > max(_AGREE_MS, _AGREE_SIGMAS * math.hypot(sa, sb)):
        return b, math.hypot(sb, math.sqrt(OLDER_RIGHT) * (a - b))
    wa, wb = sa**-2.0, sb**-2.0
    return (wa * a + wb * b) / (wa + wb), (wa + wb) ** -0.5


def _flight_ms(arrival_ms: float, output: str, m: Measured, sound_check: SoundCheck) -> float:
    """Time in the air: arrival less setting and known latency."""
    latency = sound_check.outputs[output].latency_ms
    return max(0.0, arrival_ms - m.capture.settings[output].delay_ms - (latency if math.isfinite(latency) else 0.0))


def _air_stretch(m: Measured, sound_check: SoundCheck) -> float:
    """By what share flight times are longer in the sound check's air than in the capture's."""
    captured, wanted = (speed_of_sound_simple(t) for t in (m.capture.temperature_c, sound_check.temperature_c))
    return captured / wanted - 1.0


def responses_at_present(m: Measured, sound_check: SoundCheck, signs: Signs) -> Responses:
    """Responses of a capture at the settings of `[outputs.*]` and in the sound check's air."""
    responses = changed(m.responses, present_change(sound_check, m.capture))
    stretch = _air_stretch(m, sound_check)
    if stretch == 0.0:
        return responses
    h, replicates = responses.h.copy(), responses.replicates.copy()
    for e in m.evidence:
        arrival_s, _ = e.arrival_for(_captured_sign(m, e, signs))
        if math.isfinite(arrival_s):
            flight = _flight_ms(1000.0 * arrival_s, e.output, m, sound_check)
            turn = rotation(responses.frequency_hz, 1.0, flight * stretch)
            i, p = responses.outputs.index(e.output), responses.positions.index(e.position)
            h[i, p] *= turn
            replicates[:, i, p] *= turn[: replicates.shape[-1]]
    return replace(responses, h=h, replicates=replicates)


def reference_arrivals(arrivals: Mapping[tuple[str, str], tuple[float, float]], reference: str) -> dict[str, float]:
    """Arrival of the reference output per position, in ms."""
    return {position: ms for (output, position), (ms, _) in arrivals.items() if output == reference}
