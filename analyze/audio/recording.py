"""All tracks of one capture on a common clock, read in blocks: every sample is decoded once, whatever the length.

Conventions: arrays are (frame, track) float32, full scale 1.0, tracks in the order of `labels`; frames count from the
start of the capture, times in findings and errors from the start of the file. Files of different lengths count as far
as the shortest goes.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Hashable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from analyze.audio.damage import Kind, TrackPlace, TrackStatistics
from analyze.audio.decoder import Decoder
from analyze.audio.files import AudioFile, damaged_file, probe
from analyze.errors import AudioError, DescriptionError
from analyze.findings import Finding

if TYPE_CHECKING:
    from analyze.description import Capture, Track

Label = TypeVar("Label", bound=Hashable)

_KINDS: dict[str, Kind] = {"feed": "feed", "mic": "mic", "input": "input"}


#: Frames put together at a time: many files would else miss the processor's cache at every sample.
_TILE = 2048


class Source:
    """One file of a recording: `channels` (from 0) go to the places `columns` on the track axis."""

    def __init__(self, file: AudioFile, columns: Sequence[int], channels: Sequence[int]) -> None:
        self.file, self.columns = file, tuple(columns)
        self.decoder = Decoder(file)
        self.is_whole = tuple(columns) == tuple(channels) == tuple(range(file.n_channels))
        self._to, self._from = _index(columns), _index(channels)
        self._scratch = np.empty((0, file.n_channels), dtype=np.float32)

    def read(self, start: int, n: int) -> int:
        """Decode `n` frames from `start` on and keep them for `put`; how many there are."""
        if len(self._scratch) < n:
            self._scratch = np.empty((n, self.file.n_channels), dtype=np.float32)
        return self.decoder.read(start, self._scratch[:n])

    def put(self, block: NDArray[np.float32], first: int) -> None:
        """Copy decoded frames from `first` on into `block`, (frame, track)."""
        block[:, self._to] = self._scratch[first : first + len(block), self._from]


class Recording:
    """The tracks of one capture, opened; a context manager. Made by `open_recording`.

    labels : the tracks, in the order of the track axis; places : the same with file and channel, for findings
    files : the audio files, each once, in the order in which the tracks name them
    n_frames : length of the part that all files share, within the capture's `start_s` .. `end_s`
    start_frame : where this part begins in the files
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
    ) -> None:
        self.labels, self.places, self.findings = tuple(labels), tuple(places), tuple(findings)
        self.capture = self.places[0].capture
        self.files = tuple(source.file for source in sources)
        self.sample_rate_hz = self.files[0].sample_rate_hz
        self.start_frame, self.n_frames = span[0], span[1] - span[0]
        self._sources = tuple(sources)
        self._read_before = _Spans()
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

    def close(self) -> None:
        """Close the files."""
        with ExitStack() as stack:
            for source in self._sources:
                stack.callback(source.decoder.close)

    def read(self, start: int, n: int) -> NDArray[np.float32]:
        """The `n` frames from `start` on, (frame, track).

        Fewer, down to none, where the recording ends or a file breaks off; in the latter case `n_frames` shrinks to
        that place. Samples that are NaN or infinite come as 0, and each is counted once however often it is read.

        Raises ValueError for a negative `start`, and AudioError if a file breaks off at frame 0.
        """
        if start < 0:
            raise ValueError(f"start {start} is negative")
        n = max(0, min(n, self.n_frames - start))
        block = np.empty((n, len(self.labels)), dtype=np.float32)
        n_read = self._decode(self.start_frame + start, block)
        if n_read < n:
            self._break_off(start + n_read)
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
            detail = "Samples that are not numbers count as 0. Export the file again, or record as 24-bit integers."
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
        return findings

    def _decode(self, start: int, block: NDArray[np.float32]) -> int:
        """Fill `block` with the frames from `start` on, counted in the files; how many all files have."""
        if len(self._sources) == 1 and self._sources[0].is_whole:
            return self._sources[0].decoder.read(start, block)
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
        """Set samples that are not finite to 0 and count those not read before."""
        unread = self._read_before.add(start, start + len(block))
        columns = [column for source in self._sources if source.file.is_float for column in source.columns]
        with np.errstate(invalid="ignore", over="ignore"):
            if not columns or math.isfinite(block.sum()):  # one sum tells of any; it may also only have run over
                return
        for column in columns:
            bad = np.flatnonzero(~np.isfinite(block[:, column]))
            block[bad, column] = 0.0
            for first, stop in unread:
                self._count_bad(column, bad[(bad >= first - start) & (bad < stop - start)] + start)

    def _count_bad(self, column: int, frames: NDArray[np.int64]) -> None:
        """Count samples that are not finite, at these frames of one track."""
        if len(frames) == 0:
            return
        self._n_bad[column] += len(frames)
        earliest = int(frames[0])
        if self._first_bad[column] < 0 or earliest < self._first_bad[column]:
            self._first_bad[column] = earliest


class _Spans:
    """A set of frames, as sorted spans (first, stop) that do not touch."""

    def __init__(self) -> None:
        self._spans: list[tuple[int, int]] = []

    def add(self, first: int, stop: int) -> list[tuple[int, int]]:
        """Add the frames first .. stop - 1; the spans among them that were not there before."""
        new, at, low, high = [], first, first, stop
        apart: list[tuple[int, int]] = []
        for span in self._spans:
            if span[1] < first or span[0] > stop:
                apart.append(span)
                continue
            if at < span[0]:
                new.append((at, span[0]))
            at, low, high = max(at, span[1]), min(low, span[0]), max(high, span[1])
        if at < stop:
            new.append((at, stop))
        self._spans = sorted([*apart, (low, high)])
        return new


def open_recording(folder: Path, capture: Capture, tracks: Mapping[Label, Track]) -> Recording:
    """Open the tracks of a capture that share one clock.

    Parameters
    ----------
    folder : where the description is; the tracks' files are relative to it
    capture : gives name, `start_s` and `end_s`
    tracks : label to track, in the order wanted; a label ("feed" | "mic" | "input", name) also says what the track is,
        any other is taken for a microphone's

    Raises
    ------
    DescriptionError : if there is no such file or channel, or the capture lies outside the files
    AudioError : if a file cannot be read, or sample rates differ
    """
    if not tracks:
        raise ValueError("no tracks were given")
    by_path: dict[Path, AudioFile] = {}
    file_of: list[Path] = []  # per track
    for track in tracks.values():
        path = (folder / track.file).resolve()
        if path not in by_path:
            by_path[path] = probe(path, track.file)
        _check_channel(track, by_path[path])
        file_of.append(path)
    files = tuple(by_path.values())
    _check_rates(files, capture.name)
    span, findings = _common_part(files, capture)
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


def _index(numbers: Sequence[int]) -> slice | list[int]:
    """An index for these places of an axis: a slice where they follow one another, which copies faster."""
    first, n = numbers[0], len(numbers)
    return slice(first, first + n) if list(numbers) == list(range(first, first + n)) else list(numbers)


def _check_channel(track: Track, file: AudioFile) -> None:
    """Refuse a channel that the file does not have."""
    if not 1 <= track.channel <= file.n_channels:
        only = "1" if file.n_channels == 1 else f"1 to {file.n_channels}"
        raise DescriptionError(
            f"there is no such channel (found {file.n_channels} in the file).",
            f"Name channel {only} in the description.",
            path=track.file,
            channel=track.channel,
        )


def _check_rates(files: tuple[AudioFile, ...], capture: str) -> None:
    """Refuse files of one clock whose sample rates differ."""
    first = files[0]
    for file in files[1:]:
        if file.sample_rate_hz != first.sample_rate_hz:
            raise AudioError(
                f'sample rate differs within capture "{capture}" (found {file.sample_rate_hz} Hz, '
                f"expected {first.sample_rate_hz} Hz as in {first.shown}).",
                f"Convert one of the two, or list {file.shown} in `unsynced` if another recorder made it.",
                path=file.shown,
            )


def _common_part(files: tuple[AudioFile, ...], capture: Capture) -> tuple[tuple[int, int], list[Finding]]:
    """First frame and the one after the last that all files share, within the capture; and what is left out."""
    rate = files[0].sample_rate_hz
    start = round(capture.start_s * rate)
    wanted = None if math.isnan(capture.end_s) else round(capture.end_s * rate)
    if wanted is not None and wanted <= start:
        raise DescriptionError(
            f'capture "{capture.name}" is empty (found start_s {capture.start_s:g}, end_s {capture.end_s:g}).',
            "Let end_s be later than start_s.",
        )
    shortest, longest = min(files, key=lambda f: f.n_frames), max(files, key=lambda f: f.n_frames)
    if start >= shortest.n_frames:
        raise DescriptionError(
            f'capture "{capture.name}" begins after the end of the file '
            f"(found start_s {capture.start_s:g}, expected less than {shortest.duration_s:.2f}).",
            "Correct start_s in the description.",
            path=shortest.shown,
        )
    stop = shortest.n_frames if wanted is None else min(wanted, shortest.n_frames)
    longest_stop = longest.n_frames if wanted is None else min(wanted, longest.n_frames)
    return (start, stop), _length_findings(shortest, longest_stop - stop, wanted, longest, capture)


def _length_findings(
    shortest: AudioFile, n_left_out: int, wanted: int | None, longest: AudioFile, capture: Capture
) -> list[Finding]:
    """Notes on audio that is not used or was asked for and is not there."""
    rate, findings = shortest.sample_rate_hz, []
    if n_left_out > 0:
        left_out_s = n_left_out / rate
        detail = (
            f"{shortest.shown} is the shortest; {left_out_s:.2f} s of {longest.shown} are not used. "
            "Check that these files belong together and start together."
        )
        findings.append(
            Finding(
                "files differ in length",
                "note",
                detail,
                capture.name,
                file=shortest.shown,
                value=left_out_s,
                unit="s",
                at_s=shortest.duration_s,
            )
        )
    if wanted is not None and wanted > longest.n_frames:
        missing_s = (wanted - longest.n_frames) / rate
        detail = f"The capture's end_s lies {missing_s:.2f} s after the end of the audio. Correct it, or leave it out."
        findings.append(
            Finding(
                "end after the audio",
                "note",
                detail,
                capture.name,
                file=longest.shown,
                value=missing_s,
                unit="s",
                at_s=longest.duration_s,
            )
        )
    return findings
