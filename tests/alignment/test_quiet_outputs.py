"""Outputs far under their twin or under all others: told wherever it can be heard, never where noise hides it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from alignment_making import N_LINES, Spectrum, closed, context, delay, room, seats, signs_of, vented

from analyze.alignment.context import Context
from analyze.alignment.quiet_outputs import quiet_findings, quiet_outputs, silent_twins
from analyze.alignment.recommend import decide_all
from analyze.description import Output, Position

OUTPUTS = [
    Output("main", "main"),
    Output("sub left", "sub", group="subs"),
    Output("sub right", "sub", group="subs"),
    Output("wedge", "monitor"),
]
POSITIONS = [*seats(3), Position("stage 0", "stage")]


def hall(**down_db: float) -> Spectrum:
    """Responses (output, position, line); some outputs turned down."""
    rng = np.random.default_rng(3)
    h = np.zeros((4, 4, N_LINES), dtype=np.complex128)
    for p in range(4):
        there_ms = 15.0 + 9.0 * p
        h[0, p] = closed(50.0) * delay(there_ms) * room(rng, 0.3)
        for k in (1, 2):
            h[k, p] = (1.8, 1.2)[k - 1] * vented(35.0) * delay(there_ms + k) * room(rng, 0.3)
        h[3, p] = (2.0 if p == 3 else 0.02) * closed(60.0) * delay(there_ms) * room(rng, 0.3)
    for i, one in enumerate(OUTPUTS):
        h[i] *= 10.0 ** (-down_db.get(one.name.replace(" ", "_"), 0.0) / 20.0)
    return h


def found(h: Spectrum, outputs: list[Output] = OUTPUTS, **values: float) -> tuple[Context, list[tuple[str, str, str]]]:
    whole = context(outputs, POSITIONS, h, signs=signs_of({o.name: 1 for o in outputs}), **values)  # type: ignore[arg-type]
    quiet = quiet_outputs(whole.sound_check, whole.responses)
    return whole, [(one.track, one.finding, one.detail) for one in quiet_findings(quiet)]


def test_nothing_is_said_of_outputs_as_they_should_be() -> None:
    assert found(hall())[1] == []
    assert found(hall(sub_right=6.0))[1] == []  # 3.5 dB less to begin with


@pytest.mark.parametrize(
    ("down_db", "name"), [(12.0, "quieter than its twin"), (30.0, "output not heard"), (90.0, "output not heard")]
)
def test_a_sub_far_under_its_twin_is_named(down_db: float, name: str) -> None:
    whole, rows = found(hall(sub_right=down_db))
    assert [row[:2] for row in rows] == [("sub right", name)]
    assert "under sub left at every microphone: muted, dead or turned down." in rows[0][2]
    (quiet,) = quiet_outputs(whole.sound_check, whole.responses)
    assert quiet.by_db == pytest.approx(min(down_db + 3.5, 80.0), abs=3.0)


def test_nothing_is_decided_for_a_group_of_which_one_is_silent() -> None:
    for down_db, is_open in ((12.0, False), (30.0, True)):
        whole, _ = found(hall(sub_right=down_db))
        why = silent_twins(quiet_outputs(whole.sound_check, whole.responses))
        decisions = decide_all(dataclasses.replace(whole, blocked=why))
        subs = decisions["sub left", "sub right"]
        assert (subs.decision == "undecided") is is_open
        assert ("See whether it sounds" in subs.reason) is is_open


def test_bands_that_were_not_measured_of_it_do_not_count() -> None:
    """Where its own response ends, its twin's goes on."""
    h = hall(sub_right=30.0)
    h[2, :, N_LINES // 10 :] = np.nan
    assert [row[:2] for row in found(h)[1]] == [("sub right", "output not heard")]


def test_what_noise_may_hide_is_not_called_quiet() -> None:
    """The same sub, 30 dB down, under an error as large as its twin's response."""
    assert found(hall(sub_right=30.0), std=0.5)[1] == []


def test_one_position_does_not_tell() -> None:
    h = hall(sub_right=15.0)
    h[:, 1:] = np.nan
    assert [row for row in found(h)[1] if row[1] == "quieter than its twin"] == []


@pytest.mark.parametrize("alone", ["main", "wedge"])
def test_an_output_without_a_twin_is_held_against_all_others(alone: str) -> None:
    """A monitor on the stage only: at the seats it may be as quiet as it likes."""
    assert [row[:2] for row in found(hall(**{alone: 45.0}))[1]] == [(alone, "output not heard")]
    assert "under all other outputs at every microphone" in found(hall(**{alone: 45.0}))[1][0][2]
