"""How a round is recorded where some microphones are on recorders of their own: every sentence that differs.

The feeds are on one clock throughout and each on a track of its own: what a recorder of its own hears is set in time
against all of them at once, and so its times compare outputs.
"""

from __future__ import annotations

from collections.abc import Iterator

from analyze.description import SoundCheck
from analyze.planning.takes import Plan, Take
from analyze.reports.summaries import listed


def lead(plan: Plan) -> str:
    """How much is recorded, up to how long it takes."""
    n_rounds, most = len(plan.rounds), max(len(takes) for takes in plan.captures)
    outputs = "1 output" if most == 1 else f"{most} outputs in turn"
    n_own = max(len(_files(takes[0])) for takes in plan.captures)
    own = "a recorder of its own" if n_own == 1 else f"{n_own} recorders of their own"
    rounds = f", in {n_rounds} rounds between which the microphones move" if n_rounds > 1 else ""
    n = plan.n_tracks
    return f"{outputs}, {plan.takes[0].seconds:.0f} s each, on {n} track{'s' if n > 1 else ''} and {own}{rounds}"


def setting_up(check: SoundCheck, plan: Plan) -> Iterator[str]:
    """Recorders, and what is played."""
    outputs = list(dict.fromkeys(take.output for take in plan.takes))
    behind = [name for name in outputs if check.outputs[name].feed_tap == "after"]
    ahead = [name for name in outputs if name not in behind]
    taps = [f"of {listed(ahead)} where it enters the processor"] if ahead else []
    taps += [f"of {listed(behind)} behind the processor"] if behind else []
    yield (
        f"Recorder of the feeds: {plan.n_tracks} track{'s' if plan.n_tracks > 1 else ''}, 24 bit, 48 or 44.1 kHz, one "
        f"file for the whole round. Each output's feed has a track of its own: {'; '.join(taps)} (feed_tap in the "
        "description). Outputs that share an input of the processor are split off behind it; write feed_tap = "
        '"after" there.'
    )
    places = [_together(names) for names in dict.fromkeys(plan.own_recorders.values())]
    yield (
        f"Recorders of their own: {'; '.join(places)}. Start them and the recorder of the feeds before the first take "
        "of a round and stop them after its last, without a stop in between: one file per recorder and round. The same "
        "quality; automatic gain, low-cut and limiter off. Their clocks are found from the sound."
    )
    yield (
        "Send pink noise that does not repeat itself to one output at a time; the tracks of all other feeds stay "
        "silent. A mute behind the place where a feed is split off will not do. Let one second of quiet pass before "
        "and after."
    )


def places(takes: tuple[Take, ...]) -> str:
    """What is on the tracks of a round, and on its recorders of their own."""
    tracks = [*(take.output for take in takes), *takes[0].wired]
    feeds = ", ".join(f"{track} {name}" for track, name in enumerate(tracks, 1))
    own = "; ".join(f"{file}: {_by_track(takes[0], file)}" for file in _files(takes[0]))
    return f"Tracks of {takes[0].file}: {feeds}. Recorders of their own, {own}"


def _by_track(take: Take, file: str) -> str:
    """The positions on a file, with their tracks where it has several."""
    there = [name for name, track in take.apart.items() if track.rpartition(":")[0] == file]
    return there[0] if len(there) == 1 else ", ".join(f"{track} {name}" for track, name in enumerate(there, 1))


def _together(names: tuple[str, ...]) -> str:
    return names[0] if len(names) == 1 else f"one with {listed(list(names))}"


def _files(take: Take) -> list[str]:
    """The files of a take that recorders of their own make."""
    return list(dict.fromkeys(track.rpartition(":")[0] for track in take.apart.values()))
