"""What a call of `plan` means: everything, for a description; what is wanted again, for a report or record."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from analyze.alignment.optional import may_be_left_out
from analyze.archive.bag import is_bag
from analyze.archive.opening import ReportRead, open_report
from analyze.audio.damage import CLIPPING, LITTLE_HEADROOM
from analyze.description import SoundCheck, load_outline
from analyze.description_text import FILE_NAME
from analyze.errors import DescriptionError
from analyze.planning.again import Before
from analyze.planning.checklist import Checklist, checklist
from analyze.planning.microphones import in_track_order
from analyze.planning.recorders import own_recorders
from analyze.planning.takes import Earlier, Plan, plan_all, plan_rest
from analyze.planning.taping import zone_of
from analyze.planning.wanted import captures_of, rows_of, undecided_reasons, wanted
from analyze.reports.folder import is_report
from analyze.reports.summaries import listed
from analyze.responses.wiring import CHAIN_INVERTED


@dataclass(frozen=True)
class Asked:
    """A plan with the description it was made from.

    name : what the user calls it; doubts : findings of the report that put its description in doubt
    before : what the report says of the recordings there are; is_of_report : whether it was made from one
    """

    name: str
    check: SoundCheck
    plan: Plan
    doubts: tuple[str, ...] = ()
    before: Before = field(default_factory=Before)
    is_of_report: bool = False

    @property
    def checklist(self) -> Checklist:
        """The list of the plan."""
        return checklist(self.check, self.plan, self.doubts, self.before)


def plan_for(path: Path, n_microphones: int | None = None) -> Asked:
    """The plan for a folder with a `soundcheck.toml` or that file, or for a report or record.

    Parameters
    ----------
    n_microphones : how many there are; one for every position if None

    Raises
    ------
    DescriptionError : there is none of these, its description is wrong, or there is nothing to be planned
    """
    if is_report(path) or is_bag(path):
        report = open_report(path)
        check = in_track_order(load_outline(report.folder / FILE_NAME))
        earlier = [Earlier(one["name"], tuple(one["feeds"]), tuple(one["mics"])) for one in captures_of(report)]
        files = [file["path"] for file in report.results.get("input_files", ())]
        reasons = _to_be_recorded(report, check)
        plan = plan_rest(check, reasons, n_microphones, earlier=earlier, files=files, own=own_recorders(check))
        return Asked(report.name, check, plan, report.doubts, _before(report, check), is_of_report=True)
    check = in_track_order(load_outline(path))
    return Asked(check.folder.resolve().name, check, plan_all(check, n_microphones, own=own_recorders(check)))


#: Tables whose rows hold a decision.
_DECIDED = ("recommendations", "inputs")


def _to_be_recorded(report: ReportRead, check: SoundCheck) -> dict[str, str]:
    """Outputs to be recorded and why. Raises DescriptionError where there is none, with what is left to be done."""
    reasons = wanted(report, check)
    if reasons:
        return reasons
    if report.doubts:
        raise DescriptionError(
            f"its description is in doubt ({listed(report.doubts)}), and nothing else has to be recorded again.",
            "Put the description right as the report says, analyze it again, and plan from the new report.",
            path=report.folder,
        )
    undecided = ", ".join(undecided_reasons(report))
    if undecided:
        raise DescriptionError(
            f"{undecided}: nothing has to be recorded again.",
            "The settings sheet says what it takes instead.",
            path=report.folder,
        )
    inputs = [row["input"] for row in rows_of(report, "inputs") if row["decision"] == "undecided"]
    if inputs:
        raise DescriptionError(
            f"no output has to be recorded again; undecided among the stage inputs: {listed(inputs)}.",
            "The report says what it takes; a plan lists outputs alone.",
            path=report.folder,
        )
    raise DescriptionError(
        "every output is decided; nothing has to be recorded again.", _left_to_do(report), path=report.folder
    )


def _left_to_do(report: ReportRead) -> str:
    """What may be recorded where nothing has to be."""
    everything = "For a list of everything give the folder of the sound check instead of its report."
    if any(row["decision"] == "change" for table in _DECIDED for row in rows_of(report, table)):
        return (
            f"Type the settings in and record once more: analyze verify-settings then says what they did. {everything}"
        )
    return everything


def _before(report: ReportRead, check: SoundCheck) -> Before:
    """What is to be known of the recordings of a report before more are made."""
    changed = (row for row in rows_of(report, "recommendations") if row["decision"] == "change")
    return Before(
        nearest=_nearest(report, check),
        too_hot=_found_at(report, check, CLIPPING, LITTLE_HEADROOM),
        inverted=_found_at(report, check, CHAIN_INVERTED),
        asked={
            row["output"]: f"{row['recommended_delay_ms']:.2f} ms, {row['recommended_polarity']}"
            f"{' (optional)' if may_be_left_out(row['decision'], row['kind'], row['gain_db']) else ''}"
            for row in changed
        },
        folders=_folders(report),
    )


def _folders(report: ReportRead) -> tuple[str, ...]:
    """The folders of the recordings, as the description writes them; empty for its own."""
    files = (PurePosixPath(file["path"]).parent for file in report.results.get("input_files", ()))
    return tuple(dict.fromkeys("" if str(folder) == "." else str(folder) for folder in files))


def _found_at(report: ReportRead, check: SoundCheck, *names: str) -> tuple[str, ...]:
    """The positions at which findings of these names were made, in the order of the description."""
    found = {row["track"] for row in rows_of(report, "quality") if row["finding"] in names}
    return tuple(position for position in check.positions if position in found)


def _nearest(report: ReportRead, check: SoundCheck) -> dict[str, str]:
    """The position of its zone at which every output was heard first; a recorder of its own tells no time of that."""
    apart = {capture["name"] for capture in captures_of(report) if capture.get("unsynced")}
    first: dict[str, tuple[float, str]] = {}
    for row in rows_of(report, "arrivals"):
        output, position = check.outputs.get(row["output"]), check.positions.get(row["position"])
        is_told = row["capture"] not in apart and math.isfinite(row["arrival_ms"])
        if output and position and is_told and position.zone == zone_of(output):
            first[output.name] = min(first.get(output.name, (math.inf, "")), (row["arrival_ms"], position.name))
    return {output: position for output, (_, position) in first.items()}
