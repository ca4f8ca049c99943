"""What can go wrong, as one tree whose branches map one to one to the exit codes.

    AnalyzeError
    |-- DescriptionError      2   the call or the description is wrong; nothing was written
    |-- AudioError            3   no capture can be analysed; nothing was written
    `-- OutputError           4   the results could not be written

A message says `place: what is wrong (found X, expected Y).` and then, on a line of its own, the mend.
What the user should know but need not stop for is a `Finding` (`findings.py`), never an exception.
"""

from __future__ import annotations

from pathlib import Path


class AnalyzeError(Exception):
    """Root of every error a user may meet; `exit_code` is what the command returns.

    Parameters
    ----------
    what : what is wrong, as `(found X, expected Y)` where that applies
    mend : one sentence that says what to do
    path, line, channel, at_s : the place, as far as it is known (line and channel counted from 1)
    """

    exit_code = 1

    def __init__(
        self,
        what: str,
        mend: str = "",
        *,
        path: Path | str | None = None,
        line: int | None = None,
        channel: int | None = None,
        at_s: float | None = None,
    ) -> None:
        self.what, self.mend = what, mend
        self.path = None if path is None else str(path)
        self.line, self.channel, self.at_s = line, channel, at_s
        super().__init__(self.message())

    def place(self) -> str:
        """`file:line`, `file channel 2` or `file at 3.20 s`: the place as text, empty if unknown."""
        text = self.path or ""
        if self.line is not None:
            text += f":{self.line}"
        if self.channel is not None:
            text += f" channel {self.channel}"
        if self.at_s is not None:
            text += f" at {self.at_s:.2f} s"
        return text.strip()

    def message(self) -> str:
        """The whole message: place, what is wrong, and the mend on its own line; nothing in it acts on a terminal."""
        place = printable(self.place())
        first = f"{place}: {self.what}" if place else self.what
        text = f"{first}\n{self.mend}" if self.mend else first
        return "\n".join(printable(line) for line in text.split("\n"))


def printable(text: str) -> str:
    r"""Text with everything that a terminal would act on, or that cannot be seen, escaped.

    >>> printable("a b\n\x1b[31m")
    'a b\\n\\x1b[31m'
    """
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


class DescriptionError(AnalyzeError):
    """The call or the description is wrong."""

    exit_code = 2


class AudioError(AnalyzeError):
    """A recording cannot be read, or none can be analysed."""

    exit_code = 3


class OutputError(AnalyzeError):
    """The results could not be written."""

    exit_code = 4
