"""The commands about records: making and verifying them, and holding visits against one another."""

from __future__ import annotations

from pathlib import Path

import click

from analyze.cli_help import ExampleCommand, OrAnother
from analyze.cli_options import CHANGED, DAMAGED, debug, json_option, print_json, quiet_option, rename
from analyze.cli_progress import progress
from analyze.errors import DescriptionError


@click.command(cls=ExampleCommand, example="analyze archive verify records/*")
@click.argument("records", nargs=-1, required=True, metavar="RECORD...", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print what was found as one JSON object on stdout.")
@debug
def verify(records: tuple[Path, ...], as_json: bool) -> int:
    """Say whether every RECORD is complete and nothing in it has changed, and name each file that has."""
    from analyze.archive.telling import counted_text, verification_object, verification_text
    from analyze.archive.verification import verify_record

    verified, refused = [], 0
    for record in records:
        try:
            verified.append(verify_record(record))
        except DescriptionError as error:  # what is none does not keep the others from being looked at
            click.echo(f"analyze: {error.message()}", err=True)
            refused = error.exit_code
            continue
        click.echo(verification_text(verified[-1]), err=True)
    if len(records) > 1:
        click.echo(counted_text(verified, len(records)), err=True)
    code = refused if all(one.is_valid for one in verified) else DAMAGED  # damage is the graver of the two
    if as_json:
        print_json({**verification_object(verified), "is_valid": code == 0})
    return code


@click.command(cls=OrAnother, others={"verify": verify}, example="analyze archive reports/harbour")
@click.argument("report", type=click.Path(path_type=Path))
@click.option(
    "--to", type=click.Path(path_type=Path), default=Path("records"), show_default=True, help="Folder for it."
)
@click.option("--with-audio", is_flag=True, help="Put the recordings into it.")
@click.option(
    "--sound-check", type=click.Path(path_type=Path), help="Where they lie.  [default: sought by the report's name]"
)
@click.option("--force", is_flag=True, help="Replace a folder that stands there, an earlier record too.")
@debug
def archive(
    report: Path,
    to: Path,
    with_audio: bool,
    sound_check: Path | None,
    force: bool,
) -> int:
    """Make a record of REPORT, a folder that `run` has written: one that lasts and can be verified.

    `analyze archive verify RECORD...` says whether records are complete and nothing in them has changed.
    """
    from analyze.archive.record import write_record
    from analyze.archive.telling import AUDIO_WARNING, record_text

    if sound_check and not with_audio:
        raise click.UsageError("--sound-check says where the recordings lie; without --with-audio they are left out.")
    if with_audio:
        click.echo(AUDIO_WARNING, err=True)
    record = write_record(report, to, with_audio=with_audio, sound_check=sound_check, force=force)
    click.echo(record_text(record), err=True)
    return 0


@click.command(cls=ExampleCommand, example="analyze compare reports/may reports/october")
@click.argument("older", type=click.Path(path_type=Path))
@click.argument("newer", type=click.Path(path_type=Path))
@rename
@click.option("--out", type=click.Path(path_type=Path), help="Folder for it.  [default: comparisons/<older>-<newer>]")
@click.option("--arrival-ms", type=click.FloatRange(min=0.0), default=0.05, show_default=True, help="Tolerance.")
@click.option("--level-db", type=click.FloatRange(min=0.0), default=0.5, show_default=True, help="Tolerance.")
@click.option("--response-db", type=click.FloatRange(min=0.0), default=1.5, show_default=True, help="In any band.")
@click.option("--force", is_flag=True, help="Replace an existing folder even if it is not a comparison.")
@quiet_option
@json_option
@debug
def compare(
    older: Path,
    newer: Path,
    renames: dict[str, str],
    out: Path | None,
    arrival_ms: float,
    level_db: float,
    response_db: float,
    force: bool,
    quiet: bool,
    as_json: bool,
) -> int:
    """Say what changed from the visit OLDER to the visit NEWER: reports that `run` has written, or records.

    Exit code 0 if every output is as it was, 6 if one changed by more than the tolerances, if positions look exchanged,
    or if both are one visit or more alike than two can be.
    """
    from analyze.archive.comparison import compare as compared
    from analyze.archive.comparison_folder import COMPARISON_FOLDER
    from analyze.archive.comparison_rows import Tolerances
    from analyze.archive.comparison_terminal import print_comparison
    from analyze.archive.whole import open_whole

    then, now = open_whole(older), open_whole(newer)
    target = out or Path("comparisons") / f"{then.name}-{now.name}"
    COMPARISON_FOLDER.check(target, [then.place, now.place], force=force)
    comparison = compared(then, now, renames, Tolerances(arrival_ms, level_db, response_db))
    COMPARISON_FOLDER.write(comparison, target)
    if as_json:
        print_json(COMPARISON_FOLDER.as_object(comparison))
    if not quiet:
        print_comparison(comparison, target)
    return CHANGED if comparison.is_changed else 0


@click.command(
    cls=ExampleCommand, name="verify-settings", example="analyze verify-settings reports/friday reports/friday-after"
)
@click.argument("before", type=click.Path(path_type=Path))
@click.argument("after", type=click.Path(path_type=Path))
@rename
@click.option("--out", type=click.Path(path_type=Path), help="Folder for it.  [default: verified/<before>-<after>]")
@click.option("--force", is_flag=True, help="Replace an existing folder even if it is none of these.")
@quiet_option
@json_option
@debug
def verify_settings(
    before: Path, after: Path, renames: dict[str, str], out: Path | None, force: bool, quiet: bool, as_json: bool
) -> int:
    """Say whether what the report BEFORE recommends is in force in the report AFTER, and did what was predicted.

    Exit code 0 if all is done as recommended, 6 otherwise, also where positions look exchanged or both are one visit.
    """
    from analyze.archive.settings import verify_settings as verified_settings
    from analyze.archive.settings_folder import SETTINGS_FOLDER
    from analyze.archive.settings_terminal import print_verified
    from analyze.archive.whole import open_whole

    then, now = open_whole(before), open_whole(after)
    target = out or Path("verified") / f"{then.name}-{now.name}"
    SETTINGS_FOLDER.check(target, [then.place, now.place], force=force)
    verified = verified_settings(then, now, renames)
    SETTINGS_FOLDER.write(verified, target)
    if as_json:
        print_json(SETTINGS_FOLDER.as_object(verified))
    if not quiet:
        print_verified(verified, target)
    return 0 if verified.is_done else CHANGED


@click.command(cls=ExampleCommand, example="analyze history records")
@click.argument("folder", type=click.Path(path_type=Path))
@rename
@click.option("--out", type=click.Path(path_type=Path), help="Folder for it.  [default: histories/<folder name>]")
@click.option("--force", is_flag=True, help="Replace an existing folder even if it is not a history.")
@quiet_option
@json_option
@debug
def history(folder: Path, renames: dict[str, str], out: Path | None, force: bool, quiet: bool, as_json: bool) -> int:
    """Gather every record and report below FOLDER into one table and one page over time per venue.

    What is damaged or of a later format is left out and named; the rest goes on.
    """
    from analyze.archive.history import history_of
    from analyze.archive.history_finding import visit_folders
    from analyze.archive.history_folder import HISTORY_FOLDER
    from analyze.archive.history_terminal import print_history, print_left_out

    target = out or Path("histories") / folder.resolve().name
    HISTORY_FOLDER.check(target, [folder, *visit_folders(folder)], force=force)
    with progress(quiet) as start:
        found = history_of(folder, start, renames)
    HISTORY_FOLDER.write(found, target)
    if as_json:
        print_json(HISTORY_FOLDER.as_object(found))
    if not quiet:
        print_history(found, target)
    print_left_out(found)
    return 0
