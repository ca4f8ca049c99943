"""All decisions together and their rows: the reference, who is told what, gains, scans of the delay."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from alignment_making import (
    N_LINES,
    N_LOW,
    Spectrum,
    closed,
    context,
    delay,
    low_pass,
    room,
    seats,
    signs_of,
    spelled_out_db,
    turned,
    vented,
)

from analyze.alignment.context import Context
from analyze.alignment.decision import Decision
from analyze.alignment.prediction import prediction_rows
from analyze.alignment.reach import reach
from analyze.alignment.recommend import (
    changes_of,
    decide_all,
    delay_scans,
    gain_of,
    recommendation_rows,
)
from analyze.alignment.rows import Recommendation
from analyze.description import Output, Position, Setting

OUTPUTS = [
    Output("left", "main", group="mains", setting=Setting(5.0)),
    Output("right", "main", group="mains", setting=Setting(5.0)),
    Output("sub", "sub", setting=Setting(12.0, "inverted")),
    Output("tower", "tower", align_at=("audience 1",)),
    Output("wedge", "monitor", adjust="polarity"),
]
NAMES = [o.name for o in OUTPUTS]
POSITIONS = [*seats(3), Position("stage 0", "stage"), Position("stage 1", "stage")]


def hall(seed: int = 1) -> Spectrum:
    """A rig in which sub, tower and wedge are all set wrong: (output, position, line) at present settings."""
    rng = np.random.default_rng(seed)
    h = np.zeros((5, 5, N_LINES), dtype=np.complex128)
    for p in range(5):
        there_ms = 20.0 + 15.0 * p
        h[0, p] = closed(48.0) * delay(there_ms) * room(rng, 0.3)
        h[1, p] = 0.8 * closed(48.0) * delay(there_ms + 0.8) * room(rng, 0.3)
        h[2, p] = -2.5 * vented(35.0) * low_pass(100.0) * delay(there_ms + 6.0) * room(rng, 0.3)
        h[3, p] = 0.4 * closed(70.0) * delay(there_ms - 9.0) * room(rng, 0.3)
        h[4, p] = -(2.0 if p > 2 else 0.05) * closed(60.0) * delay(there_ms) * room(rng, 0.3)
    return h


def arrivals() -> dict[tuple[str, str], tuple[float, float]]:
    late_ms = {"left": 0.0, "right": 0.8, "sub": 6.0, "tower": -9.0, "wedge": 0.0}
    return {
        (name, position.name): (20.0 + 15.0 * p + late, 0.02)
        for p, position in enumerate(POSITIONS)
        for name, late in late_ms.items()
    }


def whole(h: Spectrum | None = None, **values: object) -> Context:
    settings: dict[str, object] = {"arrivals": arrivals(), "reference": "left", **values}
    return context(OUTPUTS, POSITIONS, hall() if h is None else h, **settings)  # type: ignore[arg-type]


def rows_of(found: Context, decisions: dict[tuple[str, ...], Decision] | None = None) -> dict[str, Recommendation]:
    return {r.output: r for r in recommendation_rows(found, decisions or decide_all(found))}


# Everything together


def test_every_group_is_decided_in_the_order_of_the_description() -> None:
    decisions = decide_all(whole())
    assert list(decisions) == [("left", "right"), ("sub",), ("tower",), ("wedge",)]
    assert [d.decision for d in decisions.values()] == ["reference", "change", "change", "change"]
    assert list(rows_of(whole())) == NAMES


def test_rows_say_what_to_type_in() -> None:
    """Recommended is setting plus change, a polarity the setting's times the change's."""
    found = whole()
    decisions = decide_all(found)
    changes = changes_of(decisions)
    for name, row in rows_of(found, decisions).items():
        output = found.sound_check.outputs[name]
        sign, delay_ms = changes.get(name, (1.0, 0.0))
        assert (row.kind, row.group) == (output.kind, output.group)
        assert (row.setting_delay_ms, row.setting_polarity) == (output.setting.delay_ms, output.setting.polarity)
        assert row.delay_change_ms == delay_ms
        assert row.recommended_delay_ms == pytest.approx(row.setting_delay_ms + delay_ms, abs=1e-9)
        assert row.polarity_change == ("yes" if sign < 0 else "no")
        assert (row.recommended_polarity != row.setting_polarity) is (sign < 0)
    assert changes["tower"] == (1.0, pytest.approx(9.0))
    assert changes["wedge"] == (-1.0, 0.0)
    assert "left" not in changes
    assert "right" not in changes


def test_the_reference_never_moves_nor_its_group() -> None:
    h = hall()
    h[0] *= -delay(7.0)
    rows = rows_of(whole(h))
    for name in ("left", "right"):
        assert rows[name].decision == "reference"
        assert (rows[name].delay_change_ms, rows[name].polarity_change) == (0.0, "no")
        assert rows[name].recommended_delay_ms == 5.0


def test_the_reference_alone_of_odd_polarity_names_both_ways() -> None:
    odd = signs_of({"left": -1, "right": -1, "sub": 1, "tower": 1, "wedge": 1})
    reason = rows_of(whole(signs=odd))["left"].reason
    assert "as it is wired today, inverted, and nothing outside its group is." in reason
    assert "Once that is mended, the same sums come of turning all others over" in reason
    assert "or of setting the group inverted. To be sure, record again." in reason
    for others in ({"sub": -1}, {"sub": 0, "tower": 0, "wedge": 0}):
        same = signs_of({"left": -1, "right": -1, "sub": 1, "tower": 1, "wedge": 1} | others)
        assert "wired inverted" not in rows_of(whole(signs=same))["left"].reason
    upright = signs_of(dict.fromkeys(NAMES, 1))
    assert "wired inverted" not in rows_of(whole(signs=upright))["left"].reason


def test_a_twin_that_cancels_the_reference_is_turned_over_and_all_else_is_set_for_both_together() -> None:
    """As if it had been wired rightly: the same sub, and the same sums once all is typed in."""
    h = hall()
    right = rows_of(whole(h.copy(), signs=signs_of(dict.fromkeys(NAMES, 1))))
    h[1] *= -1.0
    found = whole(h, signs=signs_of(dict.fromkeys(NAMES, 1) | {"right": -1}))
    decisions = decide_all(found)
    rows = rows_of(found, decisions)
    assert (rows["left"].decision, rows["left"].gain_db) == ("reference", 0.0)
    assert rows["left"].reason == "The reference: everything else is set against it."
    twin = rows["right"]
    assert (twin.decision, twin.polarity_change, twin.recommended_polarity) == ("change", "yes", "inverted")
    assert (twin.delay_change_ms, twin.recommended_delay_ms) == (0.0, 5.0)
    assert math.isnan(twin.gain_db)
    assert "Wired opposite to left, so they cancel" in twin.reason
    assert 0.9 < twin.confidence <= 1.0
    for name in ("sub", "tower", "wedge"):
        assert rows[name].recommended_delay_ms == right[name].recommended_delay_ms
        assert rows[name].recommended_polarity == right[name].recommended_polarity
    assert changes_of(decisions)["right"] == (-1.0, 0.0)
    assert "left" not in changes_of(decisions)


def test_the_reference_that_cancels_its_twin_is_to_be_mended_first() -> None:
    h = hall()
    h[0] *= -1.0
    odd = signs_of(dict.fromkeys(NAMES, 1) | {"left": -1})
    rows = rows_of(whole(h, signs=odd))
    for name in ("left", "right", "sub", "wedge"):
        assert "left is wired opposite to right, so they cancel: mend that" in rows[name].reason
        assert rows[name].polarity_change == "no"
    assert {name: rows[name].decision for name in NAMES} == {
        **dict.fromkeys(("left", "right"), "reference"),
        **dict.fromkeys(("sub", "wedge"), "undecided"),
        "tower": "change",
    }


@pytest.mark.parametrize(
    ("change", "decision"), [({"can_invert": False}, "undecided"), ({"setting": Setting(5.0, "inverted")}, "change")]
)
def test_a_twin_stays_where_it_cannot_be_turned_or_its_setting_makes_up_for_it(
    change: dict[str, object], decision: str
) -> None:
    """In the one case nothing is set against the two that cancel, in the other all is well."""
    outputs = [dataclasses.replace(o, **change) if o.name == "right" else o for o in OUTPUTS]  # type: ignore[arg-type]
    odd = signs_of(dict.fromkeys(NAMES, 1) | {"right": -1})
    rows = rows_of(context(outputs, POSITIONS, hall(), arrivals=arrivals(), reference="left", signs=odd))
    assert (rows["right"].decision, rows["right"].polarity_change) == ("reference", "no")
    assert rows["sub"].decision == decision
    assert ("they cancel" in rows["left"].reason) is (decision == "undecided")


def test_an_undecided_output_keeps_its_setting() -> None:
    """The candidate stands in the alternative, not in the recommended columns."""
    unsure = {key: (ms, 0.5 if key[0] == "tower" else std) for key, (ms, std) in arrivals().items()}
    found = whole(arrivals=unsure)
    row = rows_of(found)["tower"]
    assert row.decision == "undecided"
    assert (row.recommended_delay_ms, row.delay_change_ms, row.polarity_change) == (0.0, 0.0, "no")
    assert row.confidence < 0.8
    assert "9.00 ms" in row.alternative
    assert "tower" not in changes_of(decide_all(found))


def test_adjust_none_is_keep_whatever_is_missing() -> None:
    """Never undecided: not when it was not measured, nor when the reference was not."""
    outputs = [dataclasses.replace(o, adjust="none") if o.name != "left" else o for o in OUTPUTS]
    for missing in ([], [2, 3, 4], [0, 1]):
        h = hall()
        h[missing] = np.nan
        found = context(outputs, POSITIONS, h, arrivals=arrivals(), reference="left")
        rows = rows_of(found)
        assert [rows[name].decision for name in ("sub", "tower", "wedge")] == ["keep"] * 3, missing
        assert changes_of(decide_all(found)) == {}


def test_without_the_reference_nothing_is_decided() -> None:
    h = hall()
    h[:2] = np.nan
    rows = rows_of(whole(h))
    assert [rows[name].decision for name in ("sub", "tower", "wedge")] == ["undecided"] * 3
    assert all("left" in rows[name].reason for name in ("sub", "tower", "wedge"))
    assert changes_of(decide_all(whole(h))) == {}


@pytest.mark.parametrize("blocked", ["sub", "tower", "wedge"])
def test_what_cannot_be_trusted_is_undecided(blocked: str) -> None:
    why = "Its capture cannot be trusted: mend it."
    rows = rows_of(whole(blocked={blocked: why}))
    assert (rows[blocked].decision, rows[blocked].reason) == ("undecided", why)
    assert rows[blocked].delay_change_ms == 0.0
    others = {"sub", "tower", "wedge"} - {blocked}
    assert all(rows[name].decision == "change" for name in others)


def test_the_order_of_outputs_changes_nothing() -> None:
    order = [0, 1, 4, 3, 2]
    here = rows_of(whole())
    turned_about = context(
        [OUTPUTS[i] for i in order], POSITIONS, hall()[order], arrivals=arrivals(), reference="left", spread=0.0
    )
    straight = rows_of(whole(spread=0.0))
    for name, row in rows_of(turned_about).items():
        assert row.recommended_delay_ms == pytest.approx(straight[name].recommended_delay_ms, abs=0.021)
        assert row.recommended_polarity == straight[name].recommended_polarity
        assert row.gain_db == pytest.approx(straight[name].gain_db, abs=0.02, nan_ok=True)
    assert here.keys() == straight.keys()


# Gains


def test_gains_are_against_this_output_left_alone() -> None:
    found = whole()
    h = hall()[..., :N_LOW]
    decisions = decide_all(found)
    changes = changes_of(decisions)
    rows = rows_of(found, decisions)
    cells = found.audience
    for group in (("sub",), ("tower",)):
        own = cells.own([NAMES.index(group[0])])
        alone = {n: c for n, c in changes.items() if n not in group}
        here, there = turned(h, NAMES, changes), turned(h, NAMES, alone)
        expected = spelled_out_db(here, cells, own) - spelled_out_db(there, cells, own)
        assert rows[group[0]].gain_db == pytest.approx(expected, abs=1e-3)
        per_seat = {}
        for p in range(3):
            mask = own & (cells.position == p)
            if mask.any():
                per_seat[POSITIONS[p].name] = spelled_out_db(here, cells, mask) - spelled_out_db(there, cells, mask)
        worst = min(per_seat, key=per_seat.__getitem__)
        if not set(group) & set(changes):
            assert (rows[group[0]].worst_position, math.isnan(rows[group[0]].worst_gain_db)) == ("", True)
            continue
        assert rows[group[0]].worst_position == worst
        assert rows[group[0]].worst_gain_db == pytest.approx(per_seat[worst], abs=1e-3)
    assert rows["sub"].gain_db > 1.0


def test_the_reason_of_a_change_that_may_be_left_out_begins_so() -> None:
    found = whole()
    decisions = decide_all(found)
    needed = decisions["sub",]
    assert rows_of(found, decisions)["sub"].reason == needed.reason
    assert needed.reason.startswith("Set it ")
    row = rows_of(found, decisions | {("sub",): dataclasses.replace(needed, candidate=(1.0, 0.01))})["sub"]
    assert 0.0 < abs(row.gain_db) < 0.5
    assert row.reason == f"Optional: s{needed.reason[1:]}"


def test_what_stays_gains_nothing_and_what_meets_nothing_is_not_known() -> None:
    found = whole()
    assert gain_of(found, ("sub",), {}) == (0.0, "", pytest.approx(math.nan, nan_ok=True))
    h = hall()
    h[2] *= 1e-3
    gain, worst, worst_gain = gain_of(whole(h), ("sub",), {"sub": (-1.0, 3.0)})
    assert math.isnan(gain)
    assert worst == ""
    assert math.isnan(worst_gain)


def test_overlaps_are_with_what_is_outside_the_group() -> None:
    rows = rows_of(whole())
    assert rows["sub"].overlap_low_hz < 60.0
    assert 90.0 < rows["sub"].overlap_high_hz < 230.0
    assert math.isnan(rows["wedge"].overlap_low_hz)


def test_the_prediction_agrees_with_the_score_in_the_cells() -> None:
    """Third octaves marked as cells: their mean, weighted by position, is the score at present and as recommended."""
    found = whole()
    changes = changes_of(decide_all(found))
    rows = prediction_rows(found.responses, found.sound_check, changes, found.audience, 3)
    cells = [r for r in rows if r.cell == "yes"]
    assert len(cells) == len(found.audience)
    h = hall()[..., :N_LOW]
    for column, state in (("present_db", {}), ("recommended_db", changes)):
        mean = float(np.mean([getattr(r, column) for r in cells]))
        assert mean == pytest.approx(spelled_out_db(turned(h, NAMES, state), found.audience), abs=1e-3)


# Scans


def test_scans_show_both_polarities_as_settings() -> None:
    """The sub is set inverted at 12 ms: its rows are by what is typed in, not by what is changed."""
    found = whole()
    decisions = decide_all(found)
    changes = changes_of(decisions)
    (scan,) = delay_scans(found, decisions)
    assert scan.outputs == ("sub",)
    assert scan.delay_ms.min() >= 0.0
    assert scan.normal_db.shape == scan.inverted_db.shape == scan.delay_ms.shape
    h = hall()[..., :N_LOW]
    for k in (0, len(scan.delay_ms) // 3, len(scan.delay_ms) - 1):
        for values, sign in ((scan.normal_db, -1.0), (scan.inverted_db, 1.0)):
            state = {**changes, "sub": (sign, float(scan.delay_ms[k]) - 12.0)}
            assert values[k] == pytest.approx(spelled_out_db(turned(h, NAMES, state), found.audience), abs=1e-3)
    allowed = reach(found, ("sub",))
    assert scan.searched_ms == (allowed.low_ms + 12.0, allowed.high_ms + 12.0)
    best = changes["sub"][1] + 12.0
    assert scan.delay_ms.min() <= best <= scan.delay_ms.max()


@pytest.mark.parametrize("spread", [0.02, 0.2])
def test_the_width_of_a_scan_is_the_scatter_of_resamples(spread: float) -> None:
    """Against the candidate, spelled out resample by resample; nothing at the candidate itself."""
    found = context(OUTPUTS, POSITIONS, hall(), arrivals=arrivals(), reference="left", spread=spread)
    decisions = decide_all(found)
    changes = changes_of(decisions)
    (scan,) = delay_scans(found, decisions)
    (at,) = (d.candidate for group, d in decisions.items() if group == ("sub",))
    own = {+1.0: scan.inverted_std_db, -1.0: scan.normal_std_db}  # set inverted: kept is inverted
    nearest = int(np.argmin(np.abs(scan.delay_ms - 12.0 - at[1])))
    assert own[at[0]][nearest] < 0.02 * own[at[0]].max() + 1e-4
    k = len(scan.delay_ms) // 4
    for sign, std_db in own.items():
        here = {**changes, "sub": (sign, float(scan.delay_ms[k]) - 12.0)}
        there = {**changes, "sub": at}
        apart = [
            spelled_out_db(turned(h, NAMES, here), found.audience)
            - spelled_out_db(turned(h, NAMES, there), found.audience)
            for h in found.replicates.astype(np.complex128)
        ]
        assert std_db[k] == pytest.approx(np.std(apart), rel=0.02)
        assert std_db[k] > 0.0


def test_there_is_no_scan_of_what_cannot_move() -> None:
    outputs = [dataclasses.replace(o, adjust="polarity") if o.name == "sub" else o for o in OUTPUTS]
    found = context(outputs, POSITIONS, hall(), arrivals=arrivals(), reference="left")
    assert delay_scans(found, decide_all(found)) == []
    stage = context(OUTPUTS, [Position(p.name, "stage") for p in POSITIONS], hall(), reference="left")
    assert delay_scans(stage, decide_all(stage)) == []


def test_words_on_a_member_that_is_set_otherwise_are_of_its_own_settings() -> None:
    """Subs turned against one another: the runner-up of one is not that of the other."""
    found = whole()
    decisions = decide_all(found)
    outputs = found.sound_check.outputs | {"right": Output("right", "main", setting=Setting(4.0, "inverted"))}
    context_of_two = dataclasses.replace(found, sound_check=dataclasses.replace(found.sound_check, outputs=outputs))
    group = ("left", "right")
    decisions[group] = dataclasses.replace(
        decisions[group], alternative="inverted, 7.50 ms costs 0.4 dB", reason="normal, 5.00 ms would add 0.2 dB."
    )
    rows = {row.output: row for row in recommendation_rows(context_of_two, decisions)}
    assert (rows["left"].alternative, rows["left"].reason) == (decisions[group].alternative, decisions[group].reason)
    assert rows["right"].alternative == "normal, 6.50 ms costs 0.4 dB"
    assert rows["right"].reason == "inverted, 4.00 ms would add 0.2 dB."
