"""Made-up analyses to write reports of: outputs as delayed, filtered copies in a room without echoes."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
from grounds_making import grounds_of
from waveform_making import waveforms_of

from analyze.acoustics import band_centres_hz, band_edges_hz, nominal_hz
from analyze.alignment.rows import (
    DelayScan,
    MonitorTrick,
    Pair,
    Prediction,
    Proof,
    Recommendation,
    Robustness,
)
from analyze.description import Capture, Output, Position, Setting, SoundCheck, Track
from analyze.findings import Finding
from analyze.pipeline import Analysis, InputFile
from analyze.responses.rows import Arrival, Band, InputPair, Wiring
from analyze.responses.transfer import ImpulseResponse, Responses
from analyze.spectra.cross_spectra import FRAME_S, line_hz

KINDS = ("main", "sub", "tower", "monitor", "fill")
NAN = math.nan

#: Names that break careless writers: tags, quotes, formulas, directions, length, lines, controls, math, other scripts.
HOSTILE = (
    '<script>alert("1")</script>',
    '=HYPERLINK("http://example.invalid")',
    "\u202eright to left שלום",
    "long " * 40,
    'two\nlines, "quoted"',
    "舞台左サブ",
    "_hidden $x^2$ \\alpha",
    "[red]bold[/red] \x1b[31m",
    "]]> --> &amp; %s {0} {{ 7*7 }}",
    "+1; DROP",
    "NaN",
    "😀",
)


class Scene:
    """Outputs and positions with delays and signs of their own; everything else of an analysis follows from them."""

    def __init__(self, outputs: tuple[str, ...], positions: tuple[str, ...], seed: int = 1) -> None:
        self.rng = np.random.default_rng(seed)
        self.outputs, self.positions = outputs, positions
        self.kinds = {name: KINDS[i % len(KINDS)] if i else "main" for i, name in enumerate(outputs)}
        self.zones = {
            name: "stage" if i == 1 and len(positions) > 2 else "audience" for i, name in enumerate(positions)
        }
        self.bands = [nominal_hz(f, 3) for f in band_centres_hz(3, 20.0, 16500.0)]
        shape = (len(outputs), len(positions))
        self.arrival_ms = 8.0 + 20.0 * self.rng.random(shape)
        self.level_db = -30.0 + 6.0 * self.rng.random(shape)
        self.sign = np.where(np.arange(len(outputs)) % 3 == 1, -1.0, 1.0)
        self.change = {
            name: (self.sign[i], round(3.0 * i % 7, 2)) if i and self.decision(i) == "change" else (1.0, 0.0)
            for i, name in enumerate(outputs)
        }

    def decision(self, index: int) -> str:
        if index == 0:
            return "reference"
        return ("change", "change", "undecided", "keep")[index % 4]

    def spectrum(self, output: int, position: int, hz):
        """Response of one output at one position at present settings, at any frequencies."""
        low_pass = 1.0 / (1.0 + (hz / 120.0) ** 2) if self.kinds[self.outputs[output]] == "sub" else 1.0
        high_pass = hz**4 / (hz**4 + 35.0**4)
        gain = 10.0 ** (self.level_db[output, position] / 20.0) * low_pass * high_pass
        return self.sign[output] * gain * np.exp(-2j * np.pi * hz * self.arrival_ms[output, position] / 1000.0)

    def h(self, output: int, position: int, hz: float) -> complex:
        return complex(self.spectrum(output, position, hz))

    def responses(self) -> Responses:
        """The spectra with next to no error, up to 18 kHz."""
        hz = line_hz(round(18_000 * FRAME_S) + 1)
        h = np.array(
            [[self.spectrum(i, j, hz) for j in range(len(self.positions))] for i in range(len(self.outputs))],
            dtype=np.complex64,
        ).reshape(len(self.outputs), len(self.positions), len(hz))
        variance = np.full(h.shape, 1e-12, dtype=np.float32)
        ones = np.ones(h.shape, dtype=np.float32)
        low = h[None, ..., : round(400 * FRAME_S) + 1]
        averages = np.full(h.shape[:2], 41.0)
        return Responses("", self.outputs, self.positions, hz, h, variance, ones, ones, averages, low)

    def changed(self, output: int, position: int, hz: float) -> complex:
        sign, delay_ms = self.change[self.outputs[output]]
        return self.h(output, position, hz) * sign * complex(np.exp(-2j * np.pi * hz * delay_ms / 1000.0))

    def sound_check(self, title: str) -> SoundCheck:
        outputs = {
            name: Output(
                name=name,
                kind=self.kinds[name],
                group="subs" if self.kinds[name] == "sub" else "",
                setting=Setting(delay_ms=2.0 * i),
                notes={"device": "Processor A", "channel": str(i + 1)} if i < 3 else {},
            )
            for i, name in enumerate(self.outputs)
        }
        positions = {name: Position(name, self.zones[name]) for name in self.positions}
        capture = Capture(
            name="all in turn",
            playing=self.outputs,
            feeds={name: Track("take1.wav", i + 1) for i, name in enumerate(self.outputs)},
            mics={
                name: Track("handheld.wav", 1) if i == 2 else Track("take1.wav", 40 + i)
                for i, name in enumerate(self.positions)
            },
            unsynced=(("handheld.wav",),),
            settings={name: output.setting for name, output in outputs.items()},
        )
        return SoundCheck(
            path=Path("/nowhere/harbour/soundcheck.toml"),
            folder=Path("/nowhere/harbour"),
            title=title,
            date="2026-05-14",
            temperature_c=21.0,
            reference=self.outputs[0] if self.outputs else "",
            outputs=outputs,
            positions=positions,
            captures=(capture,),
            notes={"venue": "Harbour hall", "engineer": "A. Person"},
            source=b"format = 1\n",
        )

    def recommendations(self) -> tuple[Recommendation, ...]:
        rows = []
        for i, name in enumerate(self.outputs):
            sign, delay_ms = self.change[name]
            decision, setting = self.decision(i), 2.0 * i
            rows.append(
                Recommendation(
                    output=name,
                    kind=self.kinds[name],
                    group="subs" if self.kinds[name] == "sub" else "",
                    setting_delay_ms=setting,
                    setting_polarity="normal",
                    recommended_delay_ms=setting + delay_ms,
                    recommended_polarity="normal" if sign > 0 else "inverted",
                    delay_change_ms=delay_ms,
                    polarity_change="no" if sign > 0 else "yes",
                    decision=decision,
                    confidence=NAN if i == 0 else (0.62 if decision == "undecided" else 0.93),
                    polarity_confidence=NAN if i == 0 else 0.97,
                    cost_if_wrong_db=NAN if i == 0 else 2.4,
                    gain_db=NAN if i == 0 else 1.25,
                    worst_position=self.positions[-1] if i else "",
                    worst_gain_db=NAN if i == 0 else -0.3,
                    overlap_low_hz=NAN if i == 0 else 31.5,
                    overlap_high_hz=NAN if i == 0 else 250.0,
                    alternative=("inverted, 12.40 ms costs 0.2 dB", "candidate normal, 9.10 ms, +0.4 dB")[i % 4 == 2]
                    if i
                    else "",
                    reason="The reference never moves; everything else is lined up with it."
                    if i == 0
                    else "Upside down against the mains between 40 and 100 Hz at four of five seats, and 3 ms early.",
                )
            )
        return tuple(rows)

    def arrivals(self) -> tuple[Arrival, ...]:
        return tuple(
            Arrival(
                capture="all in turn",
                output=output,
                position=position,
                zone=self.zones[position],
                arrival_ms=float(self.arrival_ms[i, j]),
                arrival_std_ms=0.02 + 0.4 * (self.kinds[output] == "sub"),
                distance_m=NAN if i else 0.3432 * float(self.arrival_ms[i, j]),
                polarity="normal" if self.sign[i] > 0 else "inverted",
                polarity_confidence=0.95,
                own_polarity=("normal" if self.sign[i] > 0 else "inverted") if (i + j) % 4 else "undecided",
                own_confidence=0.91 if (i + j) % 4 else 0.55,
                level_db=float(self.level_db[i, j]),
                band_low_hz=31.5,
                band_high_hz=125.0 if self.kinds[output] == "sub" else 16000.0,
                coherence=0.9,
                averages=41.0,
            )
            for i, output in enumerate(self.outputs)
            for j, position in enumerate(self.positions)
        )

    def band_rows(self) -> tuple[Band, ...]:
        rows = []
        for (i, output), (j, position), hz in itertools.product(
            enumerate(self.outputs), enumerate(self.positions), self.bands
        ):
            low, high = band_edges_hz(hz, 3)
            h = self.h(i, j, hz)
            rows.append(
                Band(
                    capture="all in turn",
                    output=output,
                    position=position,
                    zone=self.zones[position],
                    band_hz=hz,
                    band_low_hz=float(low),
                    band_high_hz=float(high),
                    level_db=20.0 * math.log10(abs(h)),
                    phase_deg=math.degrees(np.angle(h)),
                    phase_std_deg=8.0,
                    group_delay_ms=0.1,
                    coherence=0.92,
                    averages=41.0,
                )
            )
        return tuple(rows)

    def pairs(self) -> tuple[Pair, ...]:
        rows = []
        for (j, position), (a, b), hz in itertools.product(
            enumerate(self.positions), itertools.combinations(range(len(self.outputs)), 2), self.bands
        ):
            one, two = self.h(a, j, hz), self.h(b, j, hz)
            louder = max(abs(one), abs(two))
            new = abs(self.changed(a, j, hz) + self.changed(b, j, hz))
            difference = 20.0 * math.log10(abs(one) / abs(two))
            rows.append(
                Pair(
                    position=position,
                    zone=self.zones[position],
                    output=self.outputs[a],
                    other=self.outputs[b],
                    band_hz=hz,
                    relative_delay_ms=float(self.arrival_ms[a, j] - self.arrival_ms[b, j]),
                    relative_phase_deg=math.degrees(np.angle(one / two)),
                    level_difference_db=difference,
                    sum_db=decibels(abs(one + two) / louder),
                    flipped_sum_db=decibels(abs(one - two) / louder),
                    recommended_sum_db=decibels(new / louder),
                    coherence=0.9,
                    usable="yes" if abs(difference) < 10.0 and 25.0 <= hz <= 500.0 else "no",
                )
            )
        return tuple(rows)

    def prediction(self) -> tuple[Prediction, ...]:
        rows = []
        for (j, position), hz in itertools.product(enumerate(self.positions), self.bands):
            indices = range(len(self.outputs))
            whole = sum(abs(self.h(i, j, hz)) for i in indices)
            present = decibels(abs(sum(self.h(i, j, hz) for i in indices)) / whole)
            new = decibels(abs(sum(self.changed(i, j, hz) for i in indices)) / whole)
            is_cell = self.zones[position] == "audience" and 25.0 <= hz <= 315.0
            cell = "yes" if is_cell else "no"
            error = 0.5 if hz <= 315.0 else NAN
            rows.append(
                Prediction(position, self.zones[position], hz, present, new, new - present, cell, error, 0.8 * error)
            )
        return tuple(rows)

    def robustness(self) -> tuple[Robustness, ...]:
        scenarios = [f"level:{name}:{step}" for name in self.outputs for step in ("+3", "+6", "-3", "-6")]
        scenarios += ["air:+10", "air:-10", *(f"seat:{name}" for name in self.positions)]
        scenarios += [f"polarity:{name}" for name in self.outputs[1:]]
        rows = []
        for scenario, position in itertools.product(scenarios, self.positions):
            advantage = float(self.rng.normal(1.2, 0.8))
            rows.append(Robustness(scenario, position, self.zones[position], -3.0, -3.0 + advantage, advantage))
        return tuple(rows)


def decibels(ratio: float) -> float:
    return 20.0 * math.log10(max(ratio, 1e-6))


def make_analysis(
    outputs: tuple[str, ...] = ("mains", "sub left", "lawn tower", "wedge"),
    positions: tuple[str, ...] = ("mix", "stage centre", "lawn", "balcony"),
    title: str = "Harbour hall, empty room",
) -> Analysis:
    """A whole analysis of these outputs and positions."""
    scene = Scene(outputs, positions)
    delays = np.arange(0.0, 40.0, 0.25)
    impulse = np.zeros(480, dtype=np.float32)
    impulse[24] = 0.5
    return Analysis(
        sound_check=scene.sound_check(title),
        bands_per_octave=3,
        version="0.1.0",
        input_files=(
            InputFile("take1.wav", "ab" * 32, 34_560_044, 48000, 48, 1_440_000, "WAV, 24 bit"),
            InputFile("handheld.wav", "cd" * 32, 2_880_044, 48000, 1, 1_440_000, "WAV, 16 bit"),
        ),
        recommendations=scene.recommendations(),
        wiring=tuple(
            Wiring(name, "normal" if scene.sign[i] > 0 else "inverted", 0.96, len(positions), len(positions), "Clear.")
            for i, name in enumerate(outputs)
        ),
        arrivals=scene.arrivals(),
        bands=scene.band_rows(),
        pairs=scene.pairs(),
        prediction=scene.prediction(),
        robustness=scene.robustness(),
        inputs=(
            InputPair(
                "drum kit",
                "kick out",
                "kick in",
                0.84,
                0.02,
                "inverted",
                0.99,
                0.84,
                "inverted",
                3.2,
                "change",
                "The leading edges of 38 hits point the other way.",
            ),
        ),
        findings=(
            Finding("noise", "note", "Hum at 50 Hz, harmless here.", value=50.0, unit="Hz"),
            Finding(
                "clipping",
                "warning",
                "Turn the microphone down by 6 dB and record again.",
                "all in turn",
                "mix",
                "take1.wav",
                40,
                12.0,
                "samples",
                3.25,
            ),
            Finding(
                "own_clock_lost", "error", "Record again with the recorder on the clock of the rest.", track="lawn"
            ),
        ),
        responses=scene.responses(),
        impulse_responses=tuple(
            ImpulseResponse(output, position, 48000, impulse) for output in outputs for position in positions
        ),
        delay_scans=tuple(
            DelayScan(
                (name,),
                (float(delays[0]), float(delays[-1])),
                delays,
                -3.0 + np.cos(delays / 3.0),
                -3.0 - np.cos(delays / 3.0),
                0.01 * delays,
                0.02 * delays,
            )
            for name in outputs[1:4]
        ),
        monitor_tricks=tuple(
            MonitorTrick(name, -2.1, 0.4, -0.05) for name in outputs if scene.kinds[name] == "monitor"
        ),
        recommended_change=scene.change,
        score_present_db=-3.4,
        score_recommended_db=-1.6,
        arrival_present_ms={
            (output, position): float(scene.arrival_ms[i, j])
            for i, output in enumerate(outputs)
            for j, position in enumerate(positions)
        },
        grounds=grounds_of(scene),
        waveforms=waveforms_of(scene.sound_check(title)),
        proofs=tuple(Proof((name,), positions[-1], "audience", (), 63.0, 100.0, 7.2, 5.9) for name in outputs[1:2]),
    )
