"""What a hall adds between a box and a microphone: image sources, then a diffuse tail.

Coordinates in metres: x from the back wall of the stage into the hall, y from its left wall (seen from the audience) to
the right, z up from the floor. Times in seconds from the instant at which the sound leaves the box. Reflection
coefficients are real, positive and the same at every frequency; air absorption is left out.

Sources: Allen & Berkley 1979, JASA 65(4) (image sources; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import speed_of_sound_simple
from analyze.simulate_boxes import Box

Vector = tuple[float, float, float]

#: Images are kept up to this long after the direct sound; they fade out while the tail fades in.
_IMAGES_S = 0.30
_FADE_START_S, _FADE_END_S = 0.08, 0.30

#: Half length in samples and window shape of the interpolator: flat within 0.01 dB to 0.8 of the Nyquist frequency.
_HALF_TAPS, _KAISER_BETA = 24, 8.0

#: Energy falls by 60 dB within one reverberation time: exp(-_DECAY t / RT).
_DECAY = 6.0 * np.log(10.0)

#: Up to here the tails of neighbouring boxes are related, Hz; added to the diagonal so that the factors exist at 0 Hz.
_MIXED_HZ, _REGULARISED = 1000.0, 1e-3

#: The tail's low and high part divide here, Hz.
_TAIL_SPLIT_HZ = 400.0


@dataclass(frozen=True)
class Hall:
    """A shoebox hall on the day of the sound check.

    size_m : length, width, height
    reflection : amplitude reflection coefficient of the walls x = 0, x = length, y = 0, y = width, floor, ceiling
    reverberation_low_s, reverberation_high_s : reverberation time of the tail well below and above 400 Hz
    tail_energy : energy of the tail re the direct sound at 1 m
    """

    size_m: Vector
    reflection: tuple[float, float, float, float, float, float]
    temperature_c: float
    reverberation_low_s: float
    reverberation_high_s: float
    tail_energy: float

    @property
    def speed_m_s(self) -> float:
        """Speed of sound at the temperature of the hall."""
        return speed_of_sound_simple(self.temperature_c)


@dataclass(frozen=True)
class Images:
    """Image sources of one box for one microphone, the direct sound first (n = images).

    distance_m (n,) : path length; strength (n,) : product of reflection coefficients over distance
    departure (n, 3) : unit vectors in which the sound leaves the real box
    """

    distance_m: NDArray[np.float64]
    strength: NDArray[np.float64]
    departure: NDArray[np.float64]


def distance_m(one: Vector, other: Vector) -> float:
    """Length of the straight path between two points."""
    return float(np.linalg.norm(np.subtract(one, other)))


def image_sources(hall: Hall, source: Vector, receiver: Vector, reach_m: float) -> Images:
    """All image sources whose path is no longer than `reach_m`, sorted by path length.

    Along each axis the images lie at `(1 - 2 q) x + 2 m L`, q in 0, 1; such a path has met the wall at 0 |m - q| times
    and the wall at L |m| times (Allen & Berkley 1979, eq. (10), from memory). It leaves the box mirrored where q = 1.
    """
    axes = [_axis_images(hall, axis, source[axis], receiver[axis], reach_m) for axis in range(3)]
    (dx, ax, sx), (dy, ay, sy), (dz, az, sz) = axes
    paths = np.sqrt(dx[:, None, None] ** 2 + dy[None, :, None] ** 2 + dz[None, None, :] ** 2)
    ix, iy, iz = np.nonzero(paths <= reach_m)
    length = paths[ix, iy, iz]
    order = np.argsort(length, kind="stable")
    ix, iy, iz, length = ix[order], iy[order], iz[order], length[order]
    leaving = np.stack([dx[ix] * sx[ix], dy[iy] * sy[iy], dz[iz] * sz[iz]], axis=1)  # (image, axis)
    return Images(length, ax[ix] * ay[iy] * az[iz] / length, leaving / length[:, None])


def room_response(
    hall: Hall,
    box: Box,
    places: tuple[Vector, Vector, Vector],
    latency_s: float,
    sample_rate_hz: int,
    noise: NDArray[np.complex128],
) -> NDArray[np.complex128]:
    """Response (frequency,) from a box to a microphone, without what the box does on axis.

    Parameters
    ----------
    places : the box, a point it is aimed at, the microphone
    latency_s : common delay ahead of the box
    noise (part, frequency) : spectra of the noise that the tail is made of, from `diffuse_noise`
    """
    source, target, receiver = places
    images = image_sources(hall, source, receiver, distance_m(source, receiver) + _IMAGES_S * hall.speed_m_s)
    time_s = images.distance_m / hall.speed_m_s
    after_s = time_s - time_s[0]
    strength = images.strength * _fade(after_s, falling=True)
    axis = np.subtract(target, source) / distance_m(source, target)
    towards = box.beam_gain(images.departure @ axis)
    n_samples = 2 * (noise.shape[-1] - 1)
    frequency_hz = np.fft.rfftfreq(n_samples, 1.0 / sample_rate_hz)
    round_weight, beam_weight = box.beam_weights(frequency_hz)
    at_sample = (latency_s + time_s) * sample_rate_hz
    all_round = np.fft.rfft(_pulses(at_sample, strength, n_samples))
    beamed = np.fft.rfft(_pulses(at_sample, strength * towards, n_samples))
    tail = np.fft.rfft(_tail(hall, latency_s + float(time_s[0]), sample_rate_hz, noise))
    mean_gain = float(np.sqrt(np.mean(box.beam_gain(np.linspace(-1.0, 1.0, 201)) ** 2)))
    return np.asarray(
        round_weight * (all_round + tail) + beam_weight * (beamed + mean_gain * tail), dtype=np.complex128
    )


def diffuse_mixing(hall: Hall, sources: tuple[Vector, ...], frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Matrices (frequency, output, output) that turn independent noise into the tails of several boxes at one point.

    In a diffuse field two points r apart see pressures whose correlation is `sin(k r) / (k r)` (Cook et al. 1955, JASA
    27(6), from memory); the same holds for two boxes heard at one point. Above `_MIXED_HZ` they count as unrelated.
    """
    places = np.array(sources)
    apart_m = np.linalg.norm(places[:, None] - places[None, :], axis=-1)
    mixed = frequency_hz < _MIXED_HZ
    related = np.sinc(2.0 * frequency_hz[mixed, None, None] * apart_m / hall.speed_m_s)
    related += _REGULARISED * np.eye(len(sources))
    factors = np.broadcast_to(np.eye(len(sources)), (len(frequency_hz), *apart_m.shape)).copy()
    factors[mixed] = np.linalg.cholesky(related / (1.0 + _REGULARISED))
    return factors


def diffuse_noise(mixing: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.complex128]:
    """Spectra (output, part, frequency) of unit-variance noise at one point: a low and a high part per output."""
    n_frequencies, n_outputs = mixing.shape[:2]
    noise = np.fft.rfft(rng.standard_normal((n_outputs, 2, 2 * (n_frequencies - 1))))
    return np.asarray(np.einsum("foi,ipf->opf", mixing, noise), dtype=np.complex128)


def _axis_images(
    hall: Hall, axis: int, source: float, receiver: float, reach_m: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Images along one axis: receiver minus image (n,), product of coefficients (n,), departure sign (n,)."""
    length = hall.size_m[axis]
    near, far = hall.reflection[2 * axis], hall.reflection[2 * axis + 1]
    n_periods = int(np.ceil(reach_m / (2.0 * length))) + 1
    m, q = (a.ravel() for a in np.meshgrid(np.arange(-n_periods, n_periods + 1), (0, 1), indexing="ij"))
    offset = receiver - ((1 - 2 * q) * source + 2 * m * length)
    losses = np.asarray(near ** np.abs(m - q) * far ** np.abs(m), dtype=np.float64)
    return offset, losses, np.asarray(1.0 - 2.0 * q, dtype=np.float64)


def _fade(after_s: NDArray[np.float64], *, falling: bool) -> NDArray[np.float64]:
    """Half a cosine between the two fade times: amplitude of the images (falling) or the tail, equal energy in sum."""
    share = np.clip((after_s - _FADE_START_S) / (_FADE_END_S - _FADE_START_S), 0.0, 1.0)
    return np.cos(0.5 * np.pi * share) if falling else np.sin(0.5 * np.pi * share)


def _pulses(at_sample: NDArray[np.float64], strength: NDArray[np.float64], n_samples: int) -> NDArray[np.float64]:
    """Pulses (n_samples,) at fractional sample times, by a windowed sinc; what lies before 0 is cut."""
    first = np.floor(at_sample).astype(np.int64)
    offset = np.arange(-_HALF_TAPS + 1, _HALF_TAPS + 1)
    position = offset[None, :] - (at_sample - first)[:, None]  # (pulse, tap)
    window = np.i0(_KAISER_BETA * np.sqrt(np.clip(1.0 - (position / _HALF_TAPS) ** 2, 0.0, 1.0))) / np.i0(_KAISER_BETA)
    taps = strength[:, None] * np.sinc(position) * window
    index = first[:, None] + offset[None, :]
    inside = (index >= 0) & (index < n_samples)
    return np.asarray(np.bincount(index[inside], weights=taps[inside], minlength=n_samples), dtype=np.float64)


def _tail(hall: Hall, start_s: float, sample_rate_hz: int, noise: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Diffuse tail (sample,): noise that decays exponentially, longer below the split than above."""
    n_samples = 2 * (noise.shape[-1] - 1)
    after_s = np.arange(n_samples) / sample_rate_hz - start_s
    low = 1.0 / (1.0 + 1j * np.fft.rfftfreq(n_samples, 1.0 / sample_rate_hz) / _TAIL_SPLIT_HZ)
    tail = np.zeros(n_samples)
    times_s = (hall.reverberation_low_s, hall.reverberation_high_s)
    for weight, spectrum, reverberation_s in zip((low, 1.0 - low), noise, times_s, strict=True):
        # Density per sample so that an unfaded tail from the direct sound on would hold `tail_energy`.
        density = hall.tail_energy * _DECAY / (reverberation_s * sample_rate_hz)
        envelope = np.exp(-0.5 * _DECAY * np.maximum(after_s, 0.0) / reverberation_s)
        tail += np.sqrt(density) * np.fft.irfft(weight * spectrum, n_samples) * envelope
    return np.asarray(tail * _fade(after_s, falling=False), dtype=np.float64)
