"""Plots drawn in other processes: the same bytes, whatever becomes of the processes, and none is left behind."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace

import pytest

from analyze.reports.drawing import draw_here, drawing_processes
from analyze.reports.plots import plots

#: Says which process it is, starts two more, and waits.
WAITING = """
import time
from analyze.reports.drawing import drawing_processes
if __name__ == "__main__":
    with drawing_processes(2) as draw:
        draw.begin()
        print("started", flush=True)
        time.sleep(60)
"""


@pytest.fixture(scope="module")
def some(analysis):
    return plots(analysis)[:5]


def running_in_group(group: int) -> list[str]:
    listed = subprocess.run(["ps", "-eo", "pgid=,stat=,args="], capture_output=True, text=True, check=True).stdout
    rows = (line.split(None, 2) for line in listed.splitlines())
    return [args for pgid, stat, args in rows if int(pgid) == group and not stat.startswith("Z")]


def test_they_draw_what_is_drawn_here_in_the_same_order(some):
    with drawing_processes(3) as draw:
        assert list(draw(some)) == list(draw_here(some))
        assert list(draw(some[:1])) == list(draw_here(some[:1]))
    assert multiprocessing.active_children() == []


def test_one_is_none():
    with drawing_processes(1) as draw:
        draw.begin()
        assert multiprocessing.active_children() == []


def test_none_is_there_before_it_is_wanted(some):
    with drawing_processes(2) as draw:
        assert multiprocessing.active_children() == []
        draw.begin()
        children = multiprocessing.active_children()
        assert children
        draw.begin()
        assert multiprocessing.active_children() == children
        assert list(draw(some[:1])) == list(draw_here(some[:1]))


@pytest.mark.parametrize("when", ["before", "meanwhile"])
def test_the_share_of_a_process_that_was_killed_is_drawn_here(some, when):
    with drawing_processes(2) as draw:
        draw.begin()
        children = multiprocessing.active_children()
        drawn = draw(some) if when == "meanwhile" else None
        for child in children:
            child.kill()
            child.join()
        assert list(drawn or draw(some)) == list(draw_here(some))


@pytest.mark.parametrize("n", [1, 2])
def test_a_plot_that_cannot_be_drawn_says_so_in_its_place(make, n):
    broken, other = replace(plots(make())[0], draw=_fail), plots(make())[1]
    with drawing_processes(n) as draw:
        (svg, png), whole = list(draw([broken, other]))
    assert b"This plot could not be drawn" in svg
    assert b"ZeroDivisionError" in svg
    assert broken.title.encode() in svg
    assert png.startswith(b"\x89PNG")
    assert whole == other.render()


def _fail(_: object) -> None:
    raise ZeroDivisionError


def test_what_goes_wrong_within_leaves_no_process():
    def begun_and_failing() -> None:
        with drawing_processes(2) as draw:
            draw.begin()
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        begun_and_failing()
    assert multiprocessing.active_children() == []


@pytest.mark.skipif(os.name != "posix", reason="signals and process groups")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGKILL])
def test_an_end_from_outside_leaves_no_process_and_no_traceback_of_theirs(tmp_path, number):
    script = tmp_path / "waiting.py"
    script.write_text(WAITING)
    process = subprocess.Popen(
        [sys.executable, str(script)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "started\n"
    group = process.pid
    if number == signal.SIGINT:
        os.killpg(group, number)  # as a terminal does: to every process
    else:
        process.send_signal(number)
    _, said = process.communicate(timeout=30)
    deadline = time.monotonic() + 30.0
    while running_in_group(group) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert running_in_group(group) == []
    assert said.count("Traceback") == (number == signal.SIGINT), said  # the script's own
