"""The commands: they read options, call the program and say what came out. No computation here.

Human text and progress go to stderr, `--json` to stdout. Exit codes are those of `errors.py`, 5 where an output is left
undecided and 7 where a record is damaged. Everything heavy is imported inside the commands, so that `--help` answers at
once.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from analyze.version import VERSION

if TYPE_CHECKING:
    from analyze.responses.capture import ProgressStart

#: Read by `__main__`, where a bug surfaces.
_debug = click.option("--debug", is_flag=True, expose_value=False, help="Show the traceback of a bug in the program.")
_bands = click.option(
    "--bands",
    type=click.Choice(["1", "3", "6", "12"]),
    default="3",
    show_default=True,
    help="Bands per octave in the tables.",
)
_rename = click.option(
    "--rename", "renames", multiple=True, metavar="OLD=NEW", help="An output or position that bears another name now."
)
_quiet = click.option("--quiet", is_flag=True, help="Say nothing but errors.")
_as_json = click.option("--json", "as_json", is_flag=True, help="Print the results as one JSON object on stdout.")

#: Finished, and: an output is undecided; a comparison found a change beyond its tolerance; a record is damaged; sound
#: checks of a batch could not be analysed.
UNDECIDED, CHANGED, DAMAGED, SOME_FAILED = 5, 6, 7, 8


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(VERSION, prog_name="analyze")
def commands() -> None:
    """Delay and polarity for every loudspeaker output, from the recordings of a sound check."""


@commands.command()
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Report folder.  [default: reports/<folder name>]")
@_bands
@click.option("--workers", type=click.IntRange(min=1), help="Cores to use.  [default: all]")
@click.option("--force", is_flag=True, help="Replace an existing folder even if it is not a report.")
@_quiet
@_as_json
@_debug
def run(path: Path, out: Path | None, bands: str, workers: int | None, force: bool, quiet: bool, as_json: bool) -> int:
    """Analyse the sound check in PATH: a folder with a soundcheck.toml, or that file."""
    from analyze.description import load_sound_check
    from analyze.pipeline import analyse
    from analyze.reports import check_target, drawing_processes, print_summary, reserved, results_object, write_report
    from analyze.spectra.threads import one_heap

    one_heap()
    sound_check = load_sound_check(path)
    target = out or Path("reports") / sound_check.folder.resolve().name
    check_target(target, force=force, source=sound_check.folder)
    workers = workers or os.cpu_count() or 1
    with reserved(target), drawing_processes(workers) as draw:
        with _progress(quiet) as start:
            analysis = analyse(sound_check, bands_per_octave=int(bands), workers=workers, progress=start)
        write_report(analysis, target, force=force, draw=draw)
    if as_json:
        _print_json(results_object(analysis))
    if not quiet:
        print_summary(analysis, target)
    return UNDECIDED if analysis.is_undecided else 0


@commands.command()
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print tracks and findings as one JSON object on stdout.")
@_debug
def inspect(path: Path, as_json: bool) -> int:
    """Look at the quality of the recordings in PATH alone, in seconds, while there is time to repeat them."""
    from analyze.audio.track_checks import check_tracks
    from analyze.description import load_sound_check
    from analyze.reports.inspection import inspection_object, print_inspection
    from analyze.spectra.inspection import inspect_captures

    sound_check = load_sound_check(path)
    check_tracks(sound_check)
    tracks, findings = inspect_captures(sound_check)
    if as_json:
        click.echo(json.dumps(inspection_object(tracks, findings), ensure_ascii=False, allow_nan=False, sort_keys=True))
    print_inspection(tracks, findings)
    return 0


@commands.command()
@click.option(
    "--out", type=click.Path(path_type=Path), default=Path("demo"), show_default=True, help="Folder to make it in."
)
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Draws the hall and the fault.")
@_debug
def demo(out: Path, seed: int) -> int:
    """Make a simulated sound check with a hidden fault to try the program on."""
    from analyze.simulate import make_demo

    make_demo(out, seed)
    click.echo(f"A simulated sound check is in {out}. Analyse it with: analyze run {out}", err=True)
    click.echo(f"What it hides stands in {out / 'truth.json'}.", err=True)
    return 0


@commands.command()
@click.argument("folder", type=click.Path(path_type=Path))
@_debug
def draft(folder: Path) -> int:
    """Write a soundcheck.toml for the recordings in FOLDER, to be corrected by hand."""
    from analyze.draft import write_draft

    made = write_draft(folder)
    counts = f"{made.n_outputs} outputs, {made.n_positions} positions, {made.n_captures} captures"
    click.echo(f"A draft is in {made.path}: {counts}, all guessed.", err=True)
    if made.n_left_out:
        click.echo(f"{made.n_left_out} tracks or files could not be placed; they stand in comments.", err=True)
    if made.to_fill_in:
        click.echo(f"To be filled in first:\n{made.to_fill_in}", err=True)
    else:
        click.echo(f"Correct it, type in the delays and polarities in force, then: analyze run {folder}", err=True)
    return 0


@commands.command()
@click.argument("folders", nargs=-1, required=True, metavar="FOLDER...", type=click.Path(path_type=Path))
@click.option(
    "--out", type=click.Path(path_type=Path), default=Path("batch"), show_default=True, help="Folder of the reports."
)
@_bands
@click.option("--workers", type=click.IntRange(min=1), help="Analyses at once.  [default: by cores and memory]")
@click.option("--cluster", metavar="ADDRESS", help="Analyse on the workers of a dask scheduler, tcp://...")
@click.option("--force", is_flag=True, help="Do again what is finished.")
@_quiet
@click.option("--json", "as_json", is_flag=True, help="Print the summary as one JSON object on stdout.")
@_debug
def batch(
    folders: tuple[Path, ...],
    out: Path,
    bands: str,
    workers: int | None,
    cluster: str | None,
    force: bool,
    quiet: bool,
    as_json: bool,
) -> int:
    """Analyse every sound check in or below FOLDER..., each into a report of its own, and sum them up.

    What is finished is not done again; one that cannot be analysed does not stop the rest (exit code 8).
    """
    from analyze.batch.finding import find_sound_checks
    from analyze.batch.outcome import Outcome
    from analyze.batch.running import run_batch
    from analyze.batch.summary import SUMMARY, batch_object, check_target, headline, write_summary
    from analyze.batch.telling import line, where

    found = find_sound_checks(folders, reserved=[SUMMARY])
    check_target(out)
    n_done = 0

    def told(outcome: Outcome) -> None:
        nonlocal n_done
        n_done += 1
        if not quiet:
            click.echo(f"{n_done}/{len(found)} {line(outcome)}", err=True)

    outcomes = run_batch(
        found, out, bands_per_octave=int(bands), workers=workers, cluster=cluster, force=force, told=told
    )
    write_summary(outcomes, out)
    if as_json:
        _print_json(batch_object(outcomes))
    if not quiet:
        click.echo(f"{headline(outcomes)}\n{where(out / SUMMARY / 'report.html')}", err=True)
    statuses = {one.status for one in outcomes}
    return SOME_FAILED if "failed" in statuses else UNDECIDED if "undecided" in statuses else 0


@commands.command()
@click.argument("subject", required=False)
@_debug
def guide(subject: str | None) -> int:
    """Read the manual: its topics, or what it says on SUBJECT, a topic or the name of a finding."""
    from analyze.guide import text_on, topics

    if subject:
        click.echo(text_on(subject).rstrip())
        return 0
    for topic, title in topics().items():
        click.echo(f"analyze guide {topic:<12} {title}")
    return 0


@click.command()
@click.argument("records", nargs=-1, required=True, metavar="RECORD...", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print what was found as one JSON object on stdout.")
@_debug
def verify(records: tuple[Path, ...], as_json: bool) -> int:
    """Say whether every RECORD is complete and nothing in it has changed, and name each file that has."""
    from analyze.archive.telling import verification_object, verification_text
    from analyze.archive.verification import verify_record

    verified = []
    for record in records:
        verified.append(verify_record(record))
        click.echo(verification_text(verified[-1]), err=True)
    if as_json:
        click.echo(json.dumps(verification_object(verified), sort_keys=True))
    return 0 if all(one.is_valid for one in verified) else DAMAGED


class _OrVerify(click.Command):
    """A command whose first word may be another: `archive REPORT`, `archive verify RECORD...`."""

    def make_context(
        self, info_name: str | None, args: list[str], parent: click.Context | None = None, **extra: Any
    ) -> click.Context:
        if args[:1] == ["verify"]:
            return verify.make_context(f"{info_name} verify", args[1:], parent, **extra)
        return super().make_context(info_name, args, parent, **extra)


@commands.command(cls=_OrVerify)
@click.argument("report", type=click.Path(path_type=Path))
@click.option(
    "--to", type=click.Path(path_type=Path), default=Path("records"), show_default=True, help="Folder for it."
)
@click.option("--with-audio", is_flag=True, help="Put the recordings into it.")
@click.option(
    "--sound-check", type=click.Path(path_type=Path), help="Where they lie.  [default: sought by the report's name]"
)
@click.option("--force", is_flag=True, help="Replace a folder that stands there, an earlier record too.")
@_debug
def archive(report: Path, to: Path, with_audio: bool, sound_check: Path | None, force: bool) -> int:
    """Make a record of REPORT, a folder that `run` has written: one that lasts and can be verified.

    `analyze archive verify RECORD...` says whether records are complete and nothing in them has changed.
    """
    from analyze.archive.record import write_record
    from analyze.archive.telling import AUDIO_WARNING, record_text

    if with_audio:
        click.echo(AUDIO_WARNING, err=True)
    record = write_record(report, to, with_audio=with_audio, sound_check=sound_check, force=force)
    click.echo(record_text(record), err=True)
    return 0


@commands.command()
@click.argument("older", type=click.Path(path_type=Path))
@click.argument("newer", type=click.Path(path_type=Path))
@_rename
@click.option("--out", type=click.Path(path_type=Path), help="Folder for it.  [default: comparisons/<older>-<newer>]")
@click.option("--arrival-ms", type=click.FloatRange(min=0.0), default=0.05, show_default=True, help="Tolerance.")
@click.option("--level-db", type=click.FloatRange(min=0.0), default=0.5, show_default=True, help="Tolerance.")
@click.option("--response-db", type=click.FloatRange(min=0.0), default=1.5, show_default=True, help="In any band.")
@click.option("--force", is_flag=True, help="Replace an existing folder even if it is not a comparison.")
@_quiet
@_as_json
@_debug
def compare(
    older: Path,
    newer: Path,
    renames: tuple[str, ...],
    out: Path | None,
    arrival_ms: float,
    level_db: float,
    response_db: float,
    force: bool,
    quiet: bool,
    as_json: bool,
) -> int:
    """Say what changed from the visit OLDER to the visit NEWER: reports that `run` has written, or records.

    Exit code 0 if every output is as it was, 6 if one changed by more than the tolerances.
    """
    from analyze.archive.comparison import compare as compared
    from analyze.archive.comparison_folder import COMPARISON_FOLDER
    from analyze.archive.comparison_rows import Tolerances
    from analyze.archive.comparison_terminal import print_comparison
    from analyze.archive.opening import open_report
    from analyze.archive.renaming import parsed_renames

    then, now = open_report(older), open_report(newer)
    target = out or Path("comparisons") / f"{then.name}-{now.name}"
    COMPARISON_FOLDER.check(target, [then.place, now.place], force=force)
    comparison = compared(then, now, parsed_renames(renames), Tolerances(arrival_ms, level_db, response_db))
    COMPARISON_FOLDER.write(comparison, target)
    if as_json:
        _print_json(COMPARISON_FOLDER.as_object(comparison))
    if not quiet:
        print_comparison(comparison, target)
    return CHANGED if comparison.is_changed else 0


@commands.command(name="verify-settings")
@click.argument("before", type=click.Path(path_type=Path))
@click.argument("after", type=click.Path(path_type=Path))
@_rename
@click.option("--out", type=click.Path(path_type=Path), help="Folder for it.  [default: verified/<before>-<after>]")
@click.option("--force", is_flag=True, help="Replace an existing folder even if it is none of these.")
@_quiet
@_as_json
@_debug
def verify_settings(
    before: Path, after: Path, renames: tuple[str, ...], out: Path | None, force: bool, quiet: bool, as_json: bool
) -> int:
    """Say whether what the report BEFORE recommends is in force in the report AFTER, and did what was predicted.

    Exit code 0 if all is done as recommended, 6 otherwise.
    """
    from analyze.archive.opening import open_report
    from analyze.archive.renaming import parsed_renames
    from analyze.archive.settings import verify_settings as verified_settings
    from analyze.archive.settings_folder import SETTINGS_FOLDER
    from analyze.archive.settings_terminal import print_verified

    then, now = open_report(before), open_report(after)
    target = out or Path("verified") / f"{then.name}-{now.name}"
    SETTINGS_FOLDER.check(target, [then.place, now.place], force=force)
    verified = verified_settings(then, now, parsed_renames(renames))
    SETTINGS_FOLDER.write(verified, target)
    if as_json:
        _print_json(SETTINGS_FOLDER.as_object(verified))
    if not quiet:
        print_verified(verified, target)
    return 0 if verified.is_done else CHANGED


@commands.command()
@click.argument("folder", type=click.Path(path_type=Path))
@_rename
@click.option("--out", type=click.Path(path_type=Path), help="Folder for it.  [default: histories/<folder name>]")
@click.option("--force", is_flag=True, help="Replace an existing folder even if it is not a history.")
@_quiet
@_as_json
@_debug
def history(folder: Path, renames: tuple[str, ...], out: Path | None, force: bool, quiet: bool, as_json: bool) -> int:
    """Gather every record and report below FOLDER into one table and one page over time per venue.

    What is damaged or of a later format is left out and named; the rest goes on.
    """
    from analyze.archive.history import history_of
    from analyze.archive.history_finding import visit_folders
    from analyze.archive.history_folder import HISTORY_FOLDER
    from analyze.archive.history_terminal import print_history, print_left_out
    from analyze.archive.renaming import parsed_renames

    target = out or Path("histories") / folder.resolve().name
    HISTORY_FOLDER.check(target, [folder, *visit_folders(folder)], force=force)
    with _progress(quiet) as start:
        found = history_of(folder, start, parsed_renames(renames))
    HISTORY_FOLDER.write(found, target)
    if as_json:
        _print_json(HISTORY_FOLDER.as_object(found))
    if not quiet:
        print_history(found, target)
    print_left_out(found)
    return 0


def _print_json(found: dict[str, Any]) -> None:
    """Print what was found on stdout, for programs."""
    click.echo(json.dumps(found, ensure_ascii=False, allow_nan=False, sort_keys=True))


@contextmanager
def _progress(quiet: bool) -> Iterator[ProgressStart | None]:
    """A bar per capture with the time left; nothing when quiet or not on a terminal."""
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    if quiet or not console.is_terminal:
        yield None
        return
    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console) as bars:

        def start(capture: str, n_samples: int) -> Callable[[int], None]:
            task = bars.add_task(escape(capture), total=n_samples)
            return lambda done: bars.update(task, advance=done)

        yield start
