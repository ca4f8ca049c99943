"""Is what was done with recommended settings named rightly? `python -m tests.trials.applied_settings --seeds 5`.

Every seed's rig stands with its subs too late and inverted and its fill too early; what is recommended is put in force
rightly, not at all, or with a usual mistake, while the description says that it was done. Microphones are put back to
within two centimetres each way. With `--drawn 8` mistakes and their sizes are drawn, and how many positions there are
and how well microphones are put back: by those confidences are judged.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np

from analyze.archive.opening import ReportRead
from analyze.archive.settings import verify_settings
from analyze.archive.settings_rows import Verified
from tests.trials.claims import Claim, table
from tests.trials.drawn_changes import PUT_BACK_M, positions_of
from tests.trials.second_visits import put_back, report_of
from tests.trials.visits import FEW_POSITIONS, Change, first_scene, second_scene

_Setting = tuple[float, int]

#: Settings before.
PRESENT: dict[str, _Setting] = {
    "main left": (6.0, 1),
    "main right": (6.0, 1),
    "sub left": (14.0, -1),
    "sub right": (14.0, -1),
    "front fill": (3.0, 1),
}
_SUBS, _FILL = ("sub left", "sub right"), "front fill"
#: How far off a setting is that is none of the usual mistakes, ms.
_OFF_MS = (0.1, 3.0)


def recommended_settings(report: ReportRead) -> dict[str, _Setting]:
    """Setting per output that is to be changed."""
    rows = [row for row in report.rows("recommendations") if row["decision"] == "change"]
    return {r["output"]: (r["recommended_delay_ms"], 1 if r["recommended_polarity"] == "normal" else -1) for r in rows}


def mistakes(new: Mapping[str, _Setting]) -> dict[str, tuple[dict[str, _Setting], dict[str, str]]]:
    """Per mistake what is in force other than recommended, and what must be said of it."""
    later_ms = {name: new[name][0] - PRESENT[name][0] for name in new}
    done = dict.fromkeys(new, "as recommended")
    subs = {name: PRESENT[name] for name in _SUBS}
    return {
        "done": ({}, done),
        "not applied": (PRESENT, dict.fromkeys(new, "not applied")),
        "subs not applied": (subs, done | dict.fromkeys(_SUBS, "not applied")),
        "wrong sign": (
            {name: (PRESENT[name][0] - later_ms[name], new[name][1]) for name in _SUBS},
            done | dict.fromkeys(_SUBS, "wrong sign of delay"),
        ),
        "subs not turned over": (
            {name: (new[name][0], PRESENT[name][1]) for name in _SUBS},
            done | dict.fromkeys(_SUBS, "polarity not applied"),
        ),
        "fill twice": ({_FILL: (new[_FILL][0] + later_ms[_FILL], 1)}, done | {_FILL: "applied twice"}),
        "fill's change on a sub": (
            {"sub right": (PRESENT["sub right"][0] + later_ms[_FILL], -1), _FILL: PRESENT[_FILL]},
            done | {_FILL: "not applied", "sub right": "another output's"},
        ),
    }


def change_to(done: Mapping[str, _Setting], said: Mapping[str, _Setting], warmer_c: float) -> Change:
    """The change between the two captures: what the description says, and what is in force instead."""
    return Change(
        warmer_c=warmer_c,
        settings=said,
        later_ms={name: done[name][0] - said[name][0] for name in said},
        flipped=[name for name in said if done[name][1] != said[name][1]],
    )


def drawn_mistake(new: Mapping[str, _Setting], rng: np.random.Generator) -> tuple[dict[str, _Setting], dict[str, str]]:
    """What is in force other than recommended, and what must be said of it: every output's own chance, sizes drawn."""
    instead, expected = {}, {}
    for name, (new_ms, sign) in new.items():
        old_ms, old_sign = PRESENT[name]
        off_ms = float(rng.choice([-1.0, 1.0])) * float(np.exp(rng.uniform(*np.log(_OFF_MS))))
        what = str(
            rng.choice(["as recommended", "not applied", "wrong sign of delay", "otherwise"], p=[0.6, 0.15, 0.1, 0.15])
        )
        in_force = {
            "as recommended": (new_ms, sign),
            "not applied": (old_ms, old_sign),
            "wrong sign of delay": (2.0 * old_ms - new_ms, sign),
            "otherwise": (new_ms + off_ms, sign),
        }[what]
        instead[name], expected[name] = in_force, what
    return instead, expected


def captures(seed: int, n_drawn: int) -> Iterator[tuple[str, Verified, dict[str, str]]]:
    """Per capture after: its name, what was found, and what must be said of every output."""
    with tempfile.TemporaryDirectory() as place:
        scene = first_scene(seed, positions=positions_of(seed) if n_drawn else FEW_POSITIONS, settings=PRESENT)
        before = report_of(scene, Path(place) / "before", 1000 * seed)
        new = recommended_settings(before)
        if not new or not (n_drawn or set(new) == {*_SUBS, _FILL}):
            sys.stdout.write(f"seed {seed}: other recommendations ({new})\n")
            return
        cases = list(mistakes(new).items()) if not n_drawn else [("drawn", None)] * n_drawn
        for number, (name, case) in enumerate(cases, 1):
            rng = np.random.default_rng([seed, number])
            instead, expected = case if case is not None else drawn_mistake(new, rng)
            change = change_to({**PRESENT, **new, **instead}, {**PRESENT, **new}, rng.uniform(-3.0, 3.0))
            change = put_back(change, scene, rng, float(rng.choice(PUT_BACK_M)) if n_drawn else PUT_BACK_M[1])
            report = report_of(second_scene(scene, change), Path(place) / str(number), 1000 * seed + number)
            yield name, verify_settings(before, report), dict.fromkeys(PRESENT, "left alone") | expected


def main() -> int:
    """Print per mistake how many outputs were judged wrongly, how far the low end was off, and claims against truth."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--drawn", type=int, default=0, metavar="N", help="N captures per seed with mistakes drawn")
    arguments = parser.parse_args()
    wrong: dict[str, list[int]] = {}
    off_db: list[float] = []
    claims: list[Claim] = []
    for seed in range(arguments.first, arguments.first + arguments.seeds):
        for name, verified, truth in captures(seed, arguments.drawn):
            misjudged = {row.output: row.outcome for row in verified.settings if row.outcome != truth[row.output]}
            wrong.setdefault(name, []).append(len(misjudged))
            claims += [Claim(row.outcome, row.confidence, row.output not in misjudged) for row in verified.settings]
            if name == "done":
                off_db += [seat.difference_db / seat.difference_std_db for seat in verified.seats]
            sys.stdout.write(f"seed {seed} {name}: wrong {misjudged}\n")
            sys.stdout.flush()
    for name, counts in wrong.items():
        sys.stdout.write(f"{name:24s} wrong {sum(counts):3d} of {len(PRESENT) * len(counts):3d} outputs\n")
    if off_db:
        sys.stdout.write(f"measured less predicted, re its error: {np.sqrt(np.mean(np.square(off_db))):.2f} (rms)\n")
    sys.stdout.write(f"outcomes:\n{table(claims)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
