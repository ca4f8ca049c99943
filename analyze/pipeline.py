"""From a description to an analysis: the one page on which the whole way can be read.

captures -> responses and evidence as captured -> wiring and arrivals -> responses at present settings
-> decisions -> what they change, and how that stands up
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from analyze.alignment.chance import chance_score_db
from analyze.alignment.context import Context, context_of
from analyze.alignment.monitors import monitor_trick
from analyze.alignment.output_grounds import output_grounds
from analyze.alignment.pairs import pair_rows
from analyze.alignment.prediction import change_effects, prediction_rows
from analyze.alignment.proof import proofs
from analyze.alignment.quiet_outputs import quiet_findings, quiet_outputs, silent_twins
from analyze.alignment.recommend import changes_of, decide_all, delay_scans, recommendation_rows, without_optional
from analyze.alignment.robustness import robustness_rows
from analyze.alignment.score import Change, efficiency_db, mean_score
from analyze.audio.copied_takes import HeardTrack, copied_takes, of_unknown_take
from analyze.audio.files import AudioFile, sha256_of
from analyze.audio.peaks_alike import peaks_explained
from analyze.audio.track_checks import check_tracks
from analyze.audio.unused_tracks import unused_tracks
from analyze.description import SoundCheck
from analyze.findings import Finding
from analyze.responses.against_names import against_names
from analyze.responses.all_captures import Recorded, measure_all
from analyze.responses.arrival_table import (
    arrival_rows,
    arrivals_at_present,
    before_its_feed,
    high_phases,
    reference_arrivals,
    responses_at_present,
    sent_before_arrival,
    wiring_evidence,
)
from analyze.responses.bands import band_rows
from analyze.responses.capture import Measured, ProgressStart
from analyze.responses.exchanged_positions import exchanged_positions
from analyze.responses.feed_relations import feed_relations, relation_findings, sent_relative
from analyze.responses.flips import flip_findings
from analyze.responses.high_section import opposite_high_sections
from analyze.responses.louder_elsewhere import louder_elsewhere
from analyze.responses.muted_feeds import muted_feeds
from analyze.responses.out_of_place import out_of_place
from analyze.responses.seats import alike_seats
from analyze.responses.separation import not_separable, separation_findings, share_bands
from analyze.responses.several_captures import comparable, crosses_of, flip_rows, in_step, joined_captures
from analyze.responses.steadiness import not_steady
from analyze.responses.taped_distances import taped_distances
from analyze.responses.transfer import merged
from analyze.responses.twin_signs import twin_evidence
from analyze.responses.twins import twins_explained
from analyze.responses.unlike_takes import unlike_takes
from analyze.responses.wiring import all_inverted, disagreeing, solve_signs, wiring_rows
from analyze.version import VERSION, library_versions

if TYPE_CHECKING:
    from analyze.alignment.output_grounds import OutputGrounds
    from analyze.alignment.rows import (
        ChangeEffect,
        DelayScan,
        MonitorTrick,
        Pair,
        Prediction,
        Proof,
        Recommendation,
        Robustness,
    )
    from analyze.audio.waveform import Waveform
    from analyze.responses.feed_relations import FeedRelation
    from analyze.responses.rows import Arrival, Band, FlipBand, InputPair, ShareBand, Wiring
    from analyze.responses.transfer import ImpulseResponse, Responses

#: Resamples used where a decision is taken again only to see whether it changes.
_FEW_REPLICATES = 6
#: Fewer seats than this do not stand for a room.
_FEW_SEATS = 3
_SEED = 20260514


@dataclass(frozen=True)
class InputFile:
    """One audio file that was read: path relative to the description, SHA-256, size and format."""

    path: str
    sha256: str
    n_bytes: int
    sample_rate_hz: int
    n_channels: int
    n_frames: int
    format: str


@dataclass(frozen=True)
class Analysis:
    """Everything found in one sound check: what every table, plot and page is drawn from.

    responses : merged over captures, at present settings, re the programme where feeds carry it unequally
    recommended_change : per output (sign, delay_ms) that turns the present sum into the recommended one
    score_present_db, score_recommended_db : sum efficiency over the audience cells, NaN without a cell
    score_chance_db : its mean over settings taken blindly, see `chance_score_db`
    arrival_present_ms : per (output, position) pure delay at present settings
    flips : what captures of the same stretch with one output flipped show
    shares : what of each feed is its own where several sound at once
    feed_relations : of all feeds that share programme; where there are none equal feeds are assumed
    change_effects : what each change does to the recommended sums
    grounds : per output what its answers rest on
    proofs : what can be tried by ear, per decided group that has one
    waveforms : of every track that was read, with what was left out
    libraries : versions of what computed it
    """

    sound_check: SoundCheck
    bands_per_octave: int
    version: str
    input_files: tuple[InputFile, ...]
    recommendations: tuple[Recommendation, ...]
    wiring: tuple[Wiring, ...]
    arrivals: tuple[Arrival, ...]
    bands: tuple[Band, ...]
    pairs: tuple[Pair, ...]
    prediction: tuple[Prediction, ...]
    robustness: tuple[Robustness, ...]
    inputs: tuple[InputPair, ...]
    findings: tuple[Finding, ...]
    responses: Responses
    impulse_responses: tuple[ImpulseResponse, ...]
    delay_scans: tuple[DelayScan, ...]
    monitor_tricks: tuple[MonitorTrick, ...]
    recommended_change: dict[str, tuple[float, float]]
    score_present_db: float
    score_recommended_db: float
    arrival_present_ms: dict[tuple[str, str], float]
    score_chance_db: float = math.nan
    waveforms: tuple[Waveform, ...] = ()
    libraries: dict[str, str] = field(default_factory=library_versions)
    flips: tuple[FlipBand, ...] = ()
    shares: tuple[ShareBand, ...] = ()
    feed_relations: tuple[FeedRelation, ...] = ()
    change_effects: tuple[ChangeEffect, ...] = ()
    grounds: tuple[OutputGrounds, ...] = ()
    proofs: tuple[Proof, ...] = ()

    @property
    def is_undecided(self) -> bool:
        """Whether any output or stage input is left undecided (exit code 5)."""
        decisions = [r.decision for r in self.recommendations] + [i.decision for i in self.inputs]
        return "undecided" in decisions


def analyse(
    sound_check: SoundCheck,
    *,
    bands_per_octave: int = 3,
    workers: int | None = None,
    progress: ProgressStart | None = None,
    when_read: Callable[[], None] = lambda: None,
) -> Analysis:
    """Analyse one sound check.

    Parameters
    ----------
    bands_per_octave : 1, 3, 6 or 12, of the tables; decisions are taken in third octaves whatever it is
    workers : threads for the transforms, all cores if None; the results do not depend on it
    progress : told of every capture and of the samples done; when_read : called once all recordings are read

    Raises
    ------
    AudioError : if no capture can be analysed
    DescriptionError : if a track does not exist as described
    """
    from threadpoolctl import threadpool_limits

    # the matrices here are small: more threads for each would only wait for one another, and take the cores meanwhile
    with threadpool_limits(limits=1, user_api="blas"):
        check_tracks(sound_check)
        recorded = measure_all(sound_check, workers or os.cpu_count() or 1, progress)
        when_read()
        with ThreadPoolExecutor(1) as beside:  # hashing leaves the interpreter to what follows
            input_files = beside.submit(_input_files, recorded.files)
            if not sound_check.outputs:
                return _inputs_alone(sound_check, recorded, input_files, bands_per_octave)
            return _of_outputs(sound_check, recorded, input_files, bands_per_octave)


def _of_outputs(
    sound_check: SoundCheck, recorded: Recorded, input_files: Future[tuple[InputFile, ...]], bands_per_octave: int
) -> Analysis:
    """The analysis of a description with outputs, from what was measured to what it changes."""
    rng = np.random.default_rng([_SEED, len(recorded.measured)])
    measured, joint_findings = joined_captures(sound_check, in_step(recorded.measured), rng)

    tracks = list(_heard_tracks(recorded, sound_check))
    copies = copied_takes(tracks, sound_check)
    of_others = of_unknown_take(copies, sound_check)  # these were not recorded, another sound was
    evidence = wiring_evidence(measured)
    twins = twin_evidence(measured, sound_check)
    signs = solve_signs(evidence, twins)
    heard = arrival_rows(measured, sound_check, signs)
    not_their_own = {*of_others, *before_its_feed(heard, measured)}
    untrue = not_their_own - {sound_check.reference}
    if untrue:  # what is not theirs says nothing of how they, or any microphone, are wired
        evidence = {key: 0.0 if key[0] in untrue else one for key, one in evidence.items()}
        twins = {pair: tables for pair, tables in twins.items() if not untrue & {*pair}}
        signs = solve_signs(evidence, twins)
        heard = arrival_rows(measured, sound_check, signs)
    declared = {name: position.polarity for name, position in sound_check.positions.items()}
    wiring, wiring_findings = wiring_rows(
        evidence,
        signs,
        declared,
        sound_check.set_inverted,
        [name for name, output in sound_check.outputs.items() if output.feed_tap == "after"],
    )
    related, clock_findings = comparable(measured)
    arrivals = arrivals_at_present(related, sound_check, signs)

    outputs, positions = tuple(sound_check.outputs), tuple(sound_check.positions)
    responses, merge_findings = merged(
        [responses_at_present(m, sound_check, signs) for m in related], outputs, positions
    )
    blocked, early_findings = sent_before_arrival(measured, sound_check, signs)
    apart = [s for m in measured for s in m.separations]
    responses = responses.without(untrue)
    quiet = quiet_outputs(sound_check, responses)
    blocked |= of_others | not_separable(apart) | not_steady(recorded.findings) | silent_twins(quiet)
    contradicted = frozenset(f.track for f in merge_findings)
    relations, relation_mistakes = feed_relations(sound_check, recorded.measured, muted_feeds(sound_check))
    sent = sent_relative(relations, outputs, sound_check.reference)
    context = context_of(sound_check, responses, arrivals, signs, blocked, contradicted, sent)
    responses = context.responses

    decisions = decide_all(context)
    changes, left_out = changes_of(decisions), without_optional(context, decisions)
    typed = [changes] if changes == left_out else [changes, left_out]
    monitors = [g for g in decisions if sound_check.outputs[g[0]].kind == "monitor"]
    tricks = [monitor_trick(context, g, changes) for g in monitors]
    zones = {name: position.zone for name, position in sound_check.positions.items()}
    reference_ms = reference_arrivals(arrivals, sound_check.reference)
    own_clocks = {key for m in measured for key in m.own_clocks}
    flips = flip_rows(sound_check, recorded.measured, recorded.unfed, signs)
    n = bands_per_octave
    bands = [row for m in measured for row in band_rows(m.responses, zones, reference_ms, n)]
    return Analysis(
        sound_check=sound_check,
        bands_per_octave=n,
        version=VERSION,
        recommendations=tuple(recommendation_rows(context, decisions)),
        wiring=tuple(wiring),
        arrivals=tuple(heard),
        bands=tuple(bands),
        pairs=tuple(pair_rows(responses, sound_check, changes, n)),
        prediction=tuple(prediction_rows(responses, sound_check, changes, context.audience, n)),
        change_effects=tuple(change_effects(responses, list(decisions), changes)),
        robustness=tuple(robustness_rows(context, changes, _decided_again)),
        inputs=tuple(recorded.inputs),
        waveforms=tuple(recorded.waveforms),
        findings=(
            *twins_explained(sound_check, wiring),
            *peaks_explained(recorded.findings, tracks),
            *unused_tracks(sound_check, {file: one.n_channels for file, one in recorded.files.items()}),
            *(copy.finding for copy in copies),
            *joint_findings,
            *clock_findings,
            *early_findings,
            *separation_findings(apart, {name: sound_check.group_of(name) for name in sound_check.outputs}),
            *wiring_findings,
            *all_inverted(signs),
            *disagreeing(evidence, signs),
            *opposite_high_sections(
                high_phases(measured, signs), {name: output.kind for name, output in sound_check.outputs.items()}
            ),
            *merge_findings,
            *quiet_findings(quiet),
            *exchanged_positions(heard, measured),
            *taped_distances(sound_check, arrivals, own_clocks, not_their_own),
            *out_of_place(sound_check, arrivals, own_clocks, not_their_own),
            *against_names(sound_check, arrivals, own_clocks, not_their_own),
            *louder_elsewhere(sound_check, bands),
            *flip_findings(flips),
            *unlike_takes([m.capture for m in recorded.measured], crosses_of(recorded.measured)),
            *_few_seats(sound_check),
            *alike_seats(responses, zones),
            *relation_mistakes,
            *relation_findings(relations, {name: sound_check.group_of(name) for name in sound_check.outputs}),
        ),
        responses=responses,
        impulse_responses=_newest_impulses(measured),
        delay_scans=tuple(delay_scans(context, decisions)),
        monitor_tricks=tuple(t for t in tricks if t is not None),
        recommended_change=changes,
        score_present_db=_score(context, {}),
        score_recommended_db=_score(context, changes),
        score_chance_db=chance_score_db(context),
        arrival_present_ms={key: ms for key, (ms, _) in arrivals.items()},
        flips=tuple(flips),
        shares=tuple(row for m in recorded.measured if m.cross for row in share_bands(m.cross, m.responses)),
        feed_relations=tuple(relations),
        proofs=tuple(proofs(context, decisions, typed)),
        grounds=tuple(output_grounds(sound_check, decisions, evidence, signs, arrivals, heard)),
        input_files=input_files.result(),  # last: hashing goes on beside all of the above
    )


def _inputs_alone(
    sound_check: SoundCheck, recorded: Recorded, input_files: Future[tuple[InputFile, ...]], bands_per_octave: int
) -> Analysis:
    """The analysis of a description without outputs: its stage inputs."""
    nothing, _ = merged([], (), tuple(sound_check.positions))
    return Analysis(
        sound_check=sound_check,
        bands_per_octave=bands_per_octave,
        version=VERSION,
        input_files=input_files.result(),
        recommendations=(),
        wiring=(),
        arrivals=(),
        bands=(),
        pairs=(),
        prediction=(),
        robustness=(),
        inputs=tuple(recorded.inputs),
        waveforms=tuple(recorded.waveforms),
        findings=(*sound_check.findings, *recorded.findings),
        responses=nothing,
        impulse_responses=(),
        delay_scans=(),
        monitor_tricks=(),
        recommended_change={},
        score_present_db=float("nan"),
        score_recommended_db=float("nan"),
        arrival_present_ms={},
    )


def _few_seats(sound_check: SoundCheck) -> list[Finding]:
    """A note where settings rest on fewer than three seats."""
    n = sum(1 for p in sound_check.positions.values() if p.zone == "audience")
    if not 0 < n < _FEW_SEATS:
        return []
    detail = "Settings fit the seats that were measured, and one or two do not stand for a room: measure three or more."
    return [Finding("few seats", "note", detail, value=float(n), unit="seats")]


def _heard_tracks(recorded: Recorded, sound_check: SoundCheck) -> Iterator[HeardTrack]:
    """Every microphone as it was read, from its lowest and highest samples column by column."""
    mics = {capture.name: capture.mics for capture in sound_check.captures}
    for one in recorded.waveforms:
        if one.kind == "mic":
            peak = float(np.abs([one.low, one.high]).max(initial=0.0))
            print_of = (one.column_s, one.low.tobytes(), one.high.tobytes())
            yield HeardTrack(one.capture, one.name, mics[one.capture][one.name].file, print_of, peak)


def _input_files(files: Mapping[str, AudioFile]) -> tuple[InputFile, ...]:
    return tuple(
        InputFile(
            path=shown,
            sha256=sha256_of(file.path),
            n_bytes=file.path.stat().st_size,
            sample_rate_hz=file.sample_rate_hz,
            n_channels=file.n_channels,
            n_frames=file.n_frames,
            format=f"{file.format} {file.subtype}",
        )
        for shown, file in sorted(files.items())
    )


def _decided_again(context: Context) -> dict[str, Change]:
    """The decisions taken once more on a changed context."""
    return changes_of(decide_all(replace(context, replicates=context.replicates[:_FEW_REPLICATES])))


def _newest_impulses(measured: list[Measured]) -> tuple[ImpulseResponse, ...]:
    """Impulse responses per output and position, the newest capture's."""
    newest = {(i.output, i.position): i for m in measured for i in m.impulse_responses}
    return tuple(newest.values())


def _score(context: Context, changes: Mapping[str, Change]) -> float:
    """Sum efficiency over the audience cells with these changes."""
    if not len(context.audience):
        return float("nan")
    return float(mean_score(efficiency_db(context.changed(changes), context.audience), context.audience))
