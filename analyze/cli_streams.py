"""Standard output and standard error of a command, whatever becomes of who reads them.

Work is not given up because nobody listens any more: what is written after the reader has gone is thrown away. A full
disk behind standard output is an error of its own; a report that was written stays.
"""

from __future__ import annotations

import errno
import io
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from analyze.errors import OutputError


def make_patient() -> None:
    """From here on `sys.stdout` and `sys.stderr` outlive their readers, for the rest of the process.

    Standard output raises OutputError where it cannot be written for any other reason; standard error stays silent.
    """
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout = _Patient(sys.stdout, is_wanted=True)
    if isinstance(sys.stderr, io.TextIOWrapper):
        sys.stderr = _Patient(sys.stderr, is_wanted=False)


class _Patient(io.TextIOWrapper):
    """Takes the place of another text stream, whose bytes it writes.

    is_wanted : whether it is an error that it cannot be written, unless the reader has gone
    """

    def __init__(self, stream: io.TextIOWrapper, *, is_wanted: bool) -> None:
        form = {"encoding": stream.encoding, "errors": stream.errors}
        how = {"line_buffering": stream.line_buffering, "write_through": stream.write_through}
        self._is_wanted = is_wanted
        super().__init__(stream.detach(), **form, **how)  # type: ignore[arg-type]  # detached from a text stream

    def write(self, text: str, /) -> int:
        """Write text."""
        if text != "":  # an empty one is how click asks what stream this is, deaf to errors
            with self._outlived():
                super().write(text)
        return len(text)

    def flush(self) -> None:
        """Hand on what was written."""
        with self._outlived():
            super().flush()

    @contextmanager
    def _outlived(self) -> Iterator[None]:
        """Where writing fails, this and all that follows goes nowhere."""
        try:
            yield
        except OSError as error:
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self.fileno())
            os.close(nowhere)
            if self._is_wanted and error.errno != errno.EPIPE:
                reason = (error.strerror or type(error).__name__).lower()
                raise OutputError(
                    f"standard output could not be written: {reason}.", "Send it elsewhere; a report is not touched."
                ) from error
