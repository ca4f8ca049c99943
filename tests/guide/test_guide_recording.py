"""What the guide's page `recording` says agrees with the list that `analyze plan` prints, and with the air."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from analyze.acoustics import speed_of_sound_simple
from analyze.guide import text_on
from analyze.planning import checklist
from analyze.planning.takes import SECONDS

PAGE = " ".join(text_on("recording").split())


def test_as_long_and_as_loud_as_the_plan_asks() -> None:
    # what the list says, as Python joins its lines
    listed = re.sub(r'"\s*\n\s*f?"', "", Path(checklist.__file__).read_text(encoding="utf-8"))
    assert f"{SECONDS:.0f} seconds an output is what `analyze plan` asks for" in PAGE
    for figure in (
        "20 dB over the room's own noise where it matters",
        "-12 dB of full scale",
        "24 bit, 48 or 44.1 kHz",
    ):
        assert figure in PAGE
        assert figure in listed


def test_what_warm_air_does() -> None:
    # ISO 9613-1 through `acoustics`: 30 m at 15 and at 25 degrees
    earlier_ms = 30_000.0 / speed_of_sound_simple(15.0) - 30_000.0 / speed_of_sound_simple(25.0)
    assert f"10 degrees change a flight of 30 m by {earlier_ms:.1f} ms" in PAGE
    assert earlier_ms == pytest.approx(1.49, abs=0.01)
