"""Write a simulated sound check down: description, recordings and the truth, each in its own function.

The recordings are 16-bit FLAC. What is recorded: every output alone, its feed and all microphones, with the settings in
force and the noise of the hall. The same scene gives the same bytes.
"""

from __future__ import annotations

import json
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import db_to_amplitude
from analyze.simulate_draw import monitor_margin_db
from analyze.simulate_feeds import make_feed, pink_noise
from analyze.simulate_rig import Output
from analyze.simulate_scene import REFERENCE, SUB_GROUP, Scene, Settings, index_of, members
from analyze.simulate_venue import distance_m

#: Gain of every microphone preamplifier, dB, and range of the ratio of the reference output to the noise of the hall.
_MICROPHONE_GAIN_DB, _SNR_RANGE_DB = 6.0, (36.0, 44.0)

#: The hall's own noise: machinery and traffic, falling with frequency.
_NOISE_LOW_HZ, _NOISE_HIGH_HZ = 15.0, 6000.0

#: Version of the simulation itself; a change here changes the bytes.
_MODEL_VERSION = 1

#: How the tracks of one capture are spread over files, by turns.
_TOGETHER, _APART, _FEED_APART = "together", "apart", "feed apart"
_SPREADS = (_TOGETHER, _APART, _TOGETHER, _APART, _TOGETHER, _FEED_APART, _TOGETHER, _FEED_APART)

_FEED_NAMES = {"noise": "pink noise", "sweep": "sweeps", "groove": "drums and bass"}


def record(scene: Scene, folder: Path, duration_s: float) -> None:
    """Write `soundcheck.toml`, the recordings and `truth.json` into an empty folder."""
    noise_rms = _noise_rms(scene, duration_s)
    for index in range(len(scene.outputs)):
        feed, microphones = _capture(scene, index, duration_s, noise_rms)
        _write_tracks(scene, index, folder, feed, microphones)
    _write_text(folder / "soundcheck.toml", description_text(scene))
    _write_text(folder / "truth.json", json.dumps(truth(scene), indent=2, ensure_ascii=False) + "\n")


def truth(scene: Scene) -> dict[str, object]:
    """What is true about a scene, ready for JSON; keys carry their units, delays are later when positive.

    `arrival_ms` is the pure delay as captured: setting, latency and direct path.
    """
    return {
        "fault": scene.fault,
        "target": scene.target,
        "seed": scene.seed,
        "visit": scene.visit,
        "draws": scene.n_draws,
        "reference": REFERENCE,
        "temperature_c": scene.rig.hall.temperature_c,
        "latency_ms": _ms(scene.rig.latency_s),
        "outputs": {output.name: _output_truth(scene, i) for i, output in enumerate(scene.outputs)},
        "positions": {
            position.name: {
                "zone": position.zone,
                "microphone_polarity": _polarity(scene.microphone_signs[p]),
                "place_m": position.place_m,
            }
            for p, position in enumerate(scene.positions)
        },
        "arrival_ms": {
            output.name: {
                position.name: _ms(scene.flight_s[o, p] + scene.present.delays_s[o])
                for p, position in enumerate(scene.positions)
            }
            for o, output in enumerate(scene.outputs)
        },
        "scores": _scores(scene),
        "versions": {"model": _MODEL_VERSION, **{name: _version(name) for name in ("numpy", "scipy", "soundfile")}},
    }


def description_text(scene: Scene) -> str:
    """The text of `soundcheck.toml`."""
    about, date = _ABOUT[scene.visit]
    blocks = [_HEAD.format(about=about, date=date, temperature=scene.rig.hall.temperature_c, reference=REFERENCE)]
    blocks += [_output_text(scene, index) for index in range(len(scene.outputs))]
    blocks += [_position_text(scene, index) for index in range(len(scene.positions))]
    blocks += [_capture_text(scene, index) for index in range(len(scene.outputs))]
    return "\n".join(blocks)


#: What is said of a visit, and its day.
_ABOUT = {
    1: ("One thing may be wrong with it.", "2026-04-18"),
    2: ("The second visit to this rig.", "2026-10-03"),
}
_HEAD = """\
# An invented sound check: the hall, the rig and every sound in it are simulated. {about}
# What is true about it stands in truth.json, which the analysis does not read.
format = 1
title = "Lantern Quay, rope store, empty hall"
date = {date}
temperature_c = {temperature}
reference = "{reference}"
venue = "Rope store at Lantern Quay: warehouse hall, 34 x 22 x 9 m (invented)"
engineer = "the demo"
notes = "Every output alone, one after the other; four seats and two places on stage."
"""


def _output_text(scene: Scene, index: int) -> str:
    """One `[outputs.*]` table."""
    output = scene.outputs[index]
    lines = [f"[outputs.{_key(output.name)}]", f'kind = "{output.kind}"']
    if output.group:
        lines.append(f'group = "{output.group}"')
    lines.append(f"delay_ms = {_ms(scene.present.delays_s[index])}")
    lines.append(f'polarity = "{_polarity(scene.present.signs[index])}"')
    if output.feed_tap != "before":
        lines.append(f'feed_tap = "{output.feed_tap}"')
    if output.align_at:
        lines += [f'align_at = ["{output.align_at}"]', f"later_ms = {output.later_ms}"]
    if output.name == REFERENCE:
        lines.append(f"latency_ms = {_ms(scene.rig.latency_s)}")
    lines += ['device = "rack processor"', f'channel = "out {output.channel}"']
    return "\n".join(lines) + "\n"


def _position_text(scene: Scene, index: int) -> str:
    """One `[positions.*]` table; a taped distance stands at the first one."""
    position = scene.positions[index]
    lines = [f"[positions.{_key(position.name)}]", f'zone = "{position.zone}"']
    if index == 0:
        reference = scene.outputs[index_of(scene.outputs, REFERENCE)]
        path_m = distance_m(reference.place_m, position.place_m)
        lines.append(f"distance_m = {{ {_key(REFERENCE)} = {path_m:.1f} }}")
    return "\n".join(lines) + "\n"


def _capture_text(scene: Scene, index: int) -> str:
    """One `[[captures]]` table."""
    output, tracks = scene.outputs[index], _tracks(scene, index)
    mics = ", ".join(f"{_key(position.name)} = {_quoted(tracks[position.name])}" for position in scene.positions)
    lines = [
        "[[captures]]",
        f"name = {_quoted(f'{output.name}, {_FEED_NAMES[output.feed]}')}",
        f"feeds = {{ {_key(output.name)} = {_quoted(tracks[''])} }}",
        f"mics = {{ {mics} }}",
    ]
    return "\n".join(lines) + "\n"


def _tracks(scene: Scene, index: int) -> dict[str, str]:
    """Where each track of a capture stands: `FILE:CHANNEL` by position name, the feed under the empty name."""
    slug = scene.outputs[index].name.replace(" ", "_")
    names = [position.name for position in scene.positions]
    spread = _SPREADS[index % len(_SPREADS)]
    if spread == _TOGETHER:
        return {name: f"{slug}.flac:{channel}" for channel, name in enumerate(["", *names], start=1)}
    if spread == _APART:
        return {name: f"{slug}/{name or 'feed'}.flac" for name in ["", *names]}
    return {"": f"{slug}_feed.flac"} | {name: f"{slug}_mics.flac:{c}" for c, name in enumerate(names, start=1)}


def _write_tracks(
    scene: Scene, index: int, folder: Path, feed: NDArray[np.float64], microphones: NDArray[np.float64]
) -> None:
    """Write a feed (frame,) and microphones (frame, position) to where `_tracks` says."""
    import soundfile

    files: dict[str, list[NDArray[np.float64]]] = {}
    signals = {"": feed} | {position.name: microphones[:, p] for p, position in enumerate(scene.positions)}
    for name, track in _tracks(scene, index).items():
        files.setdefault(track.partition(":")[0], []).append(signals[name])
    for file, channels in files.items():
        path = folder / file
        path.parent.mkdir(parents=True, exist_ok=True)
        samples = np.rint(np.stack(channels, axis=1) * 2.0**15)  # (frame, channel)
        if np.abs(samples).max() >= 2.0**15:
            raise ValueError(f"{file} would clip")
        soundfile.write(path, samples.astype(np.int16), scene.sample_rate_hz, subtype="PCM_16", format="FLAC")


def _capture(
    scene: Scene, index: int, duration_s: float, noise_rms: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Feed (frame,) and microphones (frame, position) of the capture of one output."""
    rng = _rng(scene, 100 + index)
    n_frames = round(duration_s * scene.sample_rate_hz)
    output = scene.outputs[index]
    feed = make_feed(output.feed, n_frames, scene.sample_rate_hz, rng)
    clean = _heard(scene, index, feed)
    noise = [
        pink_noise(n_frames, scene.sample_rate_hz, _NOISE_LOW_HZ, _NOISE_HIGH_HZ, rng) for _ in range(clean.shape[1])
    ]
    return _tapped(scene, index, output, feed), clean + noise_rms * np.stack(noise, axis=1)


def _rng(scene: Scene, number: int) -> np.random.Generator:
    """Chance of its own for everything that is drawn, and for every visit."""
    return np.random.default_rng([scene.seed, scene.n_draws, number, *([scene.visit] if scene.visit > 1 else [])])


def _heard(scene: Scene, index: int, feed: NDArray[np.float64]) -> NDArray[np.float64]:
    """What the microphones pick up of one feed (frame,) without the noise of the hall: (frame, position)."""
    from scipy.signal import oaconvolve

    setting = Settings(scene.present.delays_s[[index]], scene.present.signs[[index]])
    turn = setting.signs[0] * np.exp(-2j * np.pi * setting.delays_s[0] * scene.frequency_hz)
    responses = np.fft.irfft(scene.response[index] * turn, axis=-1)  # (position, sample)
    gain = db_to_amplitude(_MICROPHONE_GAIN_DB) * scene.microphone_signs
    heard = [oaconvolve(feed, response)[: len(feed)] for response in responses]
    return np.asarray(gain * np.stack(heard, axis=1), dtype=np.float64)


def _tapped(scene: Scene, index: int, output: Output, feed: NDArray[np.float64]) -> NDArray[np.float64]:
    """The feed as recorded: with the setting of its output where the tap is after it."""
    if output.feed_tap == "before":
        return feed
    frequency_hz = np.fft.rfftfreq(len(feed), 1.0 / scene.sample_rate_hz)
    turn = scene.present.signs[index] * np.exp(-2j * np.pi * scene.present.delays_s[index] * frequency_hz)
    return np.asarray(np.fft.irfft(turn * np.fft.rfft(feed), len(feed)), dtype=np.float64)


def _noise_rms(scene: Scene, duration_s: float) -> NDArray[np.float64]:
    """RMS of the hall's noise (position,), so far below the reference output at each microphone as drawn."""
    rng = _rng(scene, 99)
    reference = index_of(scene.outputs, REFERENCE)
    feed = make_feed("noise", round(duration_s * scene.sample_rate_hz), scene.sample_rate_hz, rng)
    heard_rms = np.sqrt(np.mean(_heard(scene, reference, feed) ** 2, axis=0))
    snr_db = rng.uniform(*_SNR_RANGE_DB, size=len(scene.positions))
    return np.asarray(heard_rms / db_to_amplitude(snr_db), dtype=np.float64)


def _output_truth(scene: Scene, index: int) -> dict[str, object]:
    """What is true about one output; the margin is that of the best polarity over the other, for monitors on stage."""
    output, settings = scene.outputs[index], {"setting": scene.present, "best": scene.best}
    facts: dict[str, object] = {"kind": output.kind, "group": output.group, "wiring": _polarity(scene.wiring[index])}
    for name, setting in settings.items():
        facts[f"{name}_delay_ms"] = _ms(setting.delays_s[index])
        facts[f"{name}_polarity"] = _polarity(setting.signs[index])
    facts["place_m"] = output.place_m
    if output.kind == "monitor":
        facts["stage_margin_db"] = round(monitor_margin_db(scene, index), 3)
    return facts


def _scores(scene: Scene) -> dict[str, object]:
    """Sum efficiency over the seats, dB: all cells and the subs' own, at present, at best and either way up."""
    bench, subs = scene.bench(), members(scene.outputs, SUB_GROUP)
    scores: dict[str, object] = {}
    for name, setting in {"present": scene.present, "best": scene.best}.items():
        scores[f"{name}_db"] = round(bench.score_db(setting.signs, setting.delays_s), 3)
        scores[f"{name}_own_db"] = round(bench.score_db(setting.signs, setting.delays_s, subs), 3)
    scores["subs"] = {
        _polarity(choice.sign): {"delay_ms": _ms(choice.delay_s), "score_db": round(choice.score_db, 3)}
        for choice in scene.sub_choices
    }
    return scores


def _write_text(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def _quoted(text: str) -> str:
    """A TOML basic string (JSON's escapes are valid TOML)."""
    return json.dumps(text, ensure_ascii=False)


def _key(name: str) -> str:
    """A TOML key: bare where that is allowed."""
    return name if name.isascii() and name.replace("_", "").replace("-", "").isalnum() else _quoted(name)


def _ms(seconds: float) -> float:
    """Milliseconds, to a tenth of a microsecond."""
    return round(float(seconds) * 1e3, 4)


def _polarity(sign: float) -> str:
    return "normal" if sign > 0 else "inverted"


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return ""
