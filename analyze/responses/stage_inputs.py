"""Stage inputs of one capture -> one row per input that is compared: `inputs.csv`.

Every input is compared with the one the description names, else with the capture's first input, only where their
source plays. The polarity comes first; the delay is optional, and it is always the earlier of the two that is delayed.
"""

from __future__ import annotations

import math

from analyze.audio.damage import SILENT_DBFS, TrackStatistics, damage_findings, waveforms_of
from analyze.audio.recording import open_recording
from analyze.audio.tracks_read import TracksRead
from analyze.description import Capture, SoundCheck
from analyze.findings import Finding
from analyze.responses.capture import ProgressStart
from analyze.responses.rows import InputPair
from analyze.responses.stage_hits import find_hits
from analyze.responses.stage_relation import Relation, relation_of, sum_gain_db
from analyze.responses.stage_selection import PairSound, pair_sound
from analyze.responses.stage_words import (
    decided_reason,
    doubtful_reason,
    few_hits_reason,
    own_clock_reason,
    silent_reason,
    unrelated_reason,
)
from analyze.responses.wiring import DECIDED, polarity_word

#: Fewer hits than this decide nothing.
_FEWEST_HITS = 3
#: A delay is recommended from this many standard deviations and from this gain on; less cannot be heard.
_SURE_DELAY, _LEAST_GAIN_DB = 2.0, 0.1


def compare_inputs(
    sound_check: SoundCheck, capture: Capture, progress: ProgressStart | None = None
) -> tuple[list[InputPair], list[Finding], TracksRead]:
    """Compare the stage inputs of one capture.

    Returns
    -------
    A row per input that is compared, in the order of the description; findings on the tracks; what was read.
    A capture with fewer than two inputs has none of them.

    Raises
    ------
    AudioError : if a file cannot be read at all
    DescriptionError : if a track does not exist as described
    """
    pairs = _pairs(capture)
    apart = {file for clock in capture.unsynced for file in clock}
    tracks = {("input", name): track for name, track in capture.inputs.items() if track.file not in apart}
    if not pairs or not tracks:
        return [_undecided(capture, *pair, own_clock_reason(*pair)) for pair in pairs], [], TracksRead()
    with open_recording(sound_check.folder, capture, tracks) as recording:
        statistics = TrackStatistics(len(tracks), recording.sample_rate_hz)
        advance = progress(capture.name, recording.n_frames) if progress else None
        hits, stretches = find_hits(recording, statistics, advance)
        findings = [*recording.findings, *recording.late_findings()]
        files, places = recording.files, recording.places
    summary = statistics.finish()
    findings += damage_findings(summary, places)
    read = TracksRead(files, waveforms_of(summary, places))
    names = [name for _, name in tracks]
    silent = [name for name, level in zip(names, summary.level_dbfs, strict=True) if not level >= SILENT_DBFS]
    rows = []
    for name, other in pairs:
        if name not in names or other not in names:
            rows.append(_undecided(capture, name, other, own_clock_reason(name, other)))
        elif name in silent or other in silent:
            rows.append(_undecided(capture, name, other, silent_reason(name if name in silent else other)))
        else:
            both = {("input", label): capture.inputs[label] for label in (other, name)}
            with open_recording(sound_check.folder, capture, both) as recording:
                sound = pair_sound(recording, hits, stretches, names.index(other), names.index(name))
            rows.append(_row(capture, name, other, sound))
    return rows, findings, read


def _pairs(capture: Capture) -> list[tuple[str, str]]:
    """Each input and the one it is compared with; the first input has a partner only if it is given one."""
    first = next(iter(capture.inputs), "")
    partners = {name: capture.against.get(name, first) for name in capture.inputs}
    return [(name, other) for name, other in partners.items() if name != other]


def _row(capture: Capture, name: str, other: str, sound: PairSound) -> InputPair:
    """The row of one pair: x is `other`, y is `name`. Its gain is that of all it says, a delay of `other` included."""
    n_hits = len(sound.x)
    if n_hits < _FEWEST_HITS:
        return _undecided(capture, name, other, few_hits_reason(name, other, n_hits, sound.n_clipped))
    relation = relation_of(sound)
    if not relation.is_shared:
        return _undecided(capture, name, other, unrelated_reason(name, other))
    if relation.confidence < DECIDED:
        return _undecided(capture, name, other, doubtful_reason(relation), relation)
    turned_db = sum_gain_db(sound, relation.sign, 0.0)
    aligned_db = sum_gain_db(sound, relation.sign, relation.delay_s)
    is_sure = abs(relation.delay_s) > _SURE_DELAY * relation.delay_std_s
    delay_ms = round(1000.0 * abs(relation.delay_s), 2)
    if not is_sure or aligned_db - turned_db < _LEAST_GAIN_DB:
        delay_ms, aligned_db = 0.0, turned_db
    is_named = name in capture.against or len(capture.inputs) == 2
    own_delay_ms = delay_ms if relation.delay_s < 0.0 else 0.0
    return InputPair(
        capture=capture.name,
        input=name,
        against=other,
        relative_delay_ms=1000.0 * relation.delay_s,
        relative_delay_std_ms=1000.0 * relation.delay_std_s,
        polarity=polarity_word(relation.sign),
        polarity_confidence=relation.confidence,
        recommended_delay_ms=own_delay_ms,
        recommended_polarity=polarity_word(relation.sign),
        gain_db=aligned_db,
        decision="keep" if relation.sign > 0 and own_delay_ms == 0.0 else "change",
        reason=decided_reason(name, other, relation, delay_ms, aligned_db - turned_db, is_named),
    )


def _undecided(capture: Capture, name: str, other: str, reason: str, relation: Relation | None = None) -> InputPair:
    """The row of a pair whose polarity cannot be told; what is known of it comes from `relation`."""
    return InputPair(
        capture=capture.name,
        input=name,
        against=other,
        relative_delay_ms=math.nan if relation is None else 1000.0 * relation.delay_s,
        relative_delay_std_ms=math.nan if relation is None else 1000.0 * relation.delay_std_s,
        polarity="undecided",
        polarity_confidence=0.5 if relation is None else relation.confidence,
        recommended_delay_ms=0.0,
        recommended_polarity="normal",
        gain_db=math.nan,
        decision="undecided",
        reason=reason,
    )
