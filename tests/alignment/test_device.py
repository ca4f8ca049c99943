"""What a processor can be told: ranges, steps, groups."""

from __future__ import annotations

import numpy as np
import pytest

from analyze.alignment.device import allowed, group_changes, rounded, setting_after
from analyze.description import Output, Setting


def output(name: str = "sub", delay_ms: float = 0.0, polarity: str = "normal", **device: object) -> Output:
    return Output(name, "sub", setting=Setting(delay_ms, polarity), **device)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("adjust", "signs", "span"),
    [
        ("both", (1.0, -1.0), (-3.0, 497.0)),
        ("polarity", (1.0, -1.0), (0.0, 0.0)),
        ("delay", (1.0,), (-3.0, 497.0)),
        ("none", (1.0,), (0.0, 0.0)),
    ],
)
def test_what_may_be_adjusted(adjust: str, signs: tuple[float, ...], span: tuple[float, float]) -> None:
    mover = allowed([output(delay_ms=3.0, adjust=adjust)])
    assert mover.signs == signs
    assert (mover.low_ms, mover.high_ms) == span


def test_a_device_that_cannot_invert() -> None:
    assert allowed([output(can_invert=False)]).signs == (1.0,)
    assert allowed([output(), output("other", can_invert=False)]).signs == (1.0,)


def test_a_group_may_do_what_all_its_members_may() -> None:
    members = [
        output("a", 2.0, min_delay_ms=0.5, max_delay_ms=20.0),
        output("b", 5.0, min_delay_ms=0.0, max_delay_ms=10.0),
    ]
    mover = allowed(members)
    assert (mover.low_ms, mover.high_ms) == (-1.5, 5.0)
    assert allowed([*members, output("c", adjust="polarity")]).high_ms == 0.0
    assert allowed([*members, output("c", adjust="delay")]).signs == (1.0,)


def test_the_present_setting_is_always_allowed() -> None:
    """A setting outside its device's range may stay, and may go towards the range."""
    below, above = output(delay_ms=1.0, min_delay_ms=4.0), output(delay_ms=30.0, max_delay_ms=20.0)
    assert allowed([below]).low_ms == 0.0
    assert allowed([above]).high_ms == 0.0
    assert allowed([above]).low_ms == -30.0


@pytest.mark.parametrize(
    ("setting_ms", "step_ms", "wanted_ms", "recommended_ms"),
    [
        (0.0, 0.01, 3.14159, 3.14),
        (0.0, 0.02, 3.151, 3.16),
        (0.0, 0.5, 3.2, 3.0),
        (7.25, 0.1, -0.98, 6.3),
        (1.3, 0.0208333, 2.0, 3.291661),
        (0.0, 1.0 / 48.0, 5.01, 5.0),
    ],
)
def test_settings_land_on_the_step(setting_ms: float, step_ms: float, wanted_ms: float, recommended_ms: float) -> None:
    device = output(delay_ms=setting_ms, delay_step_ms=step_ms)
    sign, change_ms = rounded([device], (-1.0, wanted_ms))
    assert sign == -1.0
    assert setting_after(device, (sign, change_ms))[1] == pytest.approx(recommended_ms, abs=2e-6)


@pytest.mark.parametrize("setting_ms", [0.0, 0.013, 7.777])
def test_what_stays_is_not_moved_onto_the_step(setting_ms: float) -> None:
    device = output(delay_ms=setting_ms, delay_step_ms=0.1)
    assert rounded([device], (-1.0, 0.0)) == (-1.0, 0.0)


def test_settings_stay_in_range_and_on_the_step_at_its_ends() -> None:
    """Range 0.25 to 9.9 at steps of 0.5: the nearest step inside it, never more than half a step and a rest off."""
    device = output(delay_ms=5.0, delay_step_ms=0.5, min_delay_ms=0.25, max_delay_ms=9.9)
    mover = allowed([device])
    for wanted_ms in np.linspace(mover.low_ms, mover.high_ms, 97):
        _, change_ms = rounded([device], (1.0, float(wanted_ms)))
        after_ms = setting_after(device, (1.0, change_ms))[1]
        assert 0.5 <= after_ms <= 9.5
        assert after_ms * 2.0 == pytest.approx(round(after_ms * 2.0), abs=1e-6)
        assert abs(after_ms - min(max(5.0 + wanted_ms, 0.5), 9.5)) <= 0.25 + 1e-9


def test_a_group_moves_as_one_at_the_coarsest_step() -> None:
    """The first member lands on its step; differences inside the group stay."""
    members = [output("a", 2.0, delay_step_ms=0.01), output("b", 3.33, "inverted", delay_step_ms=0.25)]
    change = rounded(members, (1.0, 1.1))
    assert change == (1.0, 1.0)
    after = [setting_after(o, change) for o in members]
    assert after == [("normal", 3.0), ("inverted", 4.33)]


def test_the_narrowest_member_limits_the_group() -> None:
    members = [output("a", 2.0), output("b", 8.0, max_delay_ms=10.0)]
    assert rounded(members, (1.0, 7.0)) == (1.0, 2.0)
    assert rounded(members, (-1.0, -9.0)) == (-1.0, -2.0)


def test_polarities_of_settings() -> None:
    upright, inverted = output(), output(polarity="inverted", delay_ms=1.5)
    assert setting_after(upright, (-1.0, 2.0)) == ("inverted", 2.0)
    assert setting_after(inverted, (-1.0, 2.0)) == ("normal", 3.5)
    assert setting_after(inverted, (1.0, -0.1)) == ("inverted", 1.4)


def test_changes_of_groups_are_those_of_their_members() -> None:
    changes = group_changes({("a", "b"): (-1.0, 2.0), ("c",): (1.0, 0.0), ("d",): (1.0, -1.0)})
    assert changes == {"a": (-1.0, 2.0), "b": (-1.0, 2.0), "d": (1.0, -1.0)}
