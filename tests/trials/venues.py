"""Rooms of the trials: an independent image-source simulator, pyroomacoustics, and a diffuse tail behind its images.

All places are invented. Reverberation times and sizes by kind of venue are common practice, no source. The library's
responses begin half a fractional-delay filter late; walls are real and the same at every frequency.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import speed_of_sound_simple

Place = tuple[float, float, float]

RATE_HZ = 24_000
#: Length of a response, the end of which is faded out over so much.
RESPONSE_S, _END_S = 1.6, 0.3
#: Images fade into the tail between these times after the direct sound, s.
_FADE_S = (0.05, 0.12)
#: The tail is this much stronger below, weaker above: reverberation is longer at low frequencies.
_TAIL_SPLIT_HZ = 300.0


@dataclass(frozen=True)
class Venue:
    """A shoebox or, with `reverberation_s` 0, open ground of the same size.

    kind : word for the table; direct_to_reverberant_db : about, at the middle seat
    """

    kind: str
    size_m: Place
    reverberation_s: float
    direct_to_reverberant_db: float
    temperature_c: float

    @property
    def speed_m_s(self) -> float:
        return speed_of_sound_simple(self.temperature_c)


#: Kind -> lengths, widths, heights in m, reverberation in s, direct-to-reverberant ratio in dB; from, to.
_KINDS = {
    "club": ((14.0, 24.0), (9.0, 15.0), (4.0, 6.0), (0.5, 1.0), (-8.0, 0.0)),
    "theatre": ((24.0, 38.0), (16.0, 24.0), (8.0, 13.0), (0.9, 1.5), (-11.0, -4.0)),
    "arena": ((50.0, 80.0), (35.0, 55.0), (14.0, 22.0), (1.6, 2.6), (-13.0, -6.0)),
    "open air": ((50.0, 90.0), (40.0, 60.0), (20.0, 25.0), (0.0, 0.0), (0.0, 0.0)),
}


def draw_venue(rng: np.random.Generator) -> Venue:
    kind = str(rng.choice(list(_KINDS)))
    length, width, height, reverberation, ratio = (float(rng.uniform(*limits)) for limits in _KINDS[kind])
    return Venue(kind, (length, width, height), reverberation, ratio, round(float(rng.uniform(8.0, 32.0)), 1))


def room_responses(
    venue: Venue, sources: Sequence[Place], seats: Sequence[Place], rng: np.random.Generator
) -> NDArray[np.float64]:
    """Impulse responses (source, seat, sample) of point sources: 1 / distance, the flight at the venue's air."""
    images = _images(venue, sources, seats)
    if venue.reverberation_s == 0.0:
        return images  # nothing after the floor's reflection
    time_s = np.arange(images.shape[-1]) / RATE_HZ
    energy = []
    for s, source in enumerate(sources):
        for p, seat in enumerate(seats):
            flight_s = float(np.linalg.norm(np.subtract(source, seat))) / venue.speed_m_s
            after = (time_s - flight_s - _FADE_S[0]) / (_FADE_S[1] - _FADE_S[0])
            images[s, p] *= np.cos(0.5 * np.pi * np.clip(after, 0.0, 1.0))
            energy.append(1.0 / np.linalg.norm(np.subtract(source, seat)) ** 2)
    ending = np.cos(0.5 * np.pi * np.clip((time_s - RESPONSE_S + _END_S) / _END_S, 0.0, 1.0))
    return ending * (images + _tails(venue, sources, seats, float(np.median(energy)), rng))


def _images(venue: Venue, sources: Sequence[Place], seats: Sequence[Place]) -> NDArray[np.float64]:
    import pyroomacoustics as pra

    pra.constants.set("rir_hpf_enable", False)
    if venue.reverberation_s > 0.0:
        absorption, order = pra.inverse_sabine(venue.reverberation_s, venue.size_m)
        materials = pra.Material(min(absorption, 0.9))
    else:  # open ground: the floor alone reflects
        order = 1
        materials = {name: pra.Material(1.0) for name in ("east", "west", "north", "south", "ceiling")}
        materials["floor"] = pra.Material(0.3)
    room = pra.ShoeBox(venue.size_m, fs=RATE_HZ, materials=materials, max_order=min(order, 10))
    room.set_sound_speed(venue.speed_m_s)
    for source in sources:
        room.add_source(source)
    room.add_microphone_array(np.array(seats).T)
    room.compute_rir()
    late = pra.constants.get("frac_delay_length") // 2
    out = np.zeros((len(sources), len(seats), round(RESPONSE_S * RATE_HZ)))
    for s in range(len(sources)):
        for p in range(len(seats)):
            response = room.rir[p][s][late:][: out.shape[-1]]
            out[s, p, : len(response)] = 4.0 * np.pi * response  # the library's sources give 1 / (4 pi r)
    return out


def _tails(
    venue: Venue, sources: Sequence[Place], seats: Sequence[Place], direct: float, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Noise that decays, as strong at every seat; below 300 Hz the ratio to the middle direct sound is as drawn."""
    n = round(RESPONSE_S * RATE_HZ)
    time_s, f = np.arange(n) / RATE_HZ, np.fft.rfftfreq(n, 1.0 / RATE_HZ)
    shape = np.sqrt((1.0 + 2.0 / (1.0 + (f / _TAIL_SPLIT_HZ) ** 2)) / 3.0)
    energy = direct * 10.0 ** (-venue.direct_to_reverberant_db / 10.0)
    out = np.zeros((len(sources), len(seats), n))
    for s, source in enumerate(sources):
        for p, seat in enumerate(seats):
            after_s = time_s - float(np.linalg.norm(np.subtract(source, seat))) / venue.speed_m_s
            rise = np.clip((after_s - _FADE_S[0]) / (_FADE_S[1] - _FADE_S[0]), 0.0, 1.0)
            decay = np.exp(-6.9 * np.maximum(after_s, 0.0) / venue.reverberation_s) * np.sin(0.5 * np.pi * rise)
            noise = np.fft.irfft(shape * np.fft.rfft(rng.standard_normal(n)), n)
            out[s, p] = np.sqrt(energy / np.sum(decay**2)) * noise * decay
    return out
