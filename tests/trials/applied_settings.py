"""Is what was done with recommended settings named rightly? `python -m tests.trials.applied_settings --seeds 5`.

Every seed's rig stands with its subs too late and inverted and its fill too early; what is recommended is put in force
rightly, not at all, or with a usual mistake, while the description says that it was done. Microphones are put back to
within two centimetres each way.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from analyze.archive.opening import ReportRead
from analyze.archive.settings import verify_settings
from tests.trials.second_visits import put_back, report_of
from tests.trials.visits import Change, first_scene, second_scene

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


def main() -> int:
    """Print per mistake how many outputs were judged wrongly, and how far the low end was off what was predicted."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--first", type=int, default=1)
    arguments = parser.parse_args()
    wrong: dict[str, list[int]] = {}
    off_db = []
    for seed in range(arguments.first, arguments.first + arguments.seeds):
        with tempfile.TemporaryDirectory() as place:
            scene = first_scene(seed, settings=PRESENT)
            before = report_of(scene, Path(place) / "before", 1000 * seed)
            new = recommended_settings(before)
            if set(new) != {*_SUBS, _FILL}:
                sys.stdout.write(f"seed {seed}: other recommendations ({new})\n")
                continue
            for number, (name, (instead, expected)) in enumerate(mistakes(new).items(), 1):
                rng = np.random.default_rng([seed, number])
                change = change_to({**PRESENT, **new, **instead}, {**PRESENT, **new}, rng.uniform(-3.0, 3.0))
                change = put_back(change, scene, rng)
                report = report_of(second_scene(scene, change), Path(place) / str(number), 1000 * seed + number)
                verified = verify_settings(before, report)
                found = {row.output: row.outcome for row in verified.settings}
                truth = dict.fromkeys(found, "left alone") | expected
                misjudged = {key: value for key, value in found.items() if value != truth[key]}
                wrong.setdefault(name, []).append(len(misjudged))
                if name == "done":
                    off_db += [seat.difference_db / seat.difference_std_db for seat in verified.seats]
                sys.stdout.write(f"seed {seed} {name}: wrong {misjudged}\n")
                sys.stdout.flush()
    for name, counts in wrong.items():
        sys.stdout.write(f"{name:24s} wrong {sum(counts):3d} of {len(PRESENT) * len(counts):3d} outputs\n")
    sys.stdout.write(f"measured less predicted, re its error: {np.sqrt(np.mean(np.square(off_db))):.2f} (rms)\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
