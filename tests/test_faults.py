"""Every kind of fault the demo can hide is found and named, and nothing that is not there; one sound check of each.

At half the usual rate, so that they are quick; twenty seeds at the full one are judged by
`python tests/faults.py --seeds 20`.
"""

from __future__ import annotations

import pytest

from analyze.simulate import FAULTS, make_demo
from tests.faults import judge


@pytest.mark.parametrize("fault", FAULTS)
def test_every_kind_of_fault_is_named_and_no_other(fault, tmp_path):
    make_demo(tmp_path / "demo", 40 + FAULTS.index(fault), duration_s=8.0, sample_rate_hz=24_000, fault=fault)
    verdict = judge(tmp_path / "demo")
    assert verdict.truth["fault"] == fault
    assert (verdict.missed, verdict.false, verdict.wrong) == (set(), set(), [])
