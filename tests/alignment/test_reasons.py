"""Whatever is left undecided says what would settle it: every way to it, one after the other."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest
from alignment_making import FREQUENCY_HZ, N_LINES, Spectrum, closed, context, delay, low_pass, seats, signs_of, vented

from analyze.alignment.context import Context
from analyze.alignment.recommend import decide_all, recommendation_rows
from analyze.alignment.rows import Recommendation
from analyze.description import Capture, Output, Position, Setting, Track

MAIN = Output("main", "main")
SUB = Output("sub", "sub", setting=Setting(12.0))
TOWER = Output("tower", "tower", setting=Setting(30.0), align_at=("audience 0",))
WEDGE = Output("wedge", "monitor", adjust="polarity")
RIG = [MAIN, SUB, TOWER, WEDGE]
POSITIONS = [*seats(2), Position("stage 0", "stage")]


def hall(rig: list[Output] | None = None) -> Spectrum:
    """Responses (output, position, line); the sub is 6 ms late and turned over, the tower 9 ms early."""
    boxes = {
        "main": closed(48.0) * delay(20.0),
        "sub": -2.0 * vented(35.0) * low_pass(100.0) * delay(26.0),
        "tower": 0.4 * closed(70.0) * delay(11.0),
        "wedge": -closed(60.0) * delay(20.0),
    }
    return np.stack([np.stack([boxes[o.name.split()[0]]] * 3) for o in rig or RIG])


def arrivals(std_ms: float = 0.02) -> dict[tuple[str, str], tuple[float, float]]:
    times_ms = {"main": 20.0, "sub": 26.0, "tower": 11.0, "wedge": 20.0}
    return {(name, p.name): (ms, std_ms) for p in POSITIONS for name, ms in times_ms.items()}


def rig(changed: dict[str, Output] | None = None, h: Spectrum | None = None, **values: object) -> Context:
    outputs = [(changed or {}).get(o.name, o) for o in RIG]
    settings: dict[str, object] = {"arrivals": arrivals(), **values}
    return context(outputs, POSITIONS, hall() if h is None else h, **settings)  # type: ignore[arg-type]


def without(*names: str, at: slice = slice(None)) -> Spectrum:
    h = hall()
    h[[i for i, o in enumerate(RIG) if o.name in names], at] = np.nan
    return h


def apart(name: str) -> Spectrum:
    """An output heard at the last seat alone, and the main at all but that."""
    h = without("main", at=slice(2, 3))
    h[[o.name for o in RIG].index(name), :2] = np.nan
    return h


def in_captures(*captures: Capture, missing: str = "sub") -> Context:
    found = rig(h=without(missing))
    return dataclasses.replace(found, sound_check=dataclasses.replace(found.sound_check, captures=captures))


def sounding(feeds: dict[str, Track]) -> Capture:
    return Capture("take", ("sub",), feeds=feeds, mics={"audience 0": Track("m.wav", 1)}, settings={"sub": Setting()})


def on_own_clock(found: Context, *beside: str) -> Context:
    """The tower, and what plays beside it, heard by a microphone on a recorder of its own."""
    names = ("tower", *beside)
    feeds, mics = {name: Track("f.wav", k) for k, name in enumerate(names, 1)}, {"audience 0": Track("m.wav", 1)}
    settings = dict.fromkeys(names, Setting())
    take = Capture("t", names, feeds=feeds, mics=mics, unsynced=(("m.wav",),), settings=settings)
    return dataclasses.replace(found, sound_check=dataclasses.replace(found.sound_check, captures=(take,)))


def wavering(name: str, ms: float, at: int | slice = slice(None)) -> Context:
    """Replicates in which one output is early and late in turn."""
    found = rig(spread=0.0)
    replicates = found.replicates.copy()
    i = [o.name for o in RIG].index(name)
    for r in range(len(replicates)):
        replicates[r, i, at] *= delay(ms * (-1.0) ** r)[: replicates.shape[-1]]
    object.__setattr__(found, "replicates", replicates)
    return found


def opposite() -> Context:
    subs = [Output(n, "sub", group="subs") for n in ("sub a", "sub b")]
    everything = [MAIN, *subs]
    wiring = signs_of({"main": 1, "sub a": -1, "sub b": 1})
    return context(everything, POSITIONS, hall(everything), arrivals=arrivals(), signs=wiring)


def subs_missing(*names: str) -> Context:
    everything = [MAIN, *(Output(n, "sub", group="subs") for n in ("sub a", "sub b"))]
    h = hall(everything)
    h[[o.name in names for o in everything]] = np.nan
    return context(everything, POSITIONS, h, arrivals=arrivals())


def disagreeing(name: str) -> Context:
    found = wavering("sub", 4.0) if name == "sub" else rig(arrivals=arrivals(0.5))
    return dataclasses.replace(found, contradicted=frozenset({name}))


def sub_as_reference() -> Context:
    return rig(reference="sub", arrivals=arrivals(0.5))


def faint(name: str) -> Context:
    """An output under the noise at every position; the sub and the main meet nowhere then."""
    outputs = [MAIN, SUB]
    h = hall(outputs)
    h[[o.name for o in outputs].index(name)] *= 1e-6
    return context(outputs, POSITIONS, h, arrivals=arrivals())


BLOCKED = "tower and wedge play the same in 'take'. Record tower alone."

#: What happens, the output left undecided, its context, what is to be recorded or done.
CASES = {
    "not measured": ("sub", lambda: rig(h=without("sub")), "record it alone, with noise or a sweep, at every seat"),
    "a monitor not measured": ("wedge", lambda: rig(h=without("wedge")), "with noise or a sweep, on stage"),
    "two not measured": (
        "sub a",
        lambda: subs_missing("sub a", "sub b"),
        "sub a, sub b were not measured: record each alone, with noise or a sweep, at every seat.",
    ),
    "the reference too": (
        "sub a",
        lambda: subs_missing("sub a", "main"),
        "sub a, main were not measured: record each alone",
    ),
    "no feed recorded": ("sub", lambda: in_captures(sounding({})), "the signal of the generator or player"),
    "capture not usable": ("sub", lambda: in_captures(sounding({"sub": Track("f.wav", 1)})), "record it alone again"),
    "blocked": ("tower", lambda: rig(blocked={"tower": BLOCKED}), "Record tower alone"),
    "reference not measured": ("sub", lambda: rig(h=without("main")), "main was not measured: record it alone"),
    "reference blocked": ("sub", lambda: rig(blocked={"main": BLOCKED}), "Record tower alone"),
    "opposite in one group": ("sub a", opposite, "mend that, then record each again"),
    "never together": ("sub", lambda: rig(h=without("sub", "tower", "wedge", at=slice(0, 2))), "at the same seats"),
    "sub in doubt": ("sub", lambda: wavering("sub", 4.0), "record sub alone again"),
    "main in doubt": ("sub", lambda: wavering("main", 4.0), "record main alone again"),
    "captures of the sub disagree": ("sub", lambda: disagreeing("sub"), "then record sub again"),
    "sub under the noise": ("sub", lambda: faint("sub"), "sub does not stand out from the noise"),
    "main under the noise": ("sub", lambda: faint("main"), "main does not stand out from the noise"),
    "tower at no seat with the main": (
        "tower",
        lambda: rig(h=apart("tower"), arrivals={k: v for k, v in arrivals().items() if k[0] != "tower"}),
        "tower and main were not both heard at one seat: record each alone with a microphone where tower takes over",
    ),
    "tower's arrival not known": (
        "tower",
        lambda: rig(arrivals={k: v for k, v in arrivals().items() if k[0] != "tower"}),
        "when tower arrived at audience 0, where it is to be lined up, for too little of what was recorded is told "
        "from the noise and from other outputs: see whether tower is loud enough there, then record tower alone",
    ),
    "neither arrival known": (
        "tower",
        lambda: rig(arrivals={}),
        "record tower and main each alone, with noise",
    ),
    "tower on a clock of its own": (
        "tower",
        lambda: on_own_clock(rig(arrivals={k: v for k, v in arrivals().items() if k[0] != "tower"})),
        "was recorded on a recorder with a clock of its own, which does not tell when it arrives against main: record "
        "both in one take",
    ),
    "tower and main in one take on a clock of its own": (
        "tower",
        lambda: on_own_clock(rig(arrivals={k: v for k, v in arrivals().items() if k[0] != "tower"}), "main"),
        "when tower arrived at audience 0, where it is to be lined up, for too little",
    ),
    "arrival in doubt": ("tower", lambda: rig(arrivals=arrivals(0.5)), "record it and main alone again, louder"),
    "polarity in doubt": (
        "tower",
        lambda: rig(signs=signs_of({"main": 1, "sub": 1, "tower": 0, "wedge": 1})),
        "record it and main alone again, louder",
    ),
    "captures of the tower disagree": ("tower", lambda: disagreeing("tower"), "then record tower again"),
    "a sub as reference": ("tower", sub_as_reference, "Name main as reference"),
    "more delay than there is": (
        "tower",
        lambda: rig({"tower": dataclasses.replace(TOWER, max_delay_ms=33.0)}),
        "a device with more delay, or correct `max_delay_ms`; nothing has to be recorded again",
    ),
    "less delay than there is": (
        "tower",
        lambda: rig({"tower": dataclasses.replace(TOWER, later_ms=-70.0)}),
        "are described as they were; if so, delay main and all else; nothing has to be recorded again",
    ),
    "delay not to be set": (
        "tower",
        lambda: rig({"tower": dataclasses.replace(TOWER, adjust="polarity")}),
        "`adjust` in the description); nothing has to be recorded again",
    ),
    "cannot be turned": (
        "tower",
        lambda: rig(
            {"tower": dataclasses.replace(TOWER, can_invert=False)},
            signs=signs_of({"main": 1, "sub": 1, "tower": -1, "wedge": 1}),
        ),
        "turn it at the cable and record it again",
    ),
}


def row_of(found: Context, output: str) -> Recommendation:
    return next(r for r in recommendation_rows(found, decide_all(found)) if r.output == output)


@pytest.mark.parametrize(("name", "by"), [("delay not to be set", ""), ("less delay than there is", "by 31.00 ms")])
def test_the_reference_is_only_ever_to_be_delayed(name: str, by: str) -> None:
    """The tower may be 30 ms earlier and should be 61 ms earlier: the main 31 ms later does the same."""
    output, make, _ = CASES[name]
    alternative = row_of(make(), output).alternative
    assert ("delaying main and its group" in alternative) is bool(by)
    assert by in alternative


@pytest.mark.parametrize("name", CASES)
def test_what_is_undecided_says_what_would_settle_it(name: str) -> None:
    output, make, mend = CASES[name]
    row = row_of(make(), output)
    assert row.decision == "undecided"
    assert mend in row.reason
    assert re.search(r"\b[Rr]ecord(ed)?\b|\bName main\b", row.reason)
    assert row.reason.endswith(".")
    assert ".." not in row.reason


def test_the_rig_itself_leaves_nothing_undecided() -> None:
    """What the cases change is what makes them undecided."""
    found = rig()
    assert [r.decision for r in recommendation_rows(found, decide_all(found))] == ["reference", *["change"] * 3]


def test_a_monitor_under_the_noise_is_left_alone_and_says_why() -> None:
    h = hall()
    h[RIG.index(WEDGE)] *= 1e-6
    row = row_of(rig(h=h), "wedge")
    assert row.decision == "keep"
    assert "Record it alone and louder" in row.reason


def test_an_output_that_plays_elsewhere_is_not_faint() -> None:
    """Well over the noise, yet more than 10 dB under the main in every band: its setting does not matter."""
    outputs = [MAIN, SUB]
    h = hall(outputs)
    h[1] = 0.05 * h[0]
    row = row_of(context(outputs, POSITIONS, h, arrivals=arrivals()), "sub")
    assert row.decision == "keep"
    assert "Meets no other output" in row.reason
    assert h.shape[-1] == N_LINES


@pytest.mark.parametrize(("std", "is_hidden"), [(0.22, True), (1e-3, False)])
def test_a_sub_that_noise_hides_is_not_said_to_meet_nobody(std: float, is_hidden: bool) -> None:
    """The sub ends where the main begins; in the bands of either, noise may hide the other, or plainly does not."""
    h = np.zeros((2, len(POSITIONS), N_LINES), dtype=np.complex128)
    h[0, :, FREQUENCY_HZ > 180.0] = 1.0
    h[1, :, FREQUENCY_HZ < 60.0] = 1.0
    row = row_of(context([MAIN, SUB], POSITIONS, h, arrivals=arrivals(), std=std), "sub")
    assert (row.decision == "undecided") is is_hidden
    assert ("meets other outputs in the low bands is hidden" in row.reason) is is_hidden
    assert ("its polarity and delay do not matter there" in row.reason) is not is_hidden
