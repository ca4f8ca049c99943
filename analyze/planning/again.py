"""What is said where something was recorded before: what has to be as it was, and where the new files go."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from analyze.description import SoundCheck
from analyze.planning.takes import Plan
from analyze.reports.summaries import listed

#: Names that are told one by one.
_MOST_NAMED = 12
_ROUND = "make a round of every output instead (analyze plan with the folder of the sound check lists it)"
_TAKEN_OUT = "take the earlier takes out of the description"


@dataclass(frozen=True)
class Before:
    """What a report says of the recordings there are.

    nearest : output -> the position nearest to it, as far as it was heard
    too_hot : positions whose microphones clipped or nearly did; inverted : whose chains are inverted
    asked : output -> the setting that the report asks for, where it is another
    folders : where the recordings lie, below the folder of the description; empty for that one
    """

    nearest: Mapping[str, str] = field(default_factory=dict)
    too_hot: tuple[str, ...] = ()
    inverted: tuple[str, ...] = ()
    asked: Mapping[str, str] = field(default_factory=dict)
    folders: tuple[str, ...] = ()


def as_before(check: SoundCheck, plan: Plan, before: Before) -> Iterator[str]:
    """What has to be as it was for new takes to compare with the earlier ones, and what if it is not."""
    whole = f"{_TAKEN_OUT}: these takes are a round of every output" if plan.is_every(check) else ""
    if plan.is_rest:
        yield (
            "Where you cannot put every microphone back to about 10 cm (0.3 ms), on its gain and its cable, or on "
            f"another day: {whole or f'{_ROUND} and {_TAKEN_OUT}'}."
        )
        yield (
            "Else these takes are compared with the earlier ones: every microphone stands where it stood then, at the "
            "gain and on the cable it had."
        )
    elif plan.earlier:
        yield (
            "This is a round of every output in place of the earlier takes, which the new description leaves out: a "
            "recorder of its own compares outputs within one capture alone. Places and gains may be others than they "
            "were."
        )
    anew = f"and {whole}" if whole else "and make that round of every output"
    if before.too_hot:
        one = len(before.too_hot) == 1
        down = f"turn {'it' if one else 'them'} down by 10 dB"
        softer = f"Play 10 dB softer and leave {'its gain' if one else 'their gains'}; or {down} {anew}."
        yield f"Too hot last time: {_few(before.too_hot)}. {softer if plan.is_rest else f'T{down[1:]}.'}"
    if before.inverted:
        mend = f"leave it, or mend it{f' {anew}' if plan.is_rest else ''}."
        yield f"Inverted microphone chain: {_few(before.inverted)}. It is allowed for: {mend}"


def where_files_go(plan: Plan, before: Before) -> str:
    """Into which folder files and description are put."""
    if not plan.is_rest:
        return (
            f"Put the files, named as above, into one {'new ' if plan.earlier else ''}folder with the soundcheck.toml "
            "that lies beside this list, and set date, temperature, delays, polarities and the distances by tape in it."
        )
    below = [folder for folder in before.folders if folder]
    old = f", and not into {listed(below)}, where the old recordings lie and stay" if below else ""
    return (
        "Put the new files, named as above, into the folder of the sound check: the one in which its soundcheck.toml "
        f"lies{old}. Then put the soundcheck.toml from beside this list in the place of that one. Write temperature, "
        "delays and polarities of the new day at its top and under [outputs]: the earlier takes have their own beside "
        "them."
    )


def mended(check: SoundCheck, plan: Plan) -> str:
    """That earlier takes of an output that was mended go, and those that it shares with others."""
    return (
        "Where an output was mended, take its earlier takes out of the description and move their files elsewhere: "
        f"they would contradict the new ones.{_shared_takes(check, plan)}"
    )


def _shared_takes(check: SoundCheck, plan: Plan) -> str:
    """That takes of several outputs at once go with the one that was mended, if there are any of those planned."""
    planned = {take.output for take in plan.takes if take.why}
    shared = [repr(one.name) for one in plan.earlier if len(one.outputs) > 1 and planned & {*one.outputs}]
    if not shared:
        return ""
    holds = f" {_few(shared)} {'holds' if len(shared) == 1 else 'hold'} it beside others, of which nothing is left then"
    if plan.is_every(check):
        return f"{holds}: that is no loss, for these takes are a round of every output."
    return f"{holds}: {_ROUND}."


def _few(names: Sequence[str]) -> str:
    """The first names, and that there are more."""
    return ", ".join([*names[:_MOST_NAMED], *(["and so on"] if len(names) > _MOST_NAMED else [])])
