"""A killed command leaves a whole record or none, and the next start clears its parts. Fifty by hand: `killing.py`."""

from __future__ import annotations

import random
import time
from pathlib import Path

import pytest
from archive_making import content
from killing import command, finish, killed_at_random, make_material

from analyze.archive.verification import verify_record


@pytest.fixture(scope="module")
def material(tmp_path_factory) -> tuple[Path, float]:
    """A folder with a report, recordings and record, which every test leaves whole; how long archiving takes."""
    place = tmp_path_factory.mktemp("material")
    return place, make_material(place)


def test_killed_at_random_moments(material):
    place, whole_s = material
    left = killed_at_random(place, whole_s, 5, random.Random(20260514))
    assert sum(left.values()) == 5
    assert verify_record(place / "records" / "harbour").is_valid


def test_a_part_is_no_record_and_is_cleared(material):
    """Killed while the recordings are copied, which is told by the part growing."""
    place, _ = material
    record = place / "records" / "harbour"
    process = command(place, "--force")
    while not (parts := list(record.parent.glob(".harbour.partial-*/data/audio/take.wav"))):
        assert process.poll() is None
    process.kill()
    process.communicate()
    assert parts[0].exists()
    assert verify_record(record).is_valid
    finish(place, "--force")


def test_an_interrupt_leaves_nothing_and_one_more_does_not_stop_that(material):
    place, _ = material
    record = place / "records" / "harbour"
    before = content(record)
    process = command(place, "--force")
    while not list(record.parent.glob(".harbour.partial-*")):
        assert process.poll() is None
    for _ in range(20):  # impatience
        process.send_signal(2)
        time.sleep(0.001)
    _, said = process.communicate(timeout=100)
    assert (process.returncode, "Traceback" in said) == (130, False)
    assert [Path(path).name for path in record.parent.iterdir()] == ["harbour"]
    assert content(record) == before
