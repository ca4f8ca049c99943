"""What a description without mistakes says that the user should know of all the same."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from analyze.description_lines import shown
from analyze.description_text import GUESS
from analyze.findings import Finding, Severity

if TYPE_CHECKING:
    from analyze.description import SoundCheck

# How two outputs of a pair are told apart in their names.
_SIDES = re.compile(r"(?<!\w)(?:left|right|l|r)(?!\w)")
_OTHER_SIDE = {"left": "right", "right": "left", "l": "r", "r": "l"}
# With fewer captures than this it is not told which of them is the odd one.
_FEW_CAPTURES = 3
# Twins that are set closer than this are set alike: less is a rounding of a processor.
_APART_MS = 0.05


def findings_of(check: SoundCheck) -> tuple[Finding, ...]:
    """Groups assumed, keys and inputs without effect, guesses that nobody has looked at, captures that are to come."""
    return (
        *_assumed_groups(check),
        *_unlike_twins(check),
        *_missing_microphones(check),
        *_idle_keys(check),
        *_lone_inputs(check),
        *_guesses(check),
        *_not_recorded(check),
    )


def _assumed_groups(check: SoundCheck) -> tuple[Finding, ...]:
    """Mains that nobody put into a group."""
    mains = [output.name for output in check.outputs.values() if output.kind == "main" and not output.group]
    if len(mains) < 2:
        return ()
    names = ", ".join(shown(name) for name in mains)
    detail = f"{names} are treated as one group; write group = ... under each: the same name, or two to split them."
    return (Finding("mains without a group", "warning", detail, track=mains[0], value=len(mains)),)


def _unlike_twins(check: SoundCheck) -> tuple[Finding, ...]:
    """Outputs that differ in `left` and `right` alone, and are set differently.

    What lines up by arrival follows where it stands; of mains and subs two delays are more likely a slip.
    """
    findings = []
    by_name = {name.lower(): output for name, output in check.outputs.items()}
    for name, output in by_name.items():
        twin = by_name.get(_SIDES.sub(lambda side: _OTHER_SIDE[side[0]], name))
        if twin is None or name > twin.name.lower() or twin.kind != output.kind:
            continue
        apart_ms, turned = (
            abs(output.setting.delay_ms - twin.setting.delay_ms),
            output.setting.sign != twin.setting.sign,
        )
        how = [f"{apart_ms:.2f} ms apart"] if apart_ms >= _APART_MS else []
        how += ["of opposite polarity"] if turned else []
        if how:
            names = f"{shown(output.name)} and {shown(twin.name)}"
            detail = (
                f"{names} are set {' and '.join(how)}. If they are to be alike, "
                "one is wrong in the processor or in the description: a group moves as one, its differences stay."
            )
            is_likely = turned or output.kind in ("main", "sub")
            severity: Severity = "warning" if is_likely else "note"
            findings.append(
                Finding("twins set differently", severity, detail, "", output.name, value=apart_ms, unit="ms")
            )
    return tuple(findings)


def _missing_microphones(check: SoundCheck) -> tuple[Finding, ...]:
    """Positions without a microphone in one capture, where every other with feeds has one: a line or file forgotten."""
    captures = [capture for capture in check.captures if capture.feeds and capture.mics]
    if len(captures) < _FEW_CAPTURES:
        return ()
    findings = []
    for position in check.positions:
        without = [capture.name for capture in captures if position not in capture.mics]
        if len(without) == 1:
            detail = f"Every other take has a microphone at {position}, {without[0]!r} has none: add its track, if any."
            findings.append(Finding("microphone missing", "warning", detail, without[0], position))
    return tuple(findings)


def _idle_keys(check: SoundCheck) -> tuple[Finding, ...]:
    """`align_at` and `later_ms` where alignment does not go by arrival."""
    return tuple(
        Finding(
            "alignment wish without effect",
            "note",
            f"align_at and later_ms act on fills and towers only; {shown(output.name)} is a {output.kind}.",
            track=output.name,
        )
        for output in check.outputs.values()
        if output.kind not in ("fill", "tower") and (output.align_at or output.later_ms != 0.0)
    )


def _lone_inputs(check: SoundCheck) -> tuple[Finding, ...]:
    """Stage inputs with nothing to be compared with."""
    return tuple(
        Finding(
            "single stage input",
            "note",
            "There is nothing to compare it with; add a second input to this capture.",
            capture=capture.name,
            track=next(iter(capture.inputs)),
        )
        for capture in check.captures
        if len(capture.inputs) == 1
    )


def _guesses(check: SoundCheck) -> tuple[Finding, ...]:
    """Lines of a draft that still bear the mark of a guess; lines that are comments as a whole do not count."""
    lines = enumerate(check.source.decode("utf-8", "replace").splitlines(), 1)
    marked = [number for number, line in lines if GUESS in line and not line.lstrip().startswith("#")]
    if not marked:
        return ()
    detail = (
        f"{len(marked)} lines of the description are marked as guesses, the first is line {marked[0]}. If a delay, a "
        "polarity or a name in them is wrong, so are the settings. Correct each, and take its mark away."
    )
    return (Finding("guesses in the description", "warning", detail, value=len(marked), unit="lines"),)


def _not_recorded(check: SoundCheck) -> tuple[Finding, ...]:
    """Captures whose files are still to come."""
    return tuple(
        Finding("not recorded yet", "note", "None of its files is there, so it was passed over.", capture=name)
        for name in check.not_recorded
    )
