"""The commands: they read options, call the program and say what came out. No computation here.

Human text and progress go to stderr, `--json` to stdout. Exit codes are those of `errors.py`, 5 where an output is left
undecided and 7 where a record is damaged. Everything heavy is imported inside the commands, so that `--help` answers at
once.
"""

from __future__ import annotations

import os
import shlex
from pathlib import Path

import click

from analyze.cli_help import Commands
from analyze.cli_options import SOME_FAILED, UNDECIDED, bands_option, debug, json_option, print_json, quiet_option
from analyze.cli_progress import progress
from analyze.cli_records import archive, compare, history, verify_settings
from analyze.errors import printable
from analyze.version import VERSION


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]}, example="analyze run sample_audio")
@click.version_option(VERSION, prog_name="analyze")
def commands() -> None:
    """Delay and polarity for every loudspeaker output, from the recordings of a sound check."""


@commands.command(example="analyze run sample_audio")
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Report folder.  [default: reports/<folder name>]")
@bands_option
@click.option("--workers", type=click.IntRange(min=1), help="Cores to use.  [default: all]")
@click.option("--force", is_flag=True, help="Replace an existing folder even if it is not a report.")
@quiet_option
@json_option
@debug
def run(path: Path, out: Path | None, bands: str, workers: int | None, force: bool, quiet: bool, as_json: bool) -> int:
    """Analyse the sound check in PATH: a folder with a soundcheck.toml, or that file."""
    from analyze.archive.refusing import refuse_what_is_made
    from analyze.description import load_sound_check

    refuse_what_is_made(path)
    sound_check = load_sound_check(path)  # a mistake in it is answered before what is large is loaded

    from analyze.pipeline import analyse
    from analyze.reports import check_target, drawing_processes, print_summary, reserved, results_object, write_report
    from analyze.reports.reading import fingerprint_of
    from analyze.spectra.threads import one_heap

    one_heap()
    target = out or Path("reports") / sound_check.folder.resolve().name
    check_target(target, force=force, source=sound_check.folder)
    workers = workers or os.cpu_count() or 1
    before = fingerprint_of(target)
    with reserved(target), drawing_processes(workers) as draw:
        with progress(quiet) as start:
            analysis = analyse(
                sound_check, bands_per_octave=int(bands), workers=workers, progress=start, when_read=draw.begin
            )
        write_report(analysis, target, force=force, draw=draw)
    if as_json:
        print_json(results_object(analysis))
    if not quiet:
        print_summary(analysis, target, before=before)
    return UNDECIDED if analysis.is_undecided else 0


@commands.command(example="analyze inspect sample_audio")
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print tracks and findings as one JSON object on stdout.")
@debug
def inspect(path: Path, as_json: bool) -> int:
    """Look at the quality of the recordings in PATH alone, in seconds, while there is time to repeat them."""
    from analyze.archive.refusing import refuse_what_is_made
    from analyze.audio.track_checks import check_tracks
    from analyze.description import load_recorded
    from analyze.description_findings import in_no_take
    from analyze.reports.inspection import inspection_object, print_inspection
    from analyze.responses.against_names import against_names
    from analyze.responses.out_of_place import out_of_place
    from analyze.responses.taped_distances import NOT_ITS_OWN, arrivals_at_a_look, taped_distances
    from analyze.spectra.inspection import inspect_captures

    refuse_what_is_made(path)
    sound_check = load_recorded(path)
    check_tracks(sound_check)
    inspected = inspect_captures(sound_check)
    untrue = {one.capture for one in inspected.findings if one.finding in NOT_ITS_OWN}
    arrivals = arrivals_at_a_look(sound_check, [one for one in inspected.heard if one.capture not in untrue])
    told = [
        one for look in (taped_distances, out_of_place, against_names) for one in look(sound_check, arrivals, (), ())
    ]
    findings = [*inspected.findings, *told]
    if as_json:
        print_json(inspection_object(inspected.tracks, findings))
    print_inspection(inspected.tracks, findings, in_no_take(sound_check))
    return 0


@commands.command(example="analyze demo --out demo --seed 7")
@click.option(
    "--out", type=click.Path(path_type=Path), default=Path("demo"), show_default=True, help="Folder to make it in."
)
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Draws the hall and the fault.")
@click.option("--second-visit", is_flag=True, help="Make the same rig months later: as it was best then, in other air.")
@debug
def demo(out: Path, seed: int, second_visit: bool) -> int:
    """Make a simulated sound check with a hidden fault to try the program on."""
    from analyze.simulate import make_demo

    make_demo(out, seed, is_second_visit=second_visit)
    click.echo(f"A simulated sound check is in {out}. Analyse it with: analyze run {shlex.quote(str(out))}", err=True)
    click.echo(f"What it hides stands in {out / 'truth.json'}.", err=True)
    return 0


@commands.command(example="analyze draft harbour")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--mics",
    default="",
    metavar="NAME,NAME,...",
    help="The microphones, in the order of their tracks, on every recording whose tracks have no names of their own; "
    "they are its last tracks, the feeds stand before them.",
)
@click.option(
    "--feeds",
    default="",
    metavar="NAME,NAME,...",
    help="Likewise the outputs: in the order of their feeds, the first tracks or all of a recording without "
    "microphones; where every recording has one feed, in the order of the recordings.",
)
@click.option(
    "--on-stage", default="", metavar="NAME,...", help="Which of the positions are on stage; all others are audience."
)
@debug
def draft(folder: Path, mics: str, feeds: str, on_stage: str) -> int:
    """Write a soundcheck.toml for the recordings in FOLDER, to be corrected by hand."""
    from analyze.draft import write_draft
    from analyze.draft_said import Said, names_in

    said = Said(names_in(mics, "--mics"), names_in(on_stage, "--on-stage"), names_in(feeds, "--feeds"))
    made = write_draft(folder, said)
    of_kinds = {"output": made.n_outputs, "position": made.n_positions, "capture": made.n_captures}
    counts = ", ".join(f"{n} {kind}{'s' * (n != 1)}" for kind, n in of_kinds.items())
    click.echo(f"A draft is in {printable(str(made.path))}: {counts}. What is a guess is marked.", err=True)
    if made.n_left_out:
        click.echo(f"{made.n_left_out} tracks or files could not be placed; they stand in comments.", err=True)
    for doubt in made.doubts:
        click.echo(printable(doubt), err=True)
    if made.to_fill_in:
        click.echo(f"To be filled in first:\n{made.to_fill_in}", err=True)
    else:
        shown = printable(shlex.quote(str(folder)))
        what = "Correct it, type in the delays and polarities in force, then look at the recordings and analyse them"
        click.echo(f"{what}:\nanalyze inspect {shown}\nanalyze run {shown}", err=True)
    return 0


@commands.command(example="analyze plan harbour")
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--microphones", type=click.IntRange(min=1), help="How many there are.  [default: one per position]")
@click.option("--out", type=click.Path(path_type=Path), help="Folder for it.  [default: plans/<folder name>]")
@click.option("--force", is_flag=True, help="Replace an existing folder even if it is not a plan.")
@debug
def plan(path: Path, microphones: int | None, out: Path | None, force: bool) -> int:
    """List what to record: everything, for outputs and positions; for a report, what it wants recorded again.

    PATH is a folder with a soundcheck.toml, with captures or without, or a report or record. The list is to be printed
    and taken along; the description beside it names the files before they are recorded.
    """
    from analyze.planning.asked import plan_for
    from analyze.planning.folder import check_target, write_plan
    from analyze.planning.terminal import print_plan

    asked = plan_for(path, microphones)
    target = out or Path("plans") / asked.name
    check_target(target, asked, force=force)
    write_plan(asked, target)
    print_plan(asked, target)
    return 0


@commands.command(example="analyze batch disk_of_2026")
@click.argument("folders", nargs=-1, required=True, metavar="FOLDER...", type=click.Path(path_type=Path))
@click.option(
    "--out", type=click.Path(path_type=Path), default=Path("batch"), show_default=True, help="Folder of the reports."
)
@bands_option
@click.option("--workers", type=click.IntRange(min=1), help="Analyses at once.  [default: by cores and memory]")
@click.option("--cluster", metavar="ADDRESS", help="Analyse on the workers of a dask scheduler, tcp://...")
@click.option("--force", is_flag=True, help="Do again what is finished.")
@quiet_option
@click.option("--json", "as_json", is_flag=True, help="Print the summary as one JSON object on stdout.")
@debug
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
        print_json(batch_object(outcomes))
    if not quiet:
        click.echo(f"{headline(outcomes)}\n{where(out / SUMMARY / 'report.html')}", err=True)
    statuses = {one.status for one in outcomes}
    return SOME_FAILED if "failed" in statuses else UNDECIDED if "undecided" in statuses else 0


@commands.command(example="analyze guide mains hum")
@click.argument("subject", nargs=-1)
@debug
def guide(subject: tuple[str, ...]) -> int:
    """Read the manual: its topics, or what it says on SUBJECT, a topic or the name of a finding."""
    from analyze.guide import for_terminal, text_on, topics

    if subject:
        click.echo(for_terminal(text_on(" ".join(subject))).rstrip())
        return 0
    for topic, title in topics().items():
        click.echo(f"analyze guide {topic:<12} {title}")
    return 0


for _command in (archive, compare, verify_settings, history):
    commands.add_command(_command)
