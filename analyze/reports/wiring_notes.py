"""What a wrong wiring means for the sheet: what to mend, what to set until then, and after."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analyze.reports.naming import shortened
from analyze.reports.summaries import listed, number

if TYPE_CHECKING:
    from analyze.alignment.rows import Recommendation
    from analyze.pipeline import Analysis

_NAME_LENGTH = 40
_FITS = "The settings below fit the wiring as it is; once it is mended, set what each row says."
# Of a polarity that may not be what the description says, whichever it is.
_AS_FOUND = "Leave its switch as you find it, whatever stands here. "


def wired_inverted(analysis: Analysis) -> list[str]:
    """Outputs whose wiring is inverted."""
    return [row.output for row in analysis.wiring if row.polarity == "inverted"]


def not_as_described(analysis: Analysis) -> list[str]:
    """Outputs that sound normal and are described as set inverted: wired inverted, or that was not in force."""
    return [name for name in wired_inverted(analysis) if name in analysis.sound_check.set_inverted]


def stopgaps(analysis: Analysis) -> dict[str, str]:
    """The polarity to set until its wiring is mended, per output that leaves its group undecided by cancelling it."""
    wired = {row.output: row.polarity for row in analysis.wiring}
    open_ones = {row.output: row.setting_polarity for row in analysis.recommendations if row.decision == "undecided"}
    found: dict[str, str] = {}
    for name, polarity in open_ones.items():
        if wired.get(name) == "inverted" and set(group := analysis.sound_check.group_of(name)) <= set(open_ones):
            cancels = any(wired.get(other) == "normal" and open_ones[other] == polarity for other in group)
            found |= {name: _other(polarity)} if cancels else {}
    return found


def hand_sentence(analysis: Analysis) -> str:
    """Which outputs want mending, so that nobody types on without knowing; empty where none does.

    What is described as set inverted and sounds normal may be described wrongly: that is known before a box is opened.
    """
    described = not_as_described(analysis)
    mend = [shortened(name, _NAME_LENGTH) for name in wired_inverted(analysis) if name not in described]
    look = [shortened(name, _NAME_LENGTH) for name in described]
    first = "Look at the processor first: if it was set inverted, correct the description instead."
    words = [f"Mend {listed(mend)}: wired inverted. {first}"] if mend else []
    if look:
        is_one = len(look) == 1
        words += [
            f"Look at {listed(look)} in the processor: {'it is' if is_one else 'they are'} described as inverted, and "
            f"{'sounds' if is_one else 'sound'} normal. Either way the settings below hold: "
            f"{_switches(analysis, described)}. If that was not in force, correct the description; if it was, mend "
            f"{'it: it is' if is_one else 'them: they are'} wired inverted."
        ]
    return " ".join(words)


def _switches(analysis: Analysis, names: list[str]) -> str:
    """What to do to the polarity switches of outputs of which it is not known how they were set."""
    over = {row.output for row in analysis.recommendations if row.polarity_change == "yes"}
    turned = [name for name in names if name in over]
    left = [name for name in names if name not in turned]
    parts = [("turn", "over from how you find it", turned)] if turned else []
    parts += [("leave", "as you find it", left)] if left else []
    is_one = len(names) == 1
    return ", and ".join(
        f"{verb} {'its switch' if is_one else f'the switch of {listed(which)}'} {how}" for verb, how, which in parts
    )


def sound_alike(analysis: Analysis, one: str, other: str) -> bool:
    """Whether two outputs are described as set of opposite polarity, and sound alike by what the wiring reads."""
    return len({one, other} & set(not_as_described(analysis))) == 1


def until_mended(analysis: Analysis) -> str:
    """What a wrong wiring means for the sheet until it is mended; empty where nothing on it allows for one."""
    wrong, until = wired_inverted(analysis), stopgaps(analysis)
    made_up = {row.output for row in analysis.recommendations if _makes_up(row)}
    allowed = [name for name in wrong if name in until or name in made_up]
    if not allowed:
        is_against = any(_is_set_against_inverted(analysis, row) for row in analysis.recommendations)
        return _FITS if is_against else ""
    names = listed([shortened(name, _NAME_LENGTH) for name in allowed])
    whose = "The settings below make" if allowed == wrong else f"What is set below for {names} makes"
    then = "once it is mended, turn the polarity" if len(allowed) == 1 else "when one is mended, turn its polarity"
    return f"{whose} up for that until then; {then} back."


def hand_words(analysis: Analysis) -> str:
    """Both together."""
    return " ".join(filter(None, (hand_sentence(analysis), until_mended(analysis))))


def repair_note(analysis: Analysis, row: Recommendation) -> str:
    """What to set until a wrong wiring is mended, or after; empty where it is not wrong, or nothing is set for it."""
    if row.output in stopgaps(analysis):
        return f"Wired inverted: set {stopgaps(analysis)[row.output]} until that is mended, then turn it back."
    is_said = row.kind == "monitor" and row.output in not_as_described(analysis)  # in its reason
    if _is_set_against_inverted(analysis, row):
        return _once_the_reference_is_mended(analysis, row)
    if not _makes_up(row) or row.output not in wired_inverted(analysis) or is_said:
        return ""
    wired = (
        "If it was set inverted, it is wired inverted"
        if row.output in not_as_described(analysis)
        else ("Wired inverted")
    )
    as_found = "" if row.output not in not_as_described(analysis) or row.polarity_change == "yes" else _AS_FOUND
    return f"{as_found}{wired}: once that is mended, set {_other(row.recommended_polarity)}, same delay."


def _is_set_against_inverted(analysis: Analysis, row: Recommendation) -> bool:
    """Whether an output, itself wired rightly, is decided against a group of the reference all wired inverted.

    A monitor is not: it is never turned over for what others do, and is judged again.
    """
    group, wrong = analysis.sound_check.group_of(analysis.sound_check.reference), wired_inverted(analysis)
    is_decided = row.kind != "monitor" and row.decision in ("change", "keep") and row.output not in group
    return is_decided and row.output not in wrong and set(group) <= set(wrong) - set(not_as_described(analysis))


def _once_the_reference_is_mended(analysis: Analysis, row: Recommendation) -> str:
    """The setting that keeps the sum once the reference is mended, and the one that needs no switch, if as good."""
    from analyze.alignment.decision import EQUAL_DB  # these bring in numpy
    from analyze.reports.runner_up import runner_up

    group = analysis.sound_check.group_of(analysis.sound_check.reference)
    names = listed([shortened(name, _NAME_LENGTH) for name in group])
    rival = runner_up(analysis, row.output)
    is_as_good = rival is not None and rival.polarity != row.recommended_polarity and row.cost_if_wrong_db <= EQUAL_DB
    other = f", or {row.recommended_polarity} at {number(rival.delay_ms, 2)} ms" if rival and is_as_good else ""
    verb = "is" if len(group) == 1 else "are"
    return f"Once {names} {verb} mended: set {_other(row.recommended_polarity)}, same delay{other}."


def turned_words(analysis: Analysis) -> str:
    """Subs that are wired well and are to be set inverted all the same: that this is no fault; empty where none is."""
    wiring = {one.output: one.polarity for one in analysis.wiring}
    well = {name for name, polarity in wiring.items() if polarity == "normal"}
    turned = [
        shortened(row.output, _NAME_LENGTH)
        for row in analysis.recommendations
        if row.kind == "sub" and row.decision == "change" and row.polarity_change == "yes"
        if row.recommended_polarity == "inverted" and {row.output, analysis.sound_check.reference} <= well
    ]
    if not turned:
        return ""
    is_one = len(turned) == 1
    return (
        f"{listed(turned)} {'is' if is_one else 'are'} wired normal and set inverted. That is no fault: with "
        f"crossovers and delays as they are {'it adds' if is_one else 'they add'} better so (analyze guide polarity)."
    )


def _makes_up(row: Recommendation) -> bool:
    """Whether the setting of an output that is wired inverted was chosen with its wiring known.

    A monitor that is kept as it is may be upside down: it is never turned over for what that would gain. The reference
    stays, and all others are set against it as it is.
    """
    is_left = row.kind == "monitor" and row.recommended_polarity == "normal"
    return row.decision not in ("undecided", "reference") and not is_left


def _other(polarity: str) -> str:
    return {"normal": "inverted", "inverted": "normal"}[polarity]
