"""`python -m analyze` and the console command: runs a command and turns what goes wrong into an exit code."""

from __future__ import annotations

import sys

import click

from analyze.cli_streams import make_patient
from analyze.errors import AnalyzeError

#: A bug in the program, and an interrupt by the user.
_BUG, _INTERRUPTED = 1, 130


def main() -> None:
    """Entry point of the `analyze` command."""
    make_patient()
    sys.exit(_run(sys.argv[1:]))


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
        if "--debug" in arguments:
            raise
        click.echo(f"analyze: a bug in the program ({type(error).__name__}: {error}); --debug shows where.", err=True)
        return _BUG


def _interrupted() -> int:
    click.echo("analyze: interrupted; nothing half-written is left.", err=True)
    return _INTERRUPTED


if __name__ == "__main__":
    main()
