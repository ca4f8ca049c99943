"""Work on several cores, and the memory that it takes."""

from __future__ import annotations

import platform
import subprocess
import sys
import threading

import pytest
from scipy import fft

from analyze.spectra.threads import for_each

#: How many heaps the GNU C library has once four threads have held a block each at the same time.
HEAPS = """
import ctypes, sys, tempfile, threading
from analyze.spectra.threads import one_heap
if sys.argv[1] == "one":
    one_heap()
met = threading.Barrier(4)
def work():
    held = [bytes(100_000) for _ in range(50)]
    met.wait()
threads = [threading.Thread(target=work) for _ in range(4)]
[t.start() for t in threads]
[t.join() for t in threads]
libc = ctypes.CDLL(None)
libc.fopen.restype = ctypes.c_void_p
with tempfile.NamedTemporaryFile() as told:
    file = libc.fopen(told.name.encode(), b"w")
    libc.malloc_info(0, ctypes.c_void_p(file))
    libc.fclose(ctypes.c_void_p(file))
    print(open(told.name).read().count("<heap nr="))
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another C library")
def test_threads_share_a_heap() -> None:
    def heaps(which: str) -> int:
        return int(subprocess.run([sys.executable, "-c", HEAPS, which], capture_output=True, check=True).stdout)

    assert heaps("one") == 1
    assert heaps("each") > 1


#: Pages that have to be taken from the system again for 45 MB held and let go ten times over.
PAGES = """
import resource, sys
from analyze.spectra.threads import one_heap
if sys.argv[1] == "one":
    one_heap()
def work():
    held = [b"x" * ((15 << 20) + k) for k in range(3)]
work()
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(10):
    work()
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another C library")
def test_memory_that_is_let_go_is_kept_for_the_next_batch() -> None:
    """Measured: none, against 80315 pages of 4 kB where it is given back each time."""

    def pages(which: str) -> int:
        return int(subprocess.run([sys.executable, "-c", PAGES, which], capture_output=True, check=True).stdout)

    assert pages("one") < 100
    assert pages("each") > 10_000


@pytest.mark.parametrize("n_threads", [1, 3])
def test_results_come_in_order_from_as_many_threads_as_told(n_threads: int) -> None:
    met = threading.Barrier(n_threads)

    def work(item: int) -> tuple[int, int]:
        met.wait(10.0)  # three at a time, or it breaks
        return item, threading.get_ident()

    with fft.set_workers(n_threads):
        results = for_each(work, range(6))
    assert [item for item, _ in results] == list(range(6))
    assert (threading.get_ident() in {thread for _, thread in results}) == (n_threads == 1)


def test_what_fails_beside_is_raised_here() -> None:
    def work(item: int) -> None:
        if item == 2:
            raise ValueError("two")

    with fft.set_workers(2), pytest.raises(ValueError, match="two"):
        for_each(work, range(4))
