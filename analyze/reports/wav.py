"""Impulse responses as WAV files whose bytes depend on the samples alone.

32-bit float, one channel, time zero at the first frame: the moment the feed left. libsndfile notes the time of writing
in the PEAK chunk of float files; it is set to zero here, so that equal responses give equal files.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np

from analyze.reports.naming import numbered

if TYPE_CHECKING:
    from collections.abc import Iterable

    from analyze.responses.transfer import ImpulseResponse

# RIFF: 4 bytes name, 4 bytes length, 4 bytes form type; each chunk has 4 bytes name and 4 bytes length.
_RIFF_HEADER, _CHUNK_HEADER = 12, 8

# PEAK chunk: 4 bytes version, then 4 bytes time stamp in seconds since 1970.
_PEAK_TIME = slice(4, 8)


def response_files(responses: Iterable[ImpulseResponse]) -> dict[tuple[str, str], str]:
    """File name within the report for every (output, position), numbered in the order given."""
    return {
        (one.output, one.position): f"responses/{numbered(number, one.output, one.position)}.wav"
        for number, one in enumerate(responses, 1)
    }


def wav_bytes(response: ImpulseResponse) -> bytes:
    """One impulse response as a 32-bit float WAV file."""
    import soundfile

    buffer = io.BytesIO()
    samples = np.asarray(response.samples, dtype=np.float32)
    soundfile.write(buffer, samples, response.sample_rate_hz, format="WAV", subtype="FLOAT")
    return _without_time(buffer.getvalue())


def _without_time(content: bytes) -> bytes:
    """The same RIFF file with the time stamp of its PEAK chunk set to zero."""
    data = bytearray(content)
    at = _RIFF_HEADER
    while at + _CHUNK_HEADER <= len(data):
        body = at + _CHUNK_HEADER
        length = int.from_bytes(data[at + 4 : body], "little")
        if data[at : at + 4] == b"PEAK":
            data[body + _PEAK_TIME.start : body + _PEAK_TIME.stop] = bytes(4)
        at = body + length + length % 2
    return bytes(data)
