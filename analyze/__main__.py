"""`python -m analyze` and the console command: runs a command and turns what goes wrong into an exit code."""

from __future__ import annotations

import errno
import signal
import sys
from types import FrameType

import click

from analyze.cli_streams import make_patient
from analyze.errors import AnalyzeError, AudioError, DescriptionError, printable

#: A bug in the program, and an interrupt by the user.
_BUG, _INTERRUPTED = 1, 130
_LESS = "Describe fewer outputs, positions or captures at once, or analyse it on a machine with more memory."


def main() -> None:
    """Entry point of the `analyze` command."""
    make_patient()
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # not where it is to be ignored
        signal.signal(signal.SIGINT, _interrupt_once)
    sys.exit(_run(sys.argv[1:]))


def _interrupt_once(_number: int, _frame: FrameType | None) -> None:
    """Stop for the first interrupt: another one would stop what is being put in order for it."""
    signal.signal(signal.SIGINT, _not_heard)
    raise KeyboardInterrupt


def _not_heard(_number: int, _frame: FrameType | None) -> None:
    """Go on. Not SIG_IGN, which a process that is just being started would inherit, and never end for an interrupt."""


def _run(arguments: list[str]) -> int:
    """Run a command line; returns the exit code."""
    from analyze.cli import commands

    try:
        code = commands.main(arguments, prog_name="analyze", standalone_mode=False)
        return code if isinstance(code, int) else 0
    except click.Abort:
        return _interrupted()
    except KeyboardInterrupt:
        return _interrupted()
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except AnalyzeError as error:
        click.echo(f"analyze: {error.message()}", err=True)
        return error.exit_code
    except Exception as error:
        return _unforeseen(error, arguments)


def _unforeseen(error: Exception, arguments: list[str]) -> int:
    """What nothing else has answered: a limit of the machine, else a bug. Raises it where `--debug` asks for it."""
    if isinstance(error, MemoryError):
        click.echo(f"analyze: memory ran out; nothing was written.\n{_LESS}", err=True)
        return AudioError.exit_code
    if isinstance(error, OSError) and error.errno == errno.ENAMETOOLONG:
        what = f"{printable(str(error.filename))}: too long a name for a file."
        click.echo(f"analyze: {what}\nCheck the path.", err=True)
        return DescriptionError.exit_code
    if "--debug" in arguments:
        raise error
    what = printable(f"{type(error).__name__}: {error}")
    click.echo(f"analyze: a bug in the program ({what}); --debug shows where.", err=True)
    return _BUG


def _interrupted() -> int:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # at the end of Python one more would kill it: its handlers are gone
    exec("")  # else `python -m` dies of the signal at its end if the interrupt came while a text was run by exec
    click.echo("analyze: interrupted; nothing half-written is left.", err=True)
    return _INTERRUPTED


if __name__ == "__main__":
    main()
