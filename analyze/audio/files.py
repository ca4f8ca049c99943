"""Can this file be read, what does it hold, and is all there that its header claims?

Conventions: a frame is one sample of every channel; times in seconds from the start of the file; channels count from 1
in messages. Damage that leaves audio to use is a finding, anything else an `AudioError`.

libsndfile decodes. It says nothing of a file that was cut off, reads nothing where a header was never completed, and
does not know BW64: `headers.py` finds the true extent, and where it differs the decoder is shown a header that fits.
Samples that stand in a file as they are, are read without it (`plain_samples.py`).
"""

from __future__ import annotations

import hashlib
import math
from contextlib import closing, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from analyze.audio.headers import Header, read_header, rebuilt_header
from analyze.audio.hushed import hushed
from analyze.audio.plain_samples import SAMPLE_BYTES, PlainLayout, PlainSamples
from analyze.audio.spliced_file import SplicedFile
from analyze.errors import AudioError, DescriptionError
from analyze.findings import Finding

#: What libsndfile takes at most.
MAX_CHANNELS = 1024
#: Sample rates that audio recorders offer; anything else is a broken header.
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8000, 768_000
#: A week; a header that states more is broken.
LONGEST_S = 7 * 24 * 3600
#: What the decoder raises at a file that it cannot read (TypeError: a name that says headerless audio).
DECODER_ERRORS = (soundfile.SoundFileError, RuntimeError, OSError, TypeError, ValueError)

#: How a MIDI sample dump begins: its decoder writes to stdout by itself, and no recorder makes such files.
_SAMPLE_DUMP = b"\xf0\x7e"
_READABLE = "Save it as WAV, RF64, BW64, W64, AIFF, CAF or FLAC and try again."
#: libsndfile gives the largest 64-bit number of frames where a header leaves it open.
_UNKNOWN_FRAMES = 1 << 62
#: Samples decoded at a time where frames are counted.
_COUNTED_AT_ONCE = 1 << 17


class ForwardSoundFile(soundfile.SoundFile):  # type: ignore[misc]
    """A sound file that is not sought after every read, and whose decoder prints nothing.

    Sought, the decoder would unpack the current FLAC frame again each time; and `tell` after a failure would not
    say how far it came.
    """

    def __init__(self, source: Path | SplicedFile) -> None:
        self.source = source
        with hushed():
            super().__init__(source)
        self._hush = hushed if self.subtype.startswith("MPEG") else nullcontext

    def read(self, *arguments: Any, **named: Any) -> Any:
        """The next frames, as `soundfile.SoundFile.read` gives them."""
        with self._hush():
            return super().read(*arguments, **named)

    def seek(self, *arguments: Any, **named: Any) -> int:
        """Go to a frame."""
        with self._hush():
            return int(super().seek(*arguments, **named))

    def seekable(self) -> bool:
        """Say no: `read` then goes on where it stands. `seek` still works."""
        return False

    def close(self) -> None:
        """Close the decoder, and the spliced file if it is one."""
        super().close()
        if isinstance(self.source, SplicedFile):
            self.source.close()


@dataclass(frozen=True)
class Splice:
    """A header to show before `n_bytes` of the file from `offset` on."""

    header: bytes
    offset: int
    n_bytes: int


@dataclass(frozen=True)
class AudioFile:
    """One readable audio file.

    path : where it is; shown : how messages name it
    format, subtype : container and sample type, in libsndfile's words (and BW64)
    n_frames : by the header and the size of the file; decoding may still break off earlier
    findings : what is damaged; places in seconds from the start of the file
    splice : what the decoder must be shown in place of the file, None for the file itself
    plain : where the samples lie, if they can be read without the decoder
    """

    path: Path
    shown: str
    sample_rate_hz: int
    n_channels: int
    n_frames: int
    n_bytes: int
    format: str
    subtype: str
    findings: tuple[Finding, ...] = ()
    splice: Splice | None = None
    plain: PlainLayout | None = None

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.n_frames / self.sample_rate_hz

    @property
    def is_float(self) -> bool:
        """Whether samples are stored as floating-point numbers, which may be NaN or infinite."""
        return self.subtype in ("FLOAT", "DOUBLE")

    def open(self) -> ForwardSoundFile | PlainSamples:
        """The file opened for reading; raises one of `DECODER_ERRORS`."""
        return PlainSamples(self.path, self.plain) if self.plain else _open(self.path, self.splice)


def probe(path: Path, shown: str) -> AudioFile:
    """Look at a file: its format, its length, and whether it is whole.

    Parameters
    ----------
    path : the file
    shown : its name in messages, usually relative to the description

    Raises
    ------
    DescriptionError : if there is no such file
    AudioError : if it is empty, not audio, or its first frame cannot be decoded
    """
    n_bytes = _size(path, shown)
    header = _header(path, shown)
    if header is not None and header.n_channels > MAX_CHANNELS:
        raise _too_many_channels(header.n_channels, shown)
    splice = _splice(header)
    try:
        with _open(path, splice) as sound:
            n_frames, broken = _count_frames(sound, shown)
            file = AudioFile(
                path=path,
                shown=shown,
                sample_rate_hz=sound.samplerate,
                n_channels=sound.channels,
                n_frames=n_frames,
                n_bytes=n_bytes,
                format=_format(sound.format, header),
                subtype=sound.subtype,
                findings=_extent_findings(header, sound, n_frames / sound.samplerate, shown) + broken,
                splice=splice,
                plain=_plain_layout(header, sound, n_frames),
            )
    except DECODER_ERRORS as error:
        raise AudioError(f"cannot be read as audio{foreign_reason(error)}.", _READABLE, path=shown) from error
    _check(file)
    _check_first_frame(file)
    return file


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal. Raises AudioError if it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise AudioError(
            f"cannot be read{foreign_reason(error)}.", "Check the disk and the permissions.", path=path.name
        ) from error


def damaged_file(shown: str, at_s: float, missing_s: float, why: str = "") -> Finding:
    """The finding for a file whose decoding breaks off at `at_s`, `missing_s` before its stated end."""
    detail = f"Decoding breaks off{why}; what comes before is used. Copy the file again from the recorder."
    return Finding("damaged file", "warning", detail, file=shown, value=missing_s, unit="s", at_s=at_s)


def foreign_reason(error: BaseException) -> str:
    """What a foreign exception says, in brackets, without the places it names; empty if it says nothing."""
    text = getattr(error, "error_string", "") or getattr(error, "strerror", "") or ""
    return f" ({str(text).strip().rstrip('.')})" if text else ""


def _open(path: Path, splice: Splice | None) -> ForwardSoundFile:
    """The file, or the part of it behind another header."""
    if splice is None:
        return ForwardSoundFile(path)
    source = SplicedFile(path, splice.header, splice.offset, splice.n_bytes)
    try:
        return ForwardSoundFile(source)
    except BaseException:
        source.close()
        raise


def _size(path: Path, shown: str) -> int:
    """Bytes of a file that is there and not empty."""
    try:
        is_file, n_bytes = path.is_file(), path.stat().st_size
    except FileNotFoundError as error:
        mend = "Correct its name in the description, or put the file there."
        raise DescriptionError("there is no such file.", mend, path=shown) from error
    except OSError as error:
        mend = "Check the disk and the permissions."
        raise AudioError(f"cannot be read{foreign_reason(error)}.", mend, path=shown) from error
    if not is_file:
        raise DescriptionError("is not a file.", "Name an audio file in the description.", path=shown)
    if n_bytes == 0:
        raise AudioError("is empty (found 0 bytes).", "Copy the file again from the recorder.", path=shown)
    return n_bytes


def _header(path: Path, shown: str) -> Header | None:
    """The walked header; None where the decoder alone knows the format."""
    try:
        with path.open("rb") as file:
            if file.read(2) == _SAMPLE_DUMP:
                raise AudioError("cannot be read as audio (a MIDI sample dump).", _READABLE, path=shown)
        return read_header(path)
    except OSError as error:
        raise AudioError(
            f"cannot be read{foreign_reason(error)}.", "Check the disk and the permissions.", path=shown
        ) from error


def _splice(header: Header | None) -> Splice | None:
    """What to show the decoder where it would refuse the file or miss audio."""
    if header is None or not header.audio_bytes:
        return None
    is_refused = header.container == "BW64" or (header.container == "CAF" and header.problem == "truncated")
    if is_refused or header.problem in ("unfinished", "overflow"):
        return Splice(rebuilt_header(header), header.data_offset, header.audio_bytes)
    return None


def _plain_layout(header: Header | None, sound: ForwardSoundFile, n_frames: int) -> PlainLayout | None:
    """Where the samples of a file lie; None if they must be decoded, or header and decoder do not agree on them."""
    if header is None or header.container not in ("WAV", "RF64", "BW64", "W64"):
        return None
    sample_bytes = SAMPLE_BYTES.get(sound.subtype)
    if sample_bytes is None or header.frame_bytes != sample_bytes * sound.channels:
        return None
    if header.n_channels != sound.channels or header.audio_bytes // header.frame_bytes != n_frames:
        return None
    return PlainLayout(sound.subtype, sound.channels, n_frames, header.data_offset)


def _format(decoded: str, header: Header | None) -> str:
    """The container: of a spliced WAV the decoder knows only what it was shown."""
    if header is None or header.container not in ("WAV", "RF64", "BW64", "W64"):
        return decoded
    return decoded if header.container == "WAV" and decoded.startswith("WAV") else header.container


def _extent_findings(
    header: Header | None, sound: ForwardSoundFile, duration_s: float, shown: str
) -> tuple[Finding, ...]:
    """What the header claims against what is there; whether that can be told at all."""
    if header is None and sound.format != "FLAC":  # a FLAC file that was cut off fails where it ends
        detail = (
            "Whether a file of this kind was cut off cannot be told. Record as WAV, RF64, BW64, W64, AIFF, CAF or FLAC."
        )
        return (Finding("completeness unknown", "note", detail, file=shown),)
    if header is None or not header.problem:
        return ()
    names = {"truncated": "truncated file", "unfinished": "unfinished header", "overflow": "length overflow"}
    details = {
        "truncated": "The file ends before its header says; what is there is used. Copy it again from the recorder.",
        "unfinished": (
            "The header states no length, as after a power loss; the audio up to the end of the file is used. "
            "Listen to its end, and close recordings before the recorder is switched off."
        ),
        "overflow": (
            "The recording is longer than its header can state (4 GiB); all of it is used. "
            "Record as RF64, BW64 or W64, or let the recorder begin a new file earlier."
        ),
    }
    value = header.claimed_s - duration_s if header.problem == "truncated" else duration_s
    found = Finding(
        names[header.problem], "warning", details[header.problem], file=shown, value=value, unit="s", at_s=duration_s
    )
    return (found,)


def _count_frames(sound: ForwardSoundFile, shown: str) -> tuple[int, tuple[Finding, ...]]:
    """Frames by the header; where it leaves them open, by decoding all (and what was found broken by it)."""
    if sound.frames < _UNKNOWN_FRAMES:
        return int(sound.frames), ()
    n_frames, block = 0, np.empty((max(1, _COUNTED_AT_ONCE // sound.channels), sound.channels), dtype=np.float32)
    try:
        while n_read := len(sound.read(out=block)):
            n_frames += n_read
    except DECODER_ERRORS as error:
        n_frames = max(n_frames, int(sound.tell()))
        at_s = n_frames / sound.samplerate
        return n_frames, (damaged_file(shown, at_s, math.nan, foreign_reason(error)),)
    return n_frames, ()


def _check(file: AudioFile) -> None:
    """Refuse what cannot be a recording."""
    if file.n_channels > MAX_CHANNELS:
        raise _too_many_channels(file.n_channels, file.shown)
    if not LOWEST_RATE_HZ <= file.sample_rate_hz <= HIGHEST_RATE_HZ:
        what = f"has no usable sample rate (found {file.sample_rate_hz} Hz, expected {LOWEST_RATE_HZ} or more"
        raise AudioError(f"{what}, up to {HIGHEST_RATE_HZ}).", _READABLE, path=file.shown)
    if file.duration_s > LONGEST_S:
        what = f"states an impossible length (found {file.duration_s / 3600.0:.0f} hours, expected at most a week)."
        raise AudioError(what, "Copy the file again from the recorder.", path=file.shown)
    if file.n_frames <= 0:
        what = "holds no audio (found a header and 0 frames)."
        raise AudioError(what, "Copy the file again from the recorder.", path=file.shown)


def _check_first_frame(file: AudioFile) -> None:
    """Decode one frame, so that a file which never can be decoded is known before any work."""
    try:
        with closing(file.open()) as sound:
            n_read, why = len(sound.read(out=np.empty((1, file.n_channels), dtype=np.float32))), ""
    except DECODER_ERRORS as error:
        n_read, why = 0, foreign_reason(error)
    if n_read == 0:
        what = f"its first frame cannot be decoded{why}."
        raise AudioError(what, "Copy the file again from the recorder.", path=file.shown, at_s=0.0)


def _too_many_channels(n_channels: int, shown: str) -> AudioError:
    """The error for a file with more channels than can be decoded."""
    what = f"has too many channels (found {n_channels}, expected at most {MAX_CHANNELS})."
    return AudioError(what, "Split it into files of fewer channels.", path=shown)
