"""Simulated sound checks: their truth against geometry and a search of its own, their files against their truth."""

from __future__ import annotations

import errno
import json
import math
import tomllib
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy import signal

from analyze import simulate, simulate_draw, simulate_files
from analyze.description import load_sound_check
from analyze.errors import DescriptionError, OutputError
from analyze.simulate import FAULTS, Scene, Settings, build_scene, make_demo, true_responses
from analyze.simulate_scene import SUB_GROUP, index_of, members
from analyze.simulate_truth import make_bench

#: Low enough to be quick, high enough for the bands of the score.
RATE_HZ = 16000

SAMPLE = Path(__file__).parent.parent / "sample_audio"


@cache
def scene_of(fault: str, seed: int = 11) -> Scene:
    return build_scene(seed, fault, sample_rate_hz=RATE_HZ)


@pytest.mark.parametrize("fault", [simulate_draw.MONITOR_INVERTED, simulate_draw.OTHER_POLARITY])
def test_a_second_visit_finds_the_first_set_and_mended(fault: str) -> None:
    first = scene_of(fault)
    second = simulate.second_visit(first)
    assert second.fault == simulate_draw.NO_FAULT
    assert (second.wiring == 1.0).all()
    assert (second.microphone_signs == 1.0).all()
    assert second.present.delays_s.tolist() == first.best.delays_s.tolist()
    assert second.present.signs.tolist() == second.best.signs.tolist()  # a mended wire needs no turned setting
    assert 3.0 <= abs(second.rig.hall.temperature_c - first.rig.hall.temperature_c) <= 7.1
    moved_m = [np.subtract(b.place_m, a.place_m) for a, b in zip(first.positions, second.positions, strict=True)]
    assert 0.0 < np.abs(moved_m).max() <= 0.0201
    # arrivals follow the speed of sound, 331.4 m/s + 0.6 m/s per degree (common practice, no source), and centimetres
    path_s = [scene.flight_s - scene.rig.latency_s for scene in (first, second)]
    speed = [331.4 + 0.6 * scene.rig.hall.temperature_c for scene in (first, second)]
    assert path_s[1] * speed[1] == pytest.approx(path_s[0] * speed[0], abs=0.04)


def test_a_second_visit_is_another_recording(tmp_path: Path) -> None:
    how = {"duration_s": 3.0, "sample_rate_hz": RATE_HZ}
    make_demo(tmp_path / "first", 11, **how)
    make_demo(tmp_path / "second", 11, is_second_visit=True, **how)
    first, second = (load_sound_check(tmp_path / name) for name in ("first", "second"))
    assert first.notes["venue"] == second.notes["venue"]
    assert first.date < second.date
    noise = [soundfile.read(tmp_path / name / "wedge.flac")[0][:, 0] for name in ("first", "second")]
    assert not np.array_equal(*noise)


# Scenes and their faults


def spelled_out_score_db(scene: Scene, settings: Settings) -> float:
    """The score, written without the code under test: loops over cells and plain sums."""
    turn = np.exp(-2j * np.pi * settings.delays_s[:, None] * scene.frequency_hz) * settings.signs[:, None]
    scores = []
    for p, position in enumerate(scene.positions):
        if position.zone != "audience":
            continue
        bands = []
        for index in range(-16, -4):  # third octaves 25 to 315 Hz, IEC 61260-1:2014: 1000 x 10^(n/10)
            edges = 1000.0 * 10.0 ** ((index + np.array([-0.5, 0.5])) / 10.0)
            inside = (scene.frequency_hz >= edges[0]) & (scene.frequency_hz < edges[1])
            heard = scene.response[:, p, inside]
            bands.append((np.sort((np.abs(heard) ** 2).sum(axis=1)), heard, turn[:, inside]))
        loudest = max(energies[-1] for energies, _, _ in bands)
        for energies, heard, turned in bands:
            if energies[-2] >= energies[-1] / 10.0 and energies[-1] >= loudest / 10.0**2.5:
                most = (np.abs(heard).sum(axis=0) ** 2).sum()
                scores.append(10.0 * math.log10((np.abs((heard * turned).sum(axis=0)) ** 2).sum() / most))
    return float(np.mean(scores))


@pytest.mark.parametrize(
    "fault", [simulate_draw.DELAY_LEFT_IN, simulate_draw.OTHER_POLARITY, simulate_draw.MONITOR_INVERTED]
)
def test_no_setting_of_the_subs_beats_the_one_called_best(fault: str) -> None:
    scene = scene_of(fault)
    subs, best_db = members(scene.outputs, SUB_GROUP), spelled_out_score_db(scene, scene.best)
    for sign in (1.0, -1.0):
        for delay_ms in np.arange(0.0, 35.0, 0.9):
            tried = scene.best.with_output(subs, delay_ms * 1e-3, sign)
            assert spelled_out_score_db(scene, tried) <= best_db + 1e-9


@pytest.mark.parametrize("fault", FAULTS)
def test_scores_of_the_truth_are_those_of_the_formula(fault: str) -> None:
    scene = scene_of(fault)
    scores = simulate_files.truth(scene)["scores"]
    assert isinstance(scores, dict)
    assert scores["best_db"] == pytest.approx(spelled_out_score_db(scene, scene.best), abs=1e-3)
    assert scores["present_db"] == pytest.approx(spelled_out_score_db(scene, scene.present), abs=1e-3)
    for sign, choice in ((1.0, scores["subs"]["normal"]), (-1.0, scores["subs"]["inverted"])):
        tried = scene.best.with_output(members(scene.outputs, SUB_GROUP), choice["delay_ms"] * 1e-3, sign)
        assert choice["score_db"] == pytest.approx(spelled_out_score_db(scene, tried), abs=1e-3)


@pytest.mark.parametrize(
    ("other_db", "quiet_db", "n_loud", "n_quiet"),
    [(-9.7, -24.7, 9, 3), (-10.3, -24.7, 0, 0), (-9.7, -25.3, 9, 0)],
)
def test_cells_need_two_outputs_near_in_level_and_a_loud_band(
    other_db: float, quiet_db: float, n_loud: int, n_quiet: int
) -> None:
    # Equal energy in every third octave, but in those at 80, 100 and 125 Hz; 10 and 25 dB are the borders.
    frequency_hz = np.arange(20.0, 400.0, 0.05)
    quiet = (frequency_hz > 70.795) & (frequency_hz < 141.254)
    level_db = np.where(quiet, quiet_db, 0.0) - 10.0 * np.log10(frequency_hz)
    levels_db = np.stack([level_db, level_db + other_db])[:, None]  # (output, position, frequency)
    response = (10.0 ** (levels_db / 20.0)).astype(np.complex128)
    bench = make_bench(frequency_hz, response)
    assert bench.cells.shape == (1, 12)
    assert (bench.cells[0, [0, 1, 2, 3, 4, 8, 9, 10, 11]].sum(), bench.cells[0, 5:8].sum()) == (n_loud, n_quiet)


@pytest.mark.parametrize("fault", FAULTS)
def test_truth_says_what_each_fault_is(fault: str) -> None:
    scene = scene_of(fault)
    late_ms = np.round((scene.present.delays_s - scene.best.delays_s) * 1e3, 6)
    flipped = {scene.outputs[i].name for i in np.flatnonzero(scene.present.signs != scene.best.signs)}
    moved = {scene.outputs[i].name for i in np.flatnonzero(late_ms)}
    subs = {"sub left", "sub right"}
    upside_down = {scene.outputs[i].name for i in np.flatnonzero(scene.wiring < 0)}
    microphones = {scene.positions[i].name for i in np.flatnonzero(scene.microphone_signs < 0)}
    loss_db = spelled_out_score_db(scene, scene.best) - spelled_out_score_db(scene, scene.present)
    if fault == simulate_draw.DELAY_LEFT_IN:
        assert (moved, flipped, upside_down, microphones) == (subs, set(), set(), set())
        assert 6.0 <= late_ms.max() <= 7.5
        assert loss_db >= 0.65
    elif fault == simulate_draw.OTHER_POLARITY:
        assert (flipped, upside_down, microphones) == (subs, set(), set())
        upright, inverted = scene.sub_choices
        assert inverted.score_db - upright.score_db >= 0.5
        assert loss_db >= 1.5
    elif fault == simulate_draw.MONITOR_INVERTED:
        assert (moved, flipped, upside_down, microphones) == (set(), {scene.target}, {scene.target}, set())
        assert scene.target in {"wedge", "side fill"}
    elif fault == simulate_draw.TOWER_EARLY:
        assert (moved, flipped, upside_down, microphones) == ({"delay tower"}, set(), set(), set())
        assert -45.0 <= late_ms.min() <= -20.0
    elif fault == simulate_draw.MICROPHONE_INVERTED:
        assert (moved, flipped, upside_down, microphones) == (set(), set(), set(), {scene.target})
        assert scene.positions[index_of(scene.positions, scene.target)].zone == "audience"
    else:
        assert (moved, flipped, upside_down, microphones, scene.target) == (set(), set(), set(), set(), "")


@pytest.mark.parametrize("fault", [simulate_draw.NO_FAULT, simulate_draw.MONITOR_INVERTED])
def test_best_polarity_of_every_monitor_is_clear_on_stage(fault: str) -> None:
    scene = scene_of(fault)
    for index, output in enumerate(scene.outputs):
        if output.kind == "monitor":
            assert simulate_draw.monitor_margin_db(scene, index) >= 0.3
            assert scene.best.signs[index] == scene.wiring[index]


def test_arrivals_equal_geometry() -> None:
    scene = scene_of(simulate_draw.NO_FAULT)
    settled = true_responses(scene, scene.present)
    arrival_ms = simulate_files.truth(scene)["arrival_ms"]
    assert isinstance(arrival_ms, dict)
    for o, output in enumerate(scene.outputs):
        on_axis = output.box.response(scene.frequency_hz)
        for p, position in enumerate(scene.positions):
            # Without the box, and above the lowest octaves where dividing by it would lift nothing but rounding.
            bare = np.where(scene.frequency_hz > 40.0, settled[o, p] / np.where(on_axis == 0.0, 1.0, on_axis), 0.0)
            pulses = np.abs(np.fft.irfft(bare))
            expected_s = (
                scene.rig.latency_s
                + scene.present.delays_s[o]
                + math.dist(output.place_m, position.place_m) / (343.2 * math.sqrt(_kelvin(scene) / 293.15))
            )
            assert arrival_ms[output.name][position.name] == pytest.approx(expected_s * 1e3, abs=1e-3)
            until = round(expected_s * RATE_HZ) + 8
            assert int(np.argmax(pulses[:until])) == pytest.approx(expected_s * RATE_HZ, abs=1.01)


def _kelvin(scene: Scene) -> float:
    return scene.rig.hall.temperature_c + 273.15


def test_fills_and_towers_line_up_where_asked() -> None:
    scene = scene_of(simulate_draw.TOWER_EARLY)
    arrival_s = scene.flight_s + scene.best.delays_s[:, None]
    for name, seat, later_ms in (("front fill", "front", 0.0), ("delay tower", "back", 8.0)):
        p = index_of(scene.positions, seat)
        lead_s = arrival_s[index_of(scene.outputs, name), p] - arrival_s[0, p]
        assert lead_s * 1e3 == pytest.approx(later_ms, abs=0.006)


def test_fault_is_drawn_from_the_seed() -> None:
    assert {simulate_draw.draw_fault(seed) for seed in range(40)} == set(FAULTS)
    scene = build_scene(2, sample_rate_hz=RATE_HZ)
    assert scene.fault == simulate_draw.draw_fault(2)
    assert scene.target or scene.fault == simulate_draw.NO_FAULT


# Files


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "check"
    make_demo(folder, 11, duration_s=4.0, sample_rate_hz=RATE_HZ, fault=simulate_draw.MICROPHONE_INVERTED)
    return folder


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_same_seed_same_bytes(demo: Path, tmp_path: Path) -> None:
    again, other = tmp_path / "again", tmp_path / "other"
    make_demo(again, 11, duration_s=4.0, sample_rate_hz=RATE_HZ, fault=simulate_draw.MICROPHONE_INVERTED)
    make_demo(other, 12, duration_s=4.0, sample_rate_hz=RATE_HZ, fault=simulate_draw.MICROPHONE_INVERTED)
    assert contents(again) == contents(demo)
    assert contents(other).keys() == contents(demo).keys()
    assert all(contents(other)[name] != data for name, data in contents(demo).items())


def test_description_names_what_is_there(demo: Path) -> None:
    description = tomllib.loads((demo / "soundcheck.toml").read_text(encoding="utf-8"))
    assert description["format"] == 1
    assert description["reference"] in description["outputs"]
    named = set()
    for capture in description["captures"]:
        assert set(capture["feeds"]) <= set(description["outputs"])
        assert set(capture["mics"]) == set(description["positions"])
        for track in [*capture["feeds"].values(), *capture["mics"].values()]:
            file, _, channel = track.partition(":")
            info = soundfile.info(demo / file)
            assert int(channel or 1) <= info.channels
            assert (info.samplerate, info.frames, info.subtype) == (RATE_HZ, 4 * RATE_HZ, "PCM_16")
            named.add(file)
    assert named == {name for name in contents(demo) if name.endswith(".flac")}
    assert [name for capture in description["captures"] for name in capture["feeds"]] == list(description["outputs"])


def test_description_is_read_as_it_was_meant(demo: Path) -> None:
    scene, check = scene_of(simulate_draw.MICROPHONE_INVERTED), load_sound_check(demo)
    assert not check.findings
    assert check.groups == (
        ("main left", "main right"), ("sub left", "sub right"), ("front fill",), ("delay tower",), ("wedge",),
        ("side fill",),
    )  # fmt: skip
    for index, output in enumerate(scene.outputs):
        read = check.outputs[output.name]
        assert (read.kind, read.feed_tap) == (output.kind, output.feed_tap)
        assert read.setting.delay_ms == pytest.approx(scene.present.delays_s[index] * 1e3, abs=1e-4)
        assert read.setting.sign == scene.present.signs[index]
    assert [position.polarity for position in check.positions.values()] == [""] * len(scene.positions)
    assert check.temperature_c == scene.rig.hall.temperature_c


def test_description_does_not_give_the_fault_away(demo: Path) -> None:
    text = (demo / "soundcheck.toml").read_text(encoding="utf-8")
    assert not any(fault in text for fault in FAULTS if fault != simulate_draw.NO_FAULT)
    assert "inverted" not in text


def read_track(folder: Path, track: str) -> NDArray[np.float64]:
    file, _, channel = track.partition(":")
    samples, _ = soundfile.read(folder / file, always_2d=True)
    return np.asarray(samples[:, int(channel or 1) - 1], dtype=np.float64)


def test_noise_of_the_hall_is_its_own_in_every_capture(demo: Path) -> None:
    captures = tomllib.loads((demo / "soundcheck.toml").read_text(encoding="utf-8"))["captures"]
    before = round(0.39 * RATE_HZ)  # nothing plays yet
    for name in captures[0]["mics"]:
        mains, subs = (read_track(demo, capture["mics"][name]) for capture in captures[:3:2])
        snr_db = 20.0 * math.log10(np.std(mains) / np.std(mains[:before]))
        assert 34.0 <= snr_db <= 46.0  # drawn from 36 to 44; 0.4 s of noise is a short look
        related = np.corrcoef(mains[:before], subs[:before])[0, 1]
        assert abs(related) < 0.5


def test_recordings_hold_what_the_truth_says(demo: Path) -> None:
    scene = scene_of(simulate_draw.MICROPHONE_INVERTED)
    description = tomllib.loads((demo / "soundcheck.toml").read_text(encoding="utf-8"))
    truth = json.loads((demo / "truth.json").read_text(encoding="utf-8"))

    for capture in description["captures"]:
        ((name, track),) = capture["feeds"].items()
        output, o = description["outputs"][name], index_of(scene.outputs, name)
        # A feed tapped after the setting holds it already.
        delay_s = 0.0 if output.get("feed_tap") == "after" else output["delay_ms"] * 1e-3
        for p, position in enumerate(scene.positions):
            turned = scene.response[o, p] * np.exp(-2j * np.pi * delay_s * scene.frequency_hz)
            expected = signal.oaconvolve(read_track(demo, track), np.fft.irfft(turned))[: 4 * RATE_HZ]
            heard = read_track(demo, capture["mics"][position.name])
            related = float(heard @ expected / np.sqrt((heard @ heard) * (expected @ expected)))
            sign = 1.0 if truth["positions"][position.name]["microphone_polarity"] == "normal" else -1.0
            assert related * sign > 0.98, (name, position.name)


def test_a_folder_that_holds_something_is_refused(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("keep me")
    with pytest.raises(DescriptionError, match=r"not an empty folder.\n.*--out"):
        make_demo(tmp_path, 1)
    assert contents(tmp_path) == {"notes.txt": b"keep me"}


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"seed": 1, "fault": "gremlins"}, "no such fault"),
        ({"seed": -1}, "seed is negative"),
        ({"seed": 1, "duration_s": 0.5}, "too short"),
    ],
)
def test_calls_that_cannot_work_are_refused(tmp_path: Path, options: dict[str, object], message: str) -> None:
    with pytest.raises(DescriptionError, match=message):
        make_demo(tmp_path / "demo", **options)  # type: ignore[arg-type]
    assert not contents(tmp_path)


def test_nothing_half_written_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_scene: Scene, folder: Path, _duration_s: float) -> None:
        (folder / "half.flac").write_bytes(b"half")
        raise OSError(errno.ENOSPC, "No space left on device")

    scene = scene_of(simulate_draw.NO_FAULT)
    monkeypatch.setattr(simulate, "record", full)
    monkeypatch.setattr(simulate, "build_scene", lambda *_args, **_options: scene)
    with pytest.raises(OutputError, match="No space left"):
        make_demo(tmp_path / "demo", 1)
    assert not list(tmp_path.iterdir())


def assert_same(one: object, other: object) -> None:
    """Nested lists and dicts are equal, numbers to 0.002 (the last digits may differ between machines)."""
    assert type(one) is type(other)
    if isinstance(one, dict) and isinstance(other, dict):
        assert one.keys() == other.keys()
        for key in one:
            assert_same(one[key], other[key])
    elif isinstance(one, list) and isinstance(other, list):
        for a, b in zip(one, other, strict=True):
            assert_same(a, b)
    elif isinstance(one, float):
        assert one == pytest.approx(other, abs=2e-3)
    else:
        assert one == other


def test_sample_is_what_its_seed_gives() -> None:
    truth = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))
    scene = build_scene(truth["seed"])
    current = json.loads(json.dumps(simulate_files.truth(scene)))
    assert current.pop("versions").keys() == truth.pop("versions").keys()
    assert_same(current, truth)
    assert (SAMPLE / "soundcheck.toml").read_text(encoding="utf-8") == simulate_files.description_text(scene)
    assert sum(len(data) for data in contents(SAMPLE).values()) < 40e6
    readme = (SAMPLE / "README.md").read_text(encoding="utf-8")
    assert f"analyze demo --out sample_audio --seed {truth['seed']}" in readme
    sub = truth["outputs"]["sub left"]
    assert truth["fault"] == simulate_draw.DELAY_LEFT_IN
    assert f"{sub['setting_delay_ms']} ms in force, {sub['best_delay_ms']} ms is best" in readme
