"""What a description without mistakes says that the user should know of all the same."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from analyze.description_beside import lone_sides, other_side, sides_apart, unused_recordings
from analyze.description_exchanged import exchanged, told_by
from analyze.description_flips import flips_not_described
from analyze.description_lines import is_nearly, shown
from analyze.description_text import GUESS
from analyze.description_words import words_of
from analyze.findings import Finding, Severity

if TYPE_CHECKING:
    from analyze.description import Capture, SoundCheck

#: What a draft says at once, for names of tracks are all that it knows.
TWO_NAMES = "one position under two names"
NOTHING_IN_COMMON = "no position in common"
#: What how they sound may explain.
TWINS_DIFFER = "twins set differently"
_UNWRITTEN = "delay not written"

# Beginnings of names of what stands beside the mains and often works as one of them.
_OUTER = ("out", "side", "cross")
# Kinds that hardly ever stand without a delay.
_OFTEN_DELAYED = frozenset({"sub", "fill", "tower"})
# Of so many outputs the only one without a delay is no rule of whoever wrote the others.
_MANY_OUTPUTS = 4
# Kinds that are judged alike.
_BY_ARRIVAL = frozenset({"fill", "tower"})
# Words for mains that only say how boxes stand or hang, whatever they are for.
_OF_FORM = frozenset(["array", "arrays", "hang", "hangs", "outhang", "outhangs", "cluster", "clusters", "top", "tops"])
# With fewer captures than this it is not told which of them is the odd one.
_FEW_CAPTURES = 3
# So many names show which microphones are meant.
_FEW_NAMES = 3
# Twins that are set closer than this are set alike: less is a rounding of a processor.
_APART_MS = 0.05


def findings_of(check: SoundCheck) -> tuple[Finding, ...]:
    """Groups assumed, slips of the pen, keys and inputs without effect, guesses left, captures that are to come."""
    return (
        *_assumed_groups(check),
        *sides_apart(check),
        *_groups_of_nearly_one_name(check),
        *_names_of_another_kind(check),
        *_unwritten_delays(check),
        *_unlike_twins(check),
        *lone_sides(check),
        *_missing_microphones(check),
        *_positions_of_two_names(check),
        *_nothing_in_common(check),
        *exchanged(check),
        *flips_not_described(check),
        *_idle_keys(check),
        *_lone_inputs(check),
        *_guesses(check),
        *_not_recorded(check),
        *unused_recordings(check),
    )


def in_no_take(check: SoundCheck) -> tuple[str, ...]:
    """Outputs that no take sends anything to, where one sends anything to any."""
    sent = {name for capture in check.captures for name in capture.feeds}
    return tuple(name for name in check.outputs if sent and name not in sent)


def _assumed_groups(check: SoundCheck) -> tuple[Finding, ...]:
    """Mains that nobody put into a group."""
    mains = [output.name for output in check.outputs.values() if output.kind == "main" and not output.group]
    if len(mains) < 2:
        return ()
    names = ", ".join(shown(name) for name in mains)
    detail = f"{names} are treated as one group; write group = ... under each: the same name, or two to split them."
    return (Finding("mains without a group", "warning", detail, track=mains[0], value=len(mains)),)


def _groups_of_nearly_one_name(check: SoundCheck) -> tuple[Finding, ...]:
    """Groups whose names differ by a plural, capitals, blanks or a letter, one of them with a single member."""
    members: dict[str, list[str]] = {}
    for output in check.outputs.values():
        if output.group:
            members.setdefault(output.group, []).append(output.name)
    # Sides become words of their own, and so tell two names apart.
    plain = {group: " ".join(word.plain.removesuffix("s") for word in words_of(group)) for group in members}
    findings: dict[str, Finding] = {}
    for few in reversed([group for group, names in members.items() if len(names) == 1]):
        others = (other for other in members if other != few and other not in findings)
        many = next((other for other in others if is_nearly(plain[few], plain[other])), None)
        if many is not None:
            (name,) = members[few]
            detail = (
                f"{shown(few)} holds {shown(name)} alone and does not move with {shown(many)} "
                f"({', '.join(map(shown, members[many]))}). If they are one group, write group = {shown(many)} under "
                f"{shown(name)}; else call one of them something else."
            )
            findings[few] = Finding("groups of nearly one name", "warning", detail, track=name)
    return tuple(findings.values())


def _names_of_another_kind(check: SoundCheck) -> tuple[Finding, ...]:
    """Outputs whose names say one kind, and another is written."""
    findings = []
    for output in check.outputs.values():
        words = words_of(output.name)
        said = {word.first("kind") for word in words if word.means("kind") and word.plain not in _OF_FORM}
        is_part = output.kind == "monitor" and any(word.means("instrument", "zone:stage") for word in words)
        if len(said) == 1 and not said | {output.kind} <= _BY_ARRIVAL and output.kind not in said and not is_part:
            (kind,) = said
            detail = (
                f"{shown(output.name)} reads like a {kind} and is described, and judged, as a {output.kind}. If it is "
                f'a {kind}, write kind = "{kind}".'
            )
            # an out fill that is judged with the mains, by its sum, may be meant so
            is_outer = output.kind == "main" and any(word.plain.startswith(_OUTER) for word in words)
            severity: Severity = "note" if kind in _BY_ARRIVAL and is_outer else "warning"
            findings.append(Finding("kind and name differ", severity, detail, track=output.name))
    return tuple(findings)


def _unwritten_delays(check: SoundCheck) -> tuple[Finding, ...]:
    """Outputs whose delay is left out, which then counts as none, before what is recommended is added to it.

    Where most have theirs, that of a sub, fill or tower was more likely forgotten than none, and so was the only one,
    but for a main, from which all else is counted, unless others of its group have one.
    """
    names = [name for name, output in check.outputs.items() if "delay_ms" in output.unwritten]
    is_rare = 2 * len(names) < len(check.outputs)
    is_only = len(names) == 1 and len(check.outputs) >= _MANY_OUTPUTS
    kinds = _OFTEN_DELAYED | ({"monitor"} if is_only else set())
    forgotten = [name for name in names if is_rare and check.outputs[name].kind in kinds]
    forgotten += [name for name in names if check.outputs[name].kind == "main" and _has_delayed_peer(check, name)]
    rest = [name for name in names if name not in forgotten]
    groups: list[tuple[Severity, list[str]]] = [("warning", [name]) for name in forgotten]
    groups += [("note", rest)] if rest else []
    return tuple(
        Finding(
            _UNWRITTEN,
            severity,
            f"No delay_ms is written under {', '.join(map(shown, some))}, and 0.00 ms counts as what was in force. "
            "Write what the processor showed during the recordings, 0 too: every delay to be set is counted from it.",
            track=some[0],
            value=len(some) if len(some) > 1 else math.nan,
            unit="outputs" if len(some) > 1 else "",
        )
        for severity, some in groups
    )


def _has_delayed_peer(check: SoundCheck, name: str) -> bool:
    """Whether another output of a group has a delay that is written, and not 0."""
    peers = [check.outputs[one] for one in check.group_of(name) if one != name]
    return any("delay_ms" not in one.unwritten and one.setting.delay_ms >= _APART_MS for one in peers)


def _unlike_twins(check: SoundCheck) -> tuple[Finding, ...]:
    """Outputs that differ in `left` and `right` alone, and are set differently.

    What lines up by arrival follows where it stands; of mains and subs two delays are more likely a slip.
    """
    findings = []
    by_name = {name.lower(): output for name, output in check.outputs.items()}
    for name, output in by_name.items():
        twin = by_name.get(other_side(name))
        if twin is None or name > twin.name.lower() or twin.kind != output.kind:
            continue
        apart_ms, turned = (
            abs(output.setting.delay_ms - twin.setting.delay_ms),
            output.setting.sign != twin.setting.sign,
        )
        is_written = "delay_ms" not in {*output.unwritten, *twin.unwritten}  # else that is said
        how = [f"{apart_ms:.2f} ms apart"] if apart_ms >= _APART_MS and is_written else []
        how += ["of opposite polarity"] if turned else []
        if how:
            names = f"{shown(output.name)} and {shown(twin.name)}"
            detail = (
                f"{names} are set {' and '.join(how)}. If they are to be alike, "
                "one is wrong in the processor or in the description: a group moves as one, its differences stay."
            )
            is_likely = turned or output.kind in ("main", "sub")
            severity: Severity = "warning" if is_likely else "note"
            value, unit = (apart_ms, "ms") if apart_ms >= _APART_MS and is_written else (math.nan, "")
            findings.append(Finding(TWINS_DIFFER, severity, detail, "", output.name, value=value, unit=unit))
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


def _positions_of_two_names(check: SoundCheck) -> tuple[Finding, ...]:
    """Positions that are never in one take with an earlier one, and read like it or stand in for it."""
    recorded = [capture for capture in check.captures if capture.feeds and capture.mics]
    takes = {name: [capture for capture in recorded if name in capture.mics] for name in check.positions}
    names = [name for name in check.positions if takes[name]]
    findings = []
    for place, second in enumerate(names):
        for first in names[:place]:
            if any(second in capture.mics for capture in takes[first]):
                continue
            is_one_zone = check.positions[first].zone == check.positions[second].zone
            is_alike = told_by(first) == told_by(second) != frozenset()
            if is_alike or (is_one_zone and _stand_in(takes[first], takes[second], first, second)):
                findings.append(_two_names(first, second, takes[first][0].name, takes[second][0].name))
                break
    return tuple(findings)


def _two_names(first: str, second: str, take: str, other_take: str) -> Finding:
    """Two positions that may be one, with a take of each."""
    detail = (
        f"{shown(first)} and {shown(second)} are never in one take: are they one position under two names? If so, "
        f"write the same in {shown(take)} and {shown(other_take)}, else nothing relates what they hear."
    )
    return Finding(TWO_NAMES, "warning", detail, other_take, second)


def _stand_in(with_first: Sequence[Capture], with_second: Sequence[Capture], first: str, second: str) -> bool:
    """Whether takes of other outputs have the one position in the place of the other, and all else alike."""
    heard = ({name for c in captures for name in c.feeds} for captures in (with_first, with_second))
    others = {frozenset(c.mics) - {first, second} for c in (*with_first, *with_second)}
    return len(others) == 1 and set.isdisjoint(*heard)


def _nothing_in_common(check: SoundCheck) -> tuple[Finding, ...]:
    """Mains and subs that no position hears both; likewise fills and towers with the reference.

    Outputs that are heard at the same positions are told of at once: there it is two names that one position has.
    """
    alike: dict[frozenset[str], list[str]] = {}  # positions -> outputs that are heard there
    for name in check.outputs:
        heard = frozenset(mic for capture in check.captures if name in capture.feeds for mic in capture.mics)
        if heard:
            alike.setdefault(heard, []).append(name)
    findings = []
    for place, (here, names) in enumerate(alike.items()):
        elsewhere = [(there, others) for there, others in list(alike.items())[:place] if not here & there]
        earlier = {other: there for there, others in elsewhere for other in others}
        late = [name for name in names if any(_are_to_add(check, name, other) for other in earlier)]
        apart = [other for other in earlier if any(_are_to_add(check, name, other) for name in late)]
        if apart:
            ways = {earlier[other]: other for other in reversed(apart)}  # of each way to be heard the first output
            takes = ", ".join(_take_of(check, one) for one in (*reversed(ways.values()), late[0]))
            detail = (
                f"No position hears {', '.join(map(shown, late))} together with {', '.join(map(shown, apart))}, so "
                "nothing can be decided between them. If these are the same microphones, give them the same names: "
                f"{takes}. Else record both at one position."
            )
            findings.append(Finding(NOTHING_IN_COMMON, "warning", detail, track=late[0]))
    return tuple(findings)


def _take_of(check: SoundCheck, output: str) -> str:
    """The first take of an output with the first of its microphones."""
    capture = next(capture for capture in check.captures if output in capture.feeds)
    more = " ..." if len(capture.mics) > _FEW_NAMES else ""
    return f"{shown(capture.name)} ({', '.join(list(capture.mics)[:_FEW_NAMES])}{more})"


def _are_to_add(check: SoundCheck, name: str, other: str) -> bool:
    """Whether two outputs are judged by what they do together: mains and subs, fills and towers with the reference."""
    kinds = {check.outputs[name].kind, check.outputs[other].kind}
    return kinds <= {"main", "sub"} or ("monitor" not in kinds and check.reference in (name, other))


def _idle_keys(check: SoundCheck) -> tuple[Finding, ...]:
    """`align_at` and `later_ms` where alignment does not go by arrival."""
    return tuple(
        Finding(
            "alignment wish without effect",
            # whoever asks where a main is to be lined up does not know it for one
            "warning" if output.kind == "main" and output.align_at else "note",
            f"align_at and later_ms act on fills and towers only; {shown(output.name)} is a {output.kind}.",
            track=output.name,
        )
        for output in check.outputs.values()
        if output.kind not in _BY_ARRIVAL and (output.align_at or output.later_ms != 0.0)
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
    """Captures whose files are still to come, or are called otherwise."""
    findings = []
    for name, near in check.not_recorded.items():
        meant = [f" {shown(file)}: did you mean {shown(other)}?" for file, other in near.items()]
        more = f" Likewise {len(meant) - 1} more." if len(meant) > 1 else ""
        detail = "None of its files is there, so it was passed over." + "".join(meant[:1]) + more
        findings.append(Finding("not recorded yet", "error" if meant else "note", detail, capture=name))
    return tuple(findings)
