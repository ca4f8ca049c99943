"""What commands share: options, exit codes, JSON on standard output."""

from __future__ import annotations

import json
from typing import Any

import click

#: Read by `__main__`, where a bug surfaces.
debug = click.option("--debug", is_flag=True, expose_value=False, help="Show the traceback of a bug in the program.")
bands_option = click.option(
    "--bands",
    type=click.Choice(["1", "3", "6", "12"]),
    default="3",
    show_default=True,
    help="Bands per octave in the tables.",
)
rename = click.option(
    "--rename",
    "renames",
    multiple=True,
    metavar="OLD=NEW",
    callback=lambda _context, _option, pairs: _parsed(pairs),
    help="An output or position that bears another name now.",
)
quiet_option = click.option("--quiet", is_flag=True, help="Say nothing but errors.")
json_option = click.option("--json", "as_json", is_flag=True, help="Print the results as one JSON object on stdout.")

#: Finished, and: an output is undecided; a comparison found a change beyond its tolerance; a record is damaged; sound
#: checks of a batch could not be analysed.
UNDECIDED, CHANGED, DAMAGED, SOME_FAILED = 5, 6, 7, 8


def _parsed(pairs: tuple[str, ...]) -> dict[str, str]:
    """What `--rename` says."""
    from analyze.archive.renaming import parsed_renames

    return parsed_renames(pairs) if pairs else {}


def print_json(content: dict[str, Any]) -> None:
    """One JSON object on stdout; in it stands escaped what a terminal would act on, or what is no text."""
    text = json.dumps(content, ensure_ascii=False, allow_nan=False, sort_keys=True)
    click.echo(text if text.isprintable() else "".join(c if c.isprintable() else json.dumps(c)[1:-1] for c in text))
