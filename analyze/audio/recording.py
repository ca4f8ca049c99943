"""All tracks of one capture on a common clock, read in blocks: every sample is decoded once, whatever the length.

Conventions: arrays are (frame, track) float32, full scale 1.0, tracks in the order of `labels`; frames count from the
start of the capture, times in findings and errors from the start of the file. Files of different lengths count as far
as the shortest goes. Clock 0 is the base: that of all files which the capture's `unsynced` does not list. Tracks of its
n-th entry have clock n; they are resampled onto the base (`clock.py`), which takes more passes at opening.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Hashable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analyze.audio.clock import ClockFit
from analyze.audio.clock_shared import Label, SharedClocks, is_feed, tracks_by_clock
from analyze.audio.clock_source import Resampled
from analyze.audio.damage import Kind, TrackPlace, TrackStatistics
from analyze.audio.decoder import Decoder
from analyze.audio.files import AudioFile, damaged_file, probe
from analyze.audio.recording_checks import check_channel, check_rates, common_part
from analyze.audio.recording_sources import OwnClock, Source, Spans
from analyze.errors import AudioError
from analyze.findings import Finding

if TYPE_CHECKING:
    from analyze.description import Capture, Track

_KINDS: dict[str, Kind] = {"feed": "feed", "mic": "mic", "input": "input"}


#: Samples beyond this, 120 dB over full scale, are no sound: their squares would run over.
_LARGEST = 1e6

#: Frames put together at a time: many files would else miss the processor's cache at every sample.
_TILE = 2048
#: Samples of all files decoded at a time, of channels that nobody asked for, too: they stay in the cache as well.
_MOST_SAMPLES = 1 << 18


class Recording:
    """The tracks of one capture, opened; a context manager. Made by `open_recording`.

    labels : the tracks, in the order of the track axis; places : the same with file and channel, for findings
    files : the audio files, each once, in the order in which the tracks name them, those of clock 0 first
    n_frames : length of the part that all files of clock 0 share, within the capture's `start_s` .. `end_s`
    start_frame : where this part begins in the files
    clock_of : per track, the clock it was recorded on
    findings : what was seen at opening

    `n_frames` shrinks when a file cannot be decoded to its end; a later pass then sees the shorter recording from the
    beginning. What came up while reading stands in `late_findings`.
    """

    def __init__(
        self,
        labels: Sequence[Hashable],
        places: Sequence[TrackPlace],
        sources: Sequence[Source],
        span: tuple[int, int],
        findings: Sequence[Finding],
        own_clocks: Sequence[OwnClock] = (),
    ) -> None:
        self.labels, self.places, self.findings = tuple(labels), tuple(places), tuple(findings)
        self.capture = self.places[0].capture
        self.files = tuple(source.file for source in sources)
        self.sample_rate_hz = self.files[0].sample_rate_hz
        self.files += tuple(file for own in own_clocks for file in own.recording.files)
        self.start_frame, self.n_frames = span[0], span[1] - span[0]
        self._sources, self._own_clocks = tuple(sources), tuple(own_clocks)
        number_of = {column: own.number for own in own_clocks for column in own.columns}
        self.clock_of = tuple(number_of.get(column, 0) for column in range(len(self.labels)))
        self._read_before = Spans()
        self._n_bad = np.zeros(len(self.labels), dtype=np.int64)
        self._first_bad = np.full(len(self.labels), -1, dtype=np.int64)

    def __enter__(self) -> Recording:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.n_frames / self.sample_rate_hz

    @property
    def gaps(self) -> tuple[tuple[tuple[int, int], ...], ...]:
        """Per track the frames (first, stop) without data, in order: the samples there are 0.

        A track on its own clock has none outside its file and around a jump.
        """
        gaps_of = {column: own.samples.gaps(self.n_frames) for own in self._own_clocks for column in own.columns}
        return tuple(gaps_of.get(column, ()) for column in range(len(self.labels)))

    @property
    def offset_s(self) -> tuple[float, ...]:
        """Per track how much earlier its recorder was started than that of clock 0, as found; 0 on clock 0."""
        of = {column: own.samples.pieces[0].offset_s for own in self._own_clocks for column in own.columns}
        return tuple(of.get(column, 0.0) for column in range(len(self.labels)))

    def close(self) -> None:
        """Close the files."""
        with ExitStack() as stack:
            for source in self._sources:
                stack.callback(source.decoder.close)
            for own in self._own_clocks:
                stack.callback(own.recording.close)

    def with_clock(self, number: int, foreign: Recording, fit: ClockFit) -> Recording:
        """The same with the tracks of another clock at its end; with nothing but the findings if the fit failed."""
        findings = [*self.findings, *foreign.findings, *fit.findings]
        labels, places, own_clocks = self.labels, self.places, self._own_clocks
        if fit.is_found:
            samples = Resampled(foreign, fit.pieces, self.sample_rate_hz)
            columns = range(len(labels), len(labels) + len(foreign.labels))
            from_s = fit.pieces[0].foreign_s(0.0)
            labels, own_clocks = labels + foreign.labels, (*own_clocks, OwnClock(number, foreign, samples, columns))
            places += tuple(dataclasses.replace(place, from_s=from_s) for place in foreign.places)
        span = (self.start_frame, self.start_frame + self.n_frames)
        return Recording(labels, places, self._sources, span, findings, own_clocks)

    def in_order(self, labels: Sequence[Hashable]) -> Recording:
        """The tracks that `labels` names, in its order; it may name others. Files stay open for all."""
        order = [self.labels.index(label) for label in labels if label in self.labels]
        place_of = {column: place for place, column in enumerate(order)}
        sources = [source.moved(place_of) for source in self._sources]
        moved = (own.moved(place_of) for own in self._own_clocks)
        own_clocks = [own for own in moved if own is not None]
        span = (self.start_frame, self.start_frame + self.n_frames)
        ordered = [self.labels[i] for i in order], [self.places[i] for i in order]
        return Recording(*ordered, sources, span, self.findings, own_clocks)

    def read(self, start: int, n: int) -> NDArray[np.float32]:
        """The `n` frames from `start` on, (frame, track).

        Fewer, down to none, where the recording ends or a file breaks off; in the latter case `n_frames` shrinks to
        that place. Samples that are NaN, infinite or 120 dB over full scale come as 0, and each is counted once
        however often it is read.

        Raises ValueError for a negative `start`, and AudioError if a file breaks off at frame 0.
        """
        if start < 0:
            raise ValueError(f"start {start} is negative")
        n = max(0, min(n, self.n_frames - start))
        block = np.empty((len(self.labels), n), dtype=np.float32).T  # a track at a time is what is asked for
        n_read = self._decode(self.start_frame + start, block)
        if n_read < n:
            self._break_off(start + n_read)
        for own in self._own_clocks:
            own.put(start, block[:n_read])
        if n_read:
            self._replace_bad(start, block[:n_read])
        return block[:n_read]

    def blocks(
        self, n_frames_per_block: int, overlap: int = 0, statistics: TrackStatistics | None = None
    ) -> Iterator[tuple[int, NDArray[np.float32]]]:
        """Pass over the recording: (start, block) with `overlap` frames shared by neighbours, the last one shorter.

        Every frame comes at least once, and every block but the first brings new ones. The pass stops where a file
        breaks off. What is shared is kept, not read again.

        Parameters
        ----------
        n_frames_per_block, overlap : frames; 0 <= overlap < n_frames_per_block
        statistics : is given every frame once, in order
        """
        if not 0 <= overlap < n_frames_per_block:
            raise ValueError(f"overlap {overlap} is outside 0..{n_frames_per_block - 1}")
        start, kept = 0, np.empty((0, len(self.labels)), dtype=np.float32)
        while True:
            fresh = self.read(start + len(kept), n_frames_per_block - len(kept))
            if len(fresh) == 0:
                return
            if statistics is not None:
                statistics.update(fresh)
            block = np.concatenate([kept, fresh]) if len(kept) else fresh
            kept = block[n_frames_per_block - overlap :].copy()
            yield start, block
            start += n_frames_per_block - overlap

    def late_findings(self) -> list[Finding]:
        """What has come up while reading so far: files that break off, samples that are not finite."""
        findings = [self._damaged(source.decoder) for source in self._sources if source.decoder.is_broken]
        for track in np.flatnonzero(self._n_bad):
            place, n = self.places[track], int(self._n_bad[track])
            detail = (
                "Samples that are not numbers, or 120 dB over full scale, count as 0. Export the file again, or record "
                "as 24-bit integers."
            )
            at_s = (self.start_frame + int(self._first_bad[track])) / self.sample_rate_hz
            findings.append(
                Finding(
                    "non-finite samples",
                    "warning",
                    detail,
                    self.capture,
                    place.name,
                    place.file,
                    place.channel,
                    float(n),
                    "samples",
                    at_s,
                )
            )
        return [*findings, *(found for own in self._own_clocks for found in own.recording.late_findings())]

    def _decode(self, start: int, block: NDArray[np.float32]) -> int:
        """Fill `block` with the frames from `start` on, counted in the files; how many all files have."""
        most = max(_TILE, _MOST_SAMPLES // sum(source.file.n_channels for source in self._sources))
        done = 0
        while done < len(block):
            piece = block[done : done + most]
            n = self._put_together(start + done, piece)
            done += n
            if n < len(piece):
                break
        return done

    def _put_together(self, start: int, block: NDArray[np.float32]) -> int:
        """Fill a block so short that all channels of every file fit into memory; how many frames all files have."""
        n = len(block)
        for source in self._sources:
            n = source.read(start, n)
        for first in range(0, n, _TILE):
            for source in self._sources:
                source.put(block[first : min(n, first + _TILE)], first)
        return n

    def _break_off(self, n_frames: int) -> None:
        """Shorten the recording; nothing is left if its first frame is already missing."""
        if n_frames == 0:
            broken = min((source.decoder for source in self._sources), key=lambda decoder: decoder.n_readable)
            raise AudioError(
                f"cannot be decoded{broken.why}.",
                "Copy the file again from the recorder, or let the capture use another part of it.",
                path=broken.file.shown,
                at_s=self.start_frame / self.sample_rate_hz,
            )
        self.n_frames = min(self.n_frames, n_frames)

    def _damaged(self, decoder: Decoder) -> Finding:
        """The finding for a file that broke off."""
        at_s = decoder.n_readable / self.sample_rate_hz
        found = damaged_file(decoder.file.shown, at_s, decoder.file.duration_s - at_s, decoder.why)
        return dataclasses.replace(found, capture=self.capture)

    def _replace_bad(self, start: int, block: NDArray[np.float32]) -> None:
        """Set samples that are no numbers of a sound to 0 and count those not read before."""
        unread = self._read_before.add(start, start + len(block))
        columns = [column for source in self._sources if source.file.is_float for column in source.columns]
        with np.errstate(invalid="ignore"):
            if not columns or (block.min() >= -_LARGEST and block.max() <= _LARGEST):  # neither is true of NaN
                return
        for column in columns:
            with np.errstate(invalid="ignore"):
                bad = np.flatnonzero(~(np.abs(block[:, column]) <= _LARGEST))
            block[bad, column] = 0.0
            for first, stop in unread:
                self._count_bad(column, bad[(bad >= first - start) & (bad < stop - start)] + start)

    def _count_bad(self, column: int, frames: NDArray[np.int64]) -> None:
        """Count samples that are no numbers of a sound, at these frames of one track."""
        if len(frames) == 0:
            return
        self._n_bad[column] += len(frames)
        earliest = int(frames[0])
        if self._first_bad[column] < 0 or earliest < self._first_bad[column]:
            self._first_bad[column] = earliest


def open_recording(
    folder: Path, capture: Capture, tracks: Mapping[Label, Track], clocks: SharedClocks | None = None
) -> Recording:
    """Open the tracks of a capture; those of recorders on their own clock only if their clock is found.

    Parameters
    ----------
    folder : where the description is; the tracks' files are relative to it
    capture : gives name, `start_s`, `end_s` and `unsynced`
    tracks : label to track, in the order wanted; a label ("feed" | "mic" | "input", name) also says what the track is,
        any other is taken for a microphone's
    clocks : of all captures that are opened, this one among them; without, it is on its own

    Raises
    ------
    DescriptionError : if there is no such file or channel, or the capture lies outside the files
    AudioError : if a file cannot be read, or sample rates of one clock differ
    """
    if not tracks:
        raise ValueError("no tracks were given")
    clocks, opened = clocks or SharedClocks([(capture, tracks)]), functools.partial(_on_one_clock, folder)
    try:
        by_clock = tracks_by_clock(capture, tracks)
        base = min(by_clock)
        recording = opened(capture, by_clock.pop(base))
        whole = dataclasses.replace(capture, start_s=0.0, end_s=math.nan)
        # feeds first: brought onto the base, they help to find the clock of the microphones that hear them
        for number in sorted(by_clock, key=lambda number: not any(map(is_feed, by_clock[number]))):
            with recording, opened(whole, by_clock[number]) as foreign:  # files open again when read
                recording = recording.with_clock(number, foreign, clocks.fit(number, recording, foreign, opened))
    finally:
        clocks.close(capture.name)
    return recording.in_order(tuple(tracks)) if by_clock else recording


def _on_one_clock(folder: Path, capture: Capture, tracks: Mapping[Label, Track]) -> Recording:
    """Open tracks that share start and clock."""
    by_path: dict[Path, AudioFile] = {}
    file_of: list[Path] = []  # per track
    for track in tracks.values():
        path = (folder / track.file).resolve()
        if path not in by_path:
            by_path[path] = probe(path, track.file)
        check_channel(track, by_path[path])
        file_of.append(path)
    files = tuple(by_path.values())
    check_rates(files, capture.name)
    span, findings = common_part(files, capture)
    of_files = [dataclasses.replace(found, capture=capture.name) for file in files for found in file.findings]
    from_s = span[0] / files[0].sample_rate_hz
    places = [_place(label, track, capture.name, from_s) for label, track in tracks.items()]
    sources = [_source(file, file_of, list(tracks.values())) for file in files]
    return Recording(tuple(tracks), places, sources, span, [*of_files, *findings])


def _place(label: Hashable, track: Track, capture: str, from_s: float) -> TrackPlace:
    """Where a track's samples come from."""
    kind, name = label if isinstance(label, tuple) and len(label) == 2 else ("mic", label)
    return TrackPlace(_KINDS.get(kind, "mic"), str(name), capture, track.file, track.channel, from_s)


def _source(file: AudioFile, file_of: Sequence[Path], tracks: Sequence[Track]) -> Source:
    """A file and the tracks that it fills; `file_of` is the file of each."""
    columns = [i for i, path in enumerate(file_of) if path == file.path]
    return Source(file, columns, [tracks[i].channel - 1 for i in columns])
