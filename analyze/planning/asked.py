"""What a call of `plan` means: everything, for a description; what would settle the rest, for a report or record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from analyze.archive.bag import is_bag
from analyze.archive.opening import ReportRead, open_report
from analyze.description import SoundCheck, load_outline
from analyze.description_text import FILE_NAME
from analyze.errors import DescriptionError
from analyze.planning.microphones import in_track_order
from analyze.planning.takes import Plan, plan_all, plan_rest
from analyze.reports.folder import is_report
from analyze.reports.summaries import listed


@dataclass(frozen=True)
class Asked:
    """A plan with the description it was made from.

    name : what the user calls it; doubts : findings of the report that put its description in doubt
    """

    name: str
    check: SoundCheck
    plan: Plan
    doubts: tuple[str, ...] = ()


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
        captures = [capture["name"] for capture in report.check["captures"]]
        files = [file["path"] for file in report.results.get("input_files", ())]
        plan = plan_rest(check, _to_be_recorded(report, check), n_microphones, captures=captures, files=files)
        return Asked(report.name, check, plan, report.doubts)
    check = in_track_order(load_outline(path))
    return Asked(check.folder.resolve().name, check, plan_all(check, n_microphones))


def _check_anything(report: ReportRead, reasons: Mapping[str, str]) -> None:
    """Refuse a report that leaves nothing undecided, with what is left to be done. Raises DescriptionError."""
    if reasons:
        return
    wired = [name for name, row in report.wiring.items() if row["polarity"] == "inverted"]
    everything = "For a list of everything give the folder of the sound check instead of its report."
    mend = everything
    if wired:
        mend = (
            f"Mend {listed(wired)}, wired inverted, and record {'it' if len(wired) == 1 else 'them'} once more: "
            "analyze verify-settings then says whether all is in force."
        )
    elif any(row["decision"] == "change" for name in _DECIDED for row in report.rows(name)):
        mend = (
            f"Type the settings in and record once more: analyze verify-settings then says what they did. {everything}"
        )
    raise DescriptionError("every output is decided; nothing has to be recorded again.", mend, path=report.folder)


#: Tables whose rows hold a decision.
_DECIDED = ("recommendations", "inputs")
#: What the reason of an output says for which no recording would help.
_NO_RECORDING = "nothing has to be recorded again"


def _check_doubts(report: ReportRead, reasons: Mapping[str, str]) -> None:
    """Refuse where a description in doubt is all there is to see to. Raises DescriptionError."""
    if report.doubts and all(_NO_RECORDING in reason for reason in reasons.values()):
        raise DescriptionError(
            f"its description is in doubt ({listed(report.doubts)}), and nothing else has to be recorded again.",
            "Put the description right as the report says, analyze it again, and plan from the new report.",
            path=report.folder,
        )


def _to_be_recorded(report: ReportRead, check: SoundCheck) -> dict[str, str]:
    """Undecided outputs with their reasons, and those of their groups, which share their changes.

    Raises DescriptionError where no recording would settle any of them.
    """
    rows = report.results.get("recommendations", ())
    reasons = {row["output"]: row.get("reason") or "" for row in rows if row["decision"] == "undecided"}
    _check_doubts(report, reasons)
    _check_anything(report, reasons)
    for_recording = {name: reason for name, reason in reasons.items() if _NO_RECORDING not in reason}
    if reasons and not for_recording:
        raise DescriptionError(
            f"{', '.join(reasons)}: nothing has to be recorded again.",
            "The settings sheet says what it takes instead.",
            path=report.folder,
        )
    reasons = for_recording
    for name in [name for name in reasons if name in check.outputs]:
        reasons |= {other: "" for other in check.group_of(name) if other not in reasons}
    return reasons
