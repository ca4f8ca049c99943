"""Many sound checks: how many tasks are handed out at a time, and what the page has room for."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from analyze.batch import running, summary
from analyze.batch.analysing import Task
from analyze.batch.outcome import Outcome


def tasks(n: int) -> list[Task]:
    return [Task(Path(str(k)), str(k), Path(str(k)), 3, 1) for k in range(n)]


def test_no_more_are_handed_out_than_may_be_and_rows_keep_their_order(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(running, "_AT_ONCE", 3)
    handed_out, most, lock = 0, 0, threading.Lock()

    class Counting(ThreadPoolExecutor):
        def submit(self, *arguments, **named):
            nonlocal handed_out, most
            with lock:
                handed_out += 1
                most = max(most, handed_out)
            return super().submit(*arguments, **named)

    def told(_: Outcome) -> None:
        nonlocal handed_out
        with lock:
            handed_out -= 1

    with Counting(2) as executor:
        rows = running.gathered(executor, lambda task: Outcome(task.name, "", "decided"), tasks(50), told=told)
    assert [row.sound_check for row in rows] == [str(k) for k in range(50)]
    assert most == 3


def test_what_goes_wrong_stops_the_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(running, "_AT_ONCE", 4)
    begun = []

    def analyse(task: Task) -> Outcome:
        begun.append(task.name)
        if task.name == "5":
            raise ZeroDivisionError
        return Outcome(task.name, "", "decided")

    with ThreadPoolExecutor(1) as executor, pytest.raises(ZeroDivisionError):
        running.gathered(executor, analyse, tasks(100))
    assert len(begun) < 20


def test_the_page_says_what_it_has_no_room_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(summary, "_MOST_ROWS", 2)
    rows = [Outcome(str(k), "", "failed", message="gone") for k in range(5)]
    summary.write_summary(rows, tmp_path)
    page = (tmp_path / "summary" / "report.html").read_text(encoding="utf-8")
    assert "3 more stand in batch.csv." in page
    assert "3 more rows stand in batch.csv." in page
    assert (tmp_path / "summary" / "batch.csv").read_text(encoding="utf-8").count("\n") == 6
