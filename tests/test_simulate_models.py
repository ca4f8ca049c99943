"""The models behind the demo: boxes against textbooks, the hall against another library and closed forms, feeds."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from analyze import simulate_boxes, simulate_feeds, simulate_venue

RATE_HZ = 16000


def phase_deg(response: NDArray[np.complex128]) -> NDArray[np.float64]:
    return np.asarray(np.mod(np.angle(response, deg=True), 360.0), dtype=np.float64)


# Boxes and crossovers


@pytest.mark.parametrize(("q", "level_db"), [(0.5, -6.02), (0.707, -3.01), (1.0, 0.0)])
def test_closed_box_at_its_corner(q: float, level_db: float) -> None:
    # Small 1972, JAES 20(10), Closed-Box Part I (from memory): +90 degrees at the corner for every Q, level 20 log Q.
    at_corner, beside = simulate_boxes.closed_box([60.0, 63.0], 60.0, q)
    assert phase_deg(at_corner) == pytest.approx(90.0, abs=0.01)
    assert 20.0 * math.log10(abs(at_corner)) == pytest.approx(level_db, abs=0.01)
    assert abs(phase_deg(beside) - 90.0) > 2.0  # a corner 5 % off would show


def test_phases_of_closed_and_vented_box() -> None:
    # Second- against fourth-order Butterworth high-pass (B4): values computed with scipy 1.17.1; limits n x 90 degrees.
    ratio = np.array([0.01, 0.1, 0.5, 1.0, 2.0, 10.0])
    closed = phase_deg(simulate_boxes.closed_box(50.0 * ratio, 50.0, math.sqrt(0.5)))
    vented = phase_deg(simulate_boxes.vented_box(50.0 * ratio, 50.0))
    np.testing.assert_allclose(closed, [179.2, 171.9, 136.7, 90.0, 43.3, 8.1], atol=0.06)
    np.testing.assert_allclose(vented, [358.5, 345.0, 282.0, 180.0, 78.0, 15.0], atol=0.06)


def test_vented_box_is_the_fourth_order_butterworth() -> None:
    # Thiele 1961, alignment 5 (from memory): B4. Library: scipy.signal.butter.
    frequency_hz = np.array([3.0, 20.0, 41.0, 90.0, 1000.0])
    _, expected = signal.freqs(*signal.butter(4, 40.0, "highpass", analog=True), worN=frequency_hz)
    np.testing.assert_allclose(simulate_boxes.vented_box(frequency_hz, 40.0), expected, rtol=1e-8)


def test_low_pass_of_a_sub_delays_and_keeps_its_polarity() -> None:
    # Derivative of the Butterworth phase at 0 Hz: 2 sqrt(2) / (2 pi fc), 5.63 ms at 80 Hz.
    step_hz = 0.01
    response = simulate_boxes.linkwitz_riley([step_hz], 80.0, 4, "low")[0]
    delay_ms = -np.angle(response) / (2.0 * np.pi * step_hz) * 1e3
    assert delay_ms == pytest.approx(5.63, abs=0.005)
    assert response.real == pytest.approx(1.0, abs=1e-5)


@pytest.mark.parametrize(("order", "wanted"), [(2, -1.0), (4, 1.0)])
def test_crossover_adds_up_with_one_polarity_only(order: int, wanted: float) -> None:
    # Linkwitz 1976, JAES 24(1) (from memory): order 2 adds to 0 dB when one way is inverted, order 4 when none is;
    # the other polarity leaves a null at the corner, where each way is -6.02 dB.
    frequency_hz = np.array([20.0, 70.0, 90.0, 130.0, 600.0])
    low = simulate_boxes.linkwitz_riley(frequency_hz, 90.0, order, "low")  # type: ignore[arg-type]
    high = simulate_boxes.linkwitz_riley(frequency_hz, 90.0, order, "high")  # type: ignore[arg-type]
    np.testing.assert_allclose(np.abs(low + wanted * high), 1.0, atol=1e-9)
    assert abs(low[2] - wanted * high[2]) < 1e-9
    assert 20.0 * math.log10(abs(low[2])) == pytest.approx(-6.02, abs=0.01)


def test_internal_crossover_leaves_an_all_pass() -> None:
    frequency_hz = np.array([100.0, 900.0, 1600.0, 2700.0, 9000.0])
    ways = [simulate_boxes.linkwitz_riley(frequency_hz, 1600.0, 4, way) for way in ("low", "high")]
    all_pass = simulate_boxes.two_way_all_pass(frequency_hz, 1600.0)
    np.testing.assert_allclose(ways[0] + ways[1], all_pass, atol=1e-9)
    assert phase_deg(all_pass[2]) == pytest.approx(180.0, abs=1e-6)


def test_box_radiates_all_round_at_low_frequencies_only() -> None:
    box = simulate_boxes.Box("closed", 60.0, 0.7, 0.0, beam_hz=432.0, back_gain=0.1)
    behind = box.beam_gain(np.array([-1.0]))[0]
    low, high = box.beam_weights([4.0, 40_000.0])
    assert np.abs(low + high * behind) == pytest.approx([1.0, 0.1], rel=0.01)
    assert box.beam_gain(np.array([1.0]))[0] == pytest.approx(1.0)


# The hall

PLAIN_HALL = simulate_venue.Hall((9.13, 7.27, 4.19), (0.7, 0.6, 0.5, 0.8, 0.9, 0.4), 20.0, 1.2, 1.0, 0.0)
SOURCE, RECEIVER = (2.0, 3.0, 1.0), (6.5, 4.2, 1.8)


def test_image_sources_against_pyroomacoustics() -> None:
    # pyroomacoustics 0.10.1, ShoeBox with energy absorption 1 - r^2 per wall, every image up to order 6.
    import pyroomacoustics  # type: ignore[import-untyped]

    walls = ("west", "east", "south", "north", "floor", "ceiling")
    losses = {name: 1.0 - r**2 for name, r in zip(walls, PLAIN_HALL.reflection, strict=True)}
    room = pyroomacoustics.ShoeBox(
        PLAIN_HALL.size_m, fs=RATE_HZ, materials=pyroomacoustics.make_materials(**losses), max_order=6
    )
    room.add_source(SOURCE)
    room.add_microphone(RECEIVER)
    room.image_source_model()
    paths_m = np.linalg.norm(room.sources[0].images - np.array(RECEIVER)[:, None], axis=0)
    near = paths_m <= 20.0
    order = np.argsort(paths_m[near])
    ours = simulate_venue.image_sources(PLAIN_HALL, SOURCE, RECEIVER, 20.0)
    assert len(ours.distance_m) == near.sum() > 50
    np.testing.assert_allclose(ours.distance_m, paths_m[near][order], rtol=1e-6)
    np.testing.assert_allclose(
        ours.strength * ours.distance_m, room.sources[0].damping.mean(axis=0)[near][order], rtol=1e-5
    )


def test_sound_leaves_towards_the_wall_that_reflects_it() -> None:
    images = simulate_venue.image_sources(PLAIN_HALL, SOURCE, RECEIVER, 9.0)
    floor_m = math.dist(SOURCE, (*RECEIVER[:2], -RECEIVER[2]))
    bounce = int(np.argmin(np.abs(images.distance_m - floor_m)))
    assert images.distance_m[bounce] == pytest.approx(floor_m, rel=1e-12)
    expected = np.subtract((*RECEIVER[:2], -RECEIVER[2]), SOURCE) / floor_m
    np.testing.assert_allclose(images.departure[bounce], expected, atol=1e-12)
    np.testing.assert_allclose(images.departure[0], np.subtract(RECEIVER, SOURCE) / math.dist(SOURCE, RECEIVER))


@pytest.mark.parametrize("fraction", [0.0, 0.13, 0.25, 0.5, 0.75, 0.98])
def test_direct_sound_is_exact_at_any_fraction_of_a_sample(fraction: float) -> None:
    # Closed form: exp(-j 2 pi f t) / r in a hall that reflects nothing.
    hall = simulate_venue.Hall((30.0, 20.0, 9.0), (0.0,) * 6, 20.0, 1.2, 1.0, 0.0)
    path_m = (300.0 + fraction) / RATE_HZ * hall.speed_m_s
    places = ((2.0, 5.0, 2.0), (9.0, 5.0, 2.0), (2.0 + path_m, 5.0, 2.0))
    box = simulate_boxes.Box("closed", 60.0, 0.7, 0.0, 400.0, 0.2)
    noise = np.zeros((2, 2049), dtype=np.complex128)
    response = simulate_venue.room_response(hall, box, places, 0.0, RATE_HZ, noise)
    frequency_hz = np.fft.rfftfreq(4096, 1.0 / RATE_HZ)
    expected = np.exp(-2j * np.pi * frequency_hz * path_m / hall.speed_m_s) / path_m
    inside = frequency_hz < 0.8 * RATE_HZ / 2.0
    assert np.abs(response / expected - 1.0)[inside].max() < 2e-3
    late = np.exp(-2j * np.pi * frequency_hz * 0.05 / RATE_HZ)  # a twentieth of a sample late would show
    assert np.abs(late * response / expected - 1.0)[inside].max() > 0.05


def test_tail_holds_its_energy_and_dies_away_in_time() -> None:
    hall = simulate_venue.Hall((30.0, 20.0, 9.0), (0.0,) * 6, 20.0, 1.2, 1.2, 0.01)
    frequency_hz = np.fft.rfftfreq(65536, 1.0 / RATE_HZ).astype(np.float64)
    mixing = simulate_venue.diffuse_mixing(hall, (SOURCE,), frequency_hz)
    noise = simulate_venue.diffuse_noise(mixing, np.random.default_rng(3))[0]
    tail = simulate_venue._tail(hall, 0.0, RATE_HZ, noise) ** 2
    early, late = (tail[round(t * RATE_HZ) : round((t + 0.2) * RATE_HZ)].sum() for t in (0.4, 1.0))
    # 60 dB per reverberation time: 30 dB in 0.6 s, and exp(-13.8 t / 1.2) of the energy after t.
    assert 10.0 * math.log10(early / late) == pytest.approx(30.0, abs=1.0)
    expected = 0.01 * (math.exp(-13.816 * 0.4 / 1.2) - math.exp(-13.816 * 0.6 / 1.2))
    # The low and high parts are 90 degrees apart where they divide, so their energies add.
    assert early == pytest.approx(expected, rel=0.15)


def test_tails_of_boxes_side_by_side_are_related() -> None:
    # Cook et al. 1955, JASA 27(6) (from memory): sin(k r) / (k r); at 1.5 m 0.56 at 60 Hz, -0.21 at 171.6 Hz.
    places = ((0.0, 0.0, 0.0), (1.5, 0.0, 0.0))
    hall = simulate_venue.Hall((30.0, 20.0, 9.0), (0.0,) * 6, 20.0, 1.2, 1.2, 0.01)
    mixing = simulate_venue.diffuse_mixing(hall, places, np.array([60.0, 171.6, 1500.0]))
    related = np.einsum("foi,fpi->fop", mixing, mixing)[:, 0, 1]
    k_r = 2.0 * np.pi * np.array([60.0, 171.6]) * 1.5 / 343.2
    np.testing.assert_allclose(related[:2], np.sin(k_r) / k_r, atol=2e-3)
    assert related[2] == 0.0


# Feeds


@pytest.mark.parametrize("kind", ["noise", "sweep", "groove"])
def test_feeds_are_loud_enough_never_clip_and_end_in_silence(kind: simulate_feeds.FeedKind) -> None:
    feed = simulate_feeds.make_feed(kind, 5 * RATE_HZ + 1, RATE_HZ, np.random.default_rng(5))
    assert feed.shape == (5 * RATE_HZ + 1,)
    assert np.abs(feed).max() < 0.7
    assert np.sqrt(np.mean(feed**2)) > 0.03
    assert not feed[: round(0.39 * RATE_HZ)].any()
    assert not feed[-round(0.89 * RATE_HZ) :].any()


def test_pink_noise_falls_by_three_db_per_octave() -> None:
    noise = simulate_feeds.pink_noise(40 * RATE_HZ, RATE_HZ, 20.0, 6000.0, np.random.default_rng(6))
    frequency_hz, power = signal.welch(noise, RATE_HZ, nperseg=4096)
    bands = [power[(frequency_hz >= low) & (frequency_hz < 2 * low)].mean() for low in (250.0, 1000.0)]
    assert 10.0 * math.log10(bands[0] / bands[1]) == pytest.approx(6.02, abs=0.3)
