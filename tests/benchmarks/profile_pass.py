"""Where the time of the streaming pass goes: `python tests/benchmarks/profile_pass.py`.

The take of `pass_ratios.py`, passed over by one thread. Prints for every function of the program the share of the looks
that found it at work, itself or in what it had called: those of one function in another count for both.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from looks import Looks
from material import write_take
from pass_ratios import one_pass, take_and_shifts

from analyze.description import load_sound_check
from analyze.spectra.threads import one_heap


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=int, default=10)
    parser.add_argument("--least", type=float, default=2.0, help="share in percent from which a function is printed")
    a = parser.parse_args()
    one_heap()  # as the program does
    take, shift_s = take_and_shifts(a.minutes)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_take(folder, take)
        capture = load_sound_check(folder).captures[0]
        looks = Looks()
        one_pass(folder, capture, shift_s, 1)
        looks.stop()
    looks.told(a.least)


if __name__ == "__main__":
    main()
