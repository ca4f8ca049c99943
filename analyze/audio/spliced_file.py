"""A part of a file shown behind another header: how the decoder reads what it would refuse or cut short.

Conventions: places in bytes, counted from the start of what is shown.
"""

from __future__ import annotations

import io
from pathlib import Path


class SplicedFile(io.RawIOBase):
    """A read-only file that shows `header` and then `length` bytes of a real file from `offset` on."""

    def __init__(self, path: Path, header: bytes, offset: int, length: int) -> None:
        super().__init__()
        self._header, self._offset, self._length = header, offset, length
        self._file = path.open("rb")
        self._position = 0

    def readable(self) -> bool:
        """Always."""
        return True

    def seekable(self) -> bool:
        """Always."""
        return True

    def tell(self) -> int:
        """Place of the next byte."""
        return self._position

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Go to a place; before the start is the start."""
        end = len(self._header) + self._length
        origin = {io.SEEK_SET: 0, io.SEEK_CUR: self._position, io.SEEK_END: end}[whence]
        self._position = max(0, origin + offset)
        return self._position

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        """Fill a buffer; bytes filled, fewer at the end or where the disk fails."""
        view = memoryview(buffer)
        head = self._header[self._position : self._position + len(view)]
        view[: len(head)] = head
        into = self._position + len(head) - len(self._header)
        n = min(len(view) - len(head), self._length - into)
        got = len(head)
        if n > 0:
            try:
                self._file.seek(self._offset + into)
                got += self._file.readinto(view[len(head) : len(head) + n])
            except OSError:
                pass  # an exception cannot cross the decoder: it sees a file that ends here, and that is reported
        self._position += got
        return got

    def close(self) -> None:
        """Close the real file."""
        self._file.close()
        super().close()
