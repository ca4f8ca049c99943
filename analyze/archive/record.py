"""A report becomes a record: one folder that holds all there is to know of a sound check, and can be verified.

data/report/**          the report as it is
data/soundcheck.toml    the description it was made from
data/responses.sofa     its impulse responses as AES69, where the extra `sofa` is installed
data/audio/**           with the audio: the description once more and the recordings, fit to be analysed again
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from analyze.archive.about import AUDIO, DESCRIPTION, REPORT, RESPONSES, record_tags
from analyze.archive.alikeness import levels_of, levels_too_alike
from analyze.archive.bag import Source, bag_files, is_bag
from analyze.archive.folders import check_outside_records
from analyze.archive.opening import ReportRead, are_one, open_report
from analyze.archive.recordings import find_recordings
from analyze.archive.report_files import ReportFiles, read_report
from analyze.archive.sofa import can_write_sofa, sofa_files
from analyze.description_text import FILE_NAME
from analyze.errors import AnalyzeError, DescriptionError
from analyze.reports.folder import Kind, check_folder, replace_folder

#: Records replace nothing unasked, not even an earlier record.
RECORD = Kind("record", "the report", "--to", lambda _: False, "is there already, and no record is replaced unasked.")


@dataclass(frozen=True)
class Record:
    """What was written: the folder, files and bytes of its payload, and whether responses stand in it as SOFA.

    missing : what the description does not state by which a history places a visit, date or venue
    doubts : findings that put the description in doubt; has_audio : whether the recordings stand in it
    copies : names of records beside it that were made from the same recordings; alike : of those that are more alike
        than two recordings can be
    """

    folder: Path
    n_files: int
    n_bytes: int
    has_sofa: bool
    missing: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    has_audio: bool = False
    copies: tuple[str, ...] = ()
    alike: tuple[str, ...] = ()


def write_record(
    report: Path,
    to: Path = Path("records"),
    *,
    with_audio: bool = False,
    sound_check: Path | None = None,
    force: bool = False,
) -> Record:
    """Write the record of a report into the folder `to`, under the report's name.

    Parameters
    ----------
    with_audio : put the recordings into it
    sound_check : where they lie, for `with_audio`; sought by the report's name if None
    force : replace what stands there

    Raises
    ------
    DescriptionError : there is no whole report, its recordings are not found, or the record may not stand there
    OutputError : it cannot be written; what stood there stands there still
    """
    source = read_report(report)
    target = to / source.name
    _check_place(target, report)
    check_folder(target, force, source=report, kind=RECORD)
    recordings = find_recordings(source, sound_check) if with_audio else {}
    payload = _payload(source, recordings)
    tags = record_tags(source.results["sound_check"], source.name, source.doubts)
    replace_folder(target, bag_files(payload, tags), kind=RECORD)
    n_bytes = sum((target.expanduser() / name).stat().st_size for name in payload)
    missing = tuple(what for what, said in (("date", source.date), ("venue", source.venue)) if not said)
    has_sofa = any(name.startswith(RESPONSES) for name in payload)
    beside = _copies(target, source)
    return Record(target, len(payload), n_bytes, has_sofa, missing, source.doubts, bool(recordings), *beside)


def _copies(target: Path, source: ReportRead) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Records beside one that are of the same recordings, and those too alike; what cannot be opened is neither."""
    copies, alike, levels = [], [], levels_of(source)
    for other in sorted(target.expanduser().resolve().parent.iterdir()):
        if other.name == target.name or not is_bag(other):
            continue
        with suppress(AnalyzeError):
            report = open_report(other)
            if are_one(source, report):
                copies.append(other.name)
            elif levels_too_alike(levels_of(report), levels):
                alike.append(other.name)
    return tuple(copies), tuple(alike)


def _payload(report: ReportFiles, recordings: dict[str, Path]) -> dict[str, Source]:
    """Every file of the payload: what is copied to it, or what writes it."""
    description = report.folder / FILE_NAME
    payload: dict[str, Source] = {f"{REPORT}/{name}": report.folder / name for name in report.files}
    payload[DESCRIPTION] = description
    if can_write_sofa():
        payload |= sofa_files(report)
    if recordings:
        payload |= {f"{AUDIO}/{name}": path for name, path in recordings.items()}
        payload[f"{AUDIO}/{FILE_NAME}"] = description
    return payload


def _check_place(target: Path, report: Path) -> None:
    """Refuse a place inside the report, which would grow with its record, or inside a record, which it would spoil."""
    if target.expanduser().resolve().is_relative_to(report.resolve()):
        raise DescriptionError("is the report or lies in it.", "Choose another folder with --to.", path=target)
    check_outside_records(target, RECORD)
