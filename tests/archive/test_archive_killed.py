"""A killed command leaves a whole record or none, and the next start clears its parts. Fifty by hand: `killing.py`."""

from __future__ import annotations

import random
from pathlib import Path

from archive_making import content
from killing import command, finish, killed_at_random, make_material

from analyze.archive.verification import verify_record


def test_killed_at_random_moments(tmp_path):
    left = killed_at_random(tmp_path, 5, random.Random(20260514))
    assert sum(left.values()) == 5
    assert verify_record(tmp_path / "records" / "harbour").is_valid


def test_a_part_is_no_record_and_is_cleared(tmp_path):
    """Killed while the recordings are copied, which is told by the part growing."""
    make_material(tmp_path)
    record = tmp_path / "records" / "harbour"
    process = command(tmp_path, "--force")
    while not (parts := list(record.parent.glob(".harbour.partial-*/data/audio/take.wav"))):
        assert process.poll() is None
    process.kill()
    process.communicate()
    assert parts[0].exists()
    assert verify_record(record).is_valid
    finish(tmp_path, "--force")


def test_an_interrupt_leaves_nothing(tmp_path):
    make_material(tmp_path)
    record = tmp_path / "records" / "harbour"
    before = content(record)
    process = command(tmp_path, "--force")
    while not list(record.parent.glob(".harbour.partial-*")):
        assert process.poll() is None
    process.send_signal(2)
    _, said = process.communicate(timeout=100)
    assert (process.returncode, "Traceback" in said) == (130, False)
    assert [Path(path).name for path in record.parent.iterdir()] == ["harbour"]
    assert content(record) == before
