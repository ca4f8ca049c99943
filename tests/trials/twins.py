"""Two subs held against each other, or not: `python -m tests.trials.twins --cases 50 --seed 83`.

Every case with a pair of subs is taken as it is and with the second sub turned over: once wired alike, once opposite.
Told are the wiring of both subs, by each alone and by the pair as well, and whether they are alike.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from analyze.description import SoundCheck, load_sound_check
from analyze.responses.all_captures import measure_all
from analyze.responses.arrival_table import wiring_evidence
from analyze.responses.several_captures import joined_captures
from analyze.responses.twin_signs import twin_evidence
from analyze.responses.wiring import DECIDED, Signs, solve_signs
from tests.trials.cases import FAMILIES, Case, make_case

ALONE, PAIRED, PAIR = "wiring, each alone", "wiring, the pair too", "the pair"
#: Below this a pair has shown that it is alike, and not only been presumed so.
_SHOWN_ALIKE = 0.02


def wired_against(case: Case, name: str) -> Case:
    """The case with one output wired the other way round."""
    i = case.output(name)
    outputs = [replace(o, wiring=-o.wiring) if o.name == name else o for o in case.outputs]
    response = case.response.copy()
    response[i] *= -1.0
    return replace(case, outputs=tuple(outputs), response=response)


def pair_of(case: Case) -> list[str]:
    """The first two subs of one group, empty where there are none."""
    groups = ([case.outputs[i] for i in group] for group in case.groups)
    pairs = ([o.name for o in group[:2]] for group in groups if len(group) > 1 and group[0].kind == "sub")
    return next(pairs, [])


def wired_words(case: Case) -> str:
    """How the pair of a case is wired: some are drawn with one of them turned over."""
    one, other = (case.outputs[case.output(name)].wiring for name in pair_of(case))
    return "alike" if one == other else "opposite"


def rows_of(case: Case) -> Iterator[tuple[str, str]]:
    """(what was told, right | undecided | wrong) of one case."""
    one, other = pair_of(case)
    with tempfile.TemporaryDirectory() as place:
        check = load_sound_check(case.write(Path(place)))
        alone, paired = _signs(check)
    truth = {o.name: o.wiring for o in case.outputs}
    for what, signs in ((ALONE, alone), (PAIRED, paired)):
        for name in (one, other):
            if name in signs.output_sign:
                yield what, _verdict(signs.output_sign[name] * truth[name])
    opposite = paired.opposite.get((one, other))
    if opposite is not None:
        said = -1.0 if opposite >= DECIDED else 1.0 if opposite <= _SHOWN_ALIKE else 0.0
        yield PAIR, _verdict(said * truth[one] * truth[other])


def _signs(check: SoundCheck) -> tuple[Signs, Signs]:
    """The signs by each output alone, and with twins held against each other."""
    measured, _ = joined_captures(check, measure_all(check, 1, None).measured, np.random.default_rng(0))
    evidence = wiring_evidence(measured)
    return solve_signs(evidence), solve_signs(evidence, twin_evidence(measured, check))


def _verdict(agreement: float) -> str:
    return "right" if agreement > 0 else "wrong" if agreement < 0 else "undecided"


def table(found: Counter[tuple[str, str, str]]) -> str:
    """Right, undecided and wrong per way of wiring and what was told."""
    lines = []
    for wired, what in dict.fromkeys((wired, what) for wired, what, _ in sorted(found)):
        counts = [found[wired, what, verdict] for verdict in ("right", "undecided", "wrong")]
        lines.append(f"{wired:<10} {what:<22} {'/'.join(map(str, counts)):>12} of {sum(counts)}")
    return "\n".join(lines)


def main() -> int:
    """Read the command line, run the cases, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=50, help="numbers per family; those without a pair are passed by")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--family", nargs="+", choices=FAMILIES, default=["together"])
    a = parser.parse_args()
    found: Counter[tuple[str, str, str]] = Counter()
    for family in a.family:
        for number in range(a.cases):
            case = make_case(family, a.seed, number)
            pair = pair_of(case)
            for one in (case, wired_against(case, pair[1])) if pair else ():
                found.update((wired_words(one), what, verdict) for what, verdict in rows_of(one))
            sys.stderr.write(f"\r{family} {number + 1} of {a.cases} ")
    sys.stdout.write(f"{table(found)}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
