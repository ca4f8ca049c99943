"""A plan as the list that is taken to the hall: what to set up, what to record, what to write down, what to mind.

Plain text by item; the page and the terminal print the same. Levels and places of microphones are common practice, no
source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from analyze.description import Output, SoundCheck
from analyze.planning import own_clock_words
from analyze.planning.again import Before, as_before, mended, where_files_go
from analyze.planning.takes import Plan, Take
from analyze.planning.taping import known_m, taped_at, untaped
from analyze.reports.summaries import listed

#: Fewer seats tell little of an audience; fewer places on stage little of a stage.
_FEWEST_SEATS, _FEWEST_ON_STAGE = 3, 2
#: Positions with a blank for their distance.
_MOST_TAPED = 12
#: Where the way from an output ends that the description does not say.
_UNNAMED = {"fill": "its seat", "tower": "its seat", "monitor": "whoever stands before it"}


@dataclass(frozen=True)
class Checklist:
    """What is printed.

    first : what comes before recording anything, empty if nothing does; lead : the whole in a sentence
    lacking : what the description lacks, for other questions than it can answer
    setting_up, afterwards : one item each; channels : output -> channel of its processor, empty if not described
    """

    title: str
    first: str
    lead: str
    lacking: tuple[str, ...]
    channels: dict[str, str]
    setting_up: tuple[str, ...]
    settings: tuple[tuple[str, str], ...]
    rounds: tuple[tuple[str, tuple[Take, ...]], ...]
    afterwards: tuple[str, ...]


def checklist(
    check: SoundCheck,
    plan: Plan,
    doubts: Sequence[str] = (),
    before: Before | None = None,
) -> Checklist:
    """The list of a plan.

    doubts : findings of a report that put its description in doubt
    before : what a report says of the recordings there are
    """
    before = before or Before()
    rounds = tuple((_microphones(number, plan, round_), round_) for number, round_ in enumerate(plan.rounds, 1))
    return Checklist(
        title=check.title or check.folder.resolve().name,
        first=_first(doubts),
        lead=_lead(plan),
        lacking=tuple(_lacking(check)),
        channels={output.name: output.notes.get("channel", "") for output in check.outputs.values()},
        setting_up=tuple(_setting_up(check, plan, before)),
        settings=tuple(
            (output.name, _setting(output, before.asked.get(output.name, ""))) for output in check.outputs.values()
        ),
        rounds=rounds,
        afterwards=tuple(_afterwards(check, plan, before)),
    )


def _first(doubts: Sequence[str]) -> str:
    """That the description is to be put right before anything is recorded for it."""
    if not doubts:
        return ""
    return (
        f"First put the description right and analyze again: it is in doubt ({listed(doubts)}). Then there may be less "
        "to record, or nothing."
    )


def _lead(plan: Plan) -> str:
    """How much there is to do."""
    n, n_rounds = len(plan.takes), len(plan.rounds)
    minutes = f"about {max(1, round(plan.minutes))} minutes once everything stands."
    if plan.own_recorders:
        return f"{own_clock_words.lead(plan)}: {minutes}"
    takes = f"{n} take{'' if n == 1 else 's'} of {plan.takes[0].seconds:.0f} s on {plan.n_tracks} tracks"
    rounds = f", in {n_rounds} rounds between which the microphones move" if n_rounds > 1 else ""
    return f"{takes}{rounds}: {minutes}"


def _lacking(check: SoundCheck) -> Iterator[str]:
    """What the description would have to have for everything to be decided."""
    seats = [p for p in check.positions.values() if p.zone == "audience"]
    on_stage = [p for p in check.positions.values() if p.zone == "stage"]
    kinds = {output.kind for output in check.outputs.values()}
    if not seats and kinds - {"monitor"}:
        yield "No position is in the audience, so only monitors can be judged: add three seats or more."
    elif len(seats) < _FEWEST_SEATS and kinds - {"monitor"}:
        seats_there = "One seat" if len(seats) == 1 else f"{len(seats)} seats"
        yield f"{seats_there} in the audience: what is best there may be worse beside it. Three or more are better."
    if "monitor" in kinds and len(on_stage) < _FEWEST_ON_STAGE:
        one = "one more position" if on_stage else "two positions"
        yield f"Monitors are judged on stage: add {one} there, where the players stand."
    for output in check.outputs.values():
        if output.kind in ("fill", "tower") and not output.align_at:
            yield (
                f"{output.name} has no align_at: the seat where it is as loud as the mains will decide. Better say "
                "where it takes over, and put a microphone there."
            )


def _setting_up(check: SoundCheck, plan: Plan, before: Before) -> Iterator[str]:
    """What is done before the first take."""
    yield from own_clock_words.setting_up(check, plan) if plan.own_recorders else _recorder(check, plan)
    yield (
        "Microphones on stands, where a head would be, pointing up, an arm's length or more from walls and seats. "
        "Until a round is done nobody moves one and nobody touches a gain."
    )
    yield _level(plan)
    yield from as_before(check, plan, before)
    yield from _taping(check, before.nearest)
    yield "Temperature at the start: ____ °C, at the end: ____ °C. The mean goes into the description."
    yield (
        "Nobody changes a setting while takes are made. Compare what the processor shows with the list below, and "
        "write what differs under [outputs] of the description."
    )


def _recorder(check: SoundCheck, plan: Plan) -> Iterator[str]:
    """The recorder, and what is played."""
    taken = list(dict.fromkeys(take.output for take in plan.takes))
    behind = [name for name in taken if plan.is_rest and check.outputs[name].feed_tap == "after"]
    place = "where it enters the processor, for all takes at the same place"
    if behind == taken:
        place = "behind the processor, as before (feed_tap in the description)"
    yield (
        f"Recorder: {plan.n_tracks} tracks, 24 bit, 48 or 44.1 kHz, one file per take. Track 1 takes what is played, "
        f"split off {place}; the others take the microphones."
    )
    if behind and behind != taken:
        yield f"But for {', '.join(behind)} track 1 takes the signal behind the processor, as before (feed_tap)."
    yield (
        "Play pink noise in where the programme comes in, to one output at a time, all others muted in the processor. "
        "Let one second of quiet pass before and after."
    )


def _level(plan: Plan) -> str:
    """How loud to play; what `louder or longer` means where a reason asks for it."""
    enough = "20 dB over the room's own noise where it matters"
    peaks = "the loudest microphone peaks near -12 dB of full scale, and nothing clips."
    if not any(re.search(r"\blouder\b", take.why) for take in plan.takes):
        return f"Level: set it with {plan.takes[0].output}, then leave it. {enough}, and no louder; {peaks}"
    return (
        f"Level: set it with {plan.takes[0].output}, {enough}. Where a take is to be louder, turn up what is played "
        "for it until it stands so far over the noise too, and no gain behind it; more tells nothing. All takes are "
        f"longer already, {plan.takes[0].seconds:.0f} s. As ever {peaks}"
    )


def _taping(check: SoundCheck, nearest: Mapping[str, str]) -> Iterator[str]:
    """Which distances are to be measured, and which are known."""
    asked = _to_be_taped(check, nearest)
    if asked:
        yield (
            f"By tape, {asked}. They go into the description as distance_m, each below its position: microphones that "
            "were exchanged show by them."
        )
    known = [f"from {output} to {_few_ways(_metres(to))}" for output, to in known_m(check).items()]
    if known:
        yield f"Taped already, {_few_ways(known, '; ')}. Measure again what stands elsewhere now, and correct it there."


def _to_be_taped(check: SoundCheck, nearest: Mapping[str, str]) -> str:
    """Blanks for distances that are not known: of positions from the reference, and one of every other output."""
    places = [f"{name} ____ m" for name, p in check.positions.items() if check.reference not in p.distance_m]
    own = [
        f"from {output.name} to {taped_at(check, output, nearest) or _UNNAMED[output.kind]} ____ m"
        for output in untaped(check)
    ]
    each = f"{_few_ways(own, '; ')}{', one of each output' if len(own) > _MOST_TAPED else ''}"
    return "; ".join(filter(None, (f"from {check.reference} to {_few_ways(places)}" if places else "", each)))


def _metres(to: Mapping[str, float]) -> list[str]:
    """Distances that are known."""
    return [f"{position} {metres:g} m" for position, metres in to.items()]


def _few_ways(ways: Sequence[str], between: str = ", ") -> str:
    """The first ways, and that there are more."""
    return between.join([*ways[:_MOST_TAPED], *(["and so on"] if len(ways) > _MOST_TAPED else [])])


def _setting(output: Output, asked: str) -> str:
    """What stands in the description about a setting, with blanks for what does not; what a report asks for instead."""
    where = ", ".join(output.notes[key] for key in ("device", "channel") if key in output.notes)
    delay = "______" if "delay_ms" in output.unwritten else f"{output.setting.delay_ms:.2f}"
    setting = f"{delay} ms, {'____________' if 'polarity' in output.unwritten else output.setting.polarity}"
    setting = f"{setting} ({where})" if where else setting
    return f"{setting}; the report asks for {asked}" if asked else setting


def _microphones(number: int, plan: Plan, takes: tuple[Take, ...]) -> str:
    """Where the microphones of a round stand."""
    round_ = f"Round {number}. " if len(plan.rounds) > 1 else ""
    if takes[0].apart:
        return f"{round_}{own_clock_words.places(takes)}"
    places = ", ".join(f"{track} {name}" for track, name in enumerate(takes[0].positions, 2))
    return f"{round_}Microphones by track: {places}"


def _afterwards(check: SoundCheck, plan: Plan, before: Before) -> Iterator[str]:
    """What is done with the takes."""
    yield where_files_go(plan, before)
    if plan.is_rest:
        yield mended(check, plan)
    yield "Still on site: analyze inspect FOLDER says in seconds which take has to be made again."
    yield "Then: analyze run FOLDER. What the report wants recorded again: analyze plan REPORT lists it."
    yield (
        "Once its settings are typed in, record once more into a folder of its own, with the new settings in its "
        "description: analyze run, then analyze verify-settings with the old report and the new one says whether they "
        "are in force, and did what was predicted."
    )
    if not plan.is_rest:
        yield (
            "No time for this? One take of a minute or more of music through everything, with every output's feed on a "
            "track of its own, decides much of it, with less confidence."
        )
