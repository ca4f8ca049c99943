"""One file, decoded forward: which samples stand at these frames, and where does decoding break off?

Conventions: arrays are (frame, channel) float32, full scale 1.0; frames count from the start of the file.
"""

from __future__ import annotations

from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from analyze.audio.files import DECODER_ERRORS, AudioFile, ForwardSoundFile, foreign_reason
from analyze.audio.plain_samples import PlainSamples


class Decoder:
    """A file that is opened at the first read and decoded once as long as reads follow one another.

    `n_readable` is what can be decoded as far as is known: the file's `n_frames` at first, less once decoding has
    failed. A failure shows as a smaller number, never as an exception, and the frames up to it are delivered whatever
    lengths were asked for. `why` then holds the decoder's words.
    """

    def __init__(self, file: AudioFile) -> None:
        self.file = file
        self.n_readable = file.n_frames
        self.why = ""
        self._sound: ForwardSoundFile | PlainSamples | None = None
        self._position = 0

    def __enter__(self) -> Decoder:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    @property
    def is_broken(self) -> bool:
        """Whether decoding failed before the end that the header states."""
        return self.n_readable < self.file.n_frames

    def read(self, start: int, block: NDArray[np.float32]) -> int:
        """Fill `block`, (frame, channel), with the frames from `start` on; how many of its frames are good.

        Fewer than it holds at the end of the file, or where decoding fails.
        """
        n = max(0, min(len(block), self.n_readable - start))
        if n == 0:
            return 0
        n_read = self._fill(start, block[:n])
        if n_read < n:
            self.n_readable = start + n_read
            self.close()  # after a failure the decoder does not seek any more: the next read opens the file again
        return n_read

    def close(self) -> None:
        """Close the file; a later read opens it again."""
        if self._sound is not None:
            self._sound.close()
            self._sound = None

    def _fill(self, start: int, block: NDArray[np.float32]) -> int:
        """Decode into `block`; the number of frames that are good."""
        try:
            if self._sound is None:
                self._sound, self._position = self.file.open(), 0
            if self._position != start:
                self._sound.seek(start)
                self._position = start
            self._position += len(self._sound.read(out=block))
        except DECODER_ERRORS as error:
            self.why = foreign_reason(error)
            return self._decoded_since(start, len(block))
        return self._position - start

    def _decoded_since(self, start: int, n: int) -> int:
        """Frames that a failed read has delivered all the same; 0 where the decoder does not know."""
        try:
            place = -1 if self._sound is None or self._position != start else int(self._sound.tell())
        except DECODER_ERRORS:
            return 0
        return min(max(0, place - start), n)
