"""Are the changes between two visits found and named, and no others? `python -m tests.trials.second_visits --seeds 5`.

Every kind of change is made to the rig of every seed; the microphones are put back to within two centimetres each way.
A verdict is false where nothing of the kind was done, and missed where it was and something else was said.
With `--anything 8` whatever may have changed is drawn, by little or by much (`drawn_changes.py`): by those verdicts
confidences are held against how often they are right.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analyze.archive.comparison import compare
from analyze.archive.comparison_rows import Comparison
from analyze.archive.opening import ReportRead, open_report
from analyze.description import load_sound_check
from analyze.pipeline import analyse
from analyze.reports import write_report
from analyze.simulate_scene import Scene
from tests.trials.claims import Claim, table
from tests.trials.drawn_changes import drawn_change, positions_of
from tests.trials.visits import Change, first_scene, second_scene, write_visit

#: Name of a kind, what was said, and what must be said by output or position; all others must be `same`.
Told = tuple[str, Comparison, dict[str, str]]
#: How far a microphone may stand from where it stood, along each axis, when it is put back, m.
_PUT_BACK_M = 0.02


def report_of(scene: Scene, folder: Path, seed: int, change: Change | None = None, seconds: float = 8.0) -> ReportRead:
    """Record a visit, analyse it, write its report without plots, and open it."""
    return reported(write_visit(scene, folder / "recordings", seed, change, seconds), folder / "report")


def reported(recordings: Path, folder: Path) -> ReportRead:
    """Analyse recordings, write the report without plots, and open it."""
    nothing = b'<svg width="1pt" height="1pt"></svg>'
    analysis = analyse(load_sound_check(recordings), workers=1)
    write_report(analysis, folder, draw=lambda plots: iter([(nothing, b"")] * len(plots)))
    return open_report(folder)


@dataclass(frozen=True)
class Kind:
    """A kind of change: its name, how it is drawn for a rig, and what must be said of outputs and positions."""

    name: str
    draw: Callable[[Scene, np.random.Generator], Change]

    def expected(self, change: Change) -> dict[str, str]:
        """What must be said, by output or position; all others must be `same`."""
        said = dict.fromkeys(change.later_ms, "moved") | dict.fromkeys(change.peak, "changed in response")
        said |= dict.fromkeys(change.louder_db, "changed in level") | dict.fromkeys(change.flipped, "flipped")
        said |= dict.fromkeys(change.exchanged, "exchanged")
        said |= dict.fromkeys(change.moved_m, "moved") | dict.fromkeys(change.mic_inverted, "chain flipped")
        return said | dict.fromkeys(change.mic_louder_db, "other gain") | dict.fromkeys(change.gone, "gone")


def _warmer(rng: np.random.Generator) -> float:
    return round(float(rng.uniform(-10.0, 10.0)), 1)


def _output(scene: Scene, rng: np.random.Generator, sub: bool = False) -> str:
    return str(rng.choice([o.name for o in scene.outputs if (o.kind == "sub") == sub]))


def _position(scene: Scene, rng: np.random.Generator) -> str:
    return str(rng.choice([p.name for p in scene.positions]))


def _two_positions(scene: Scene, rng: np.random.Generator) -> list[str]:
    return [str(name) for name in rng.choice([p.name for p in scene.positions], 2, replace=False)]


def _elsewhere(rng: np.random.Generator) -> tuple[float, float, float]:
    """A step of 0.3 to 0.8 m on the floor."""
    angle, length = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(0.3, 0.8)
    return float(length * np.cos(angle)), float(length * np.sin(angle)), 0.0


def _several(scene: Scene, rng: np.random.Generator) -> Change:
    return Change(
        warmer_c=_warmer(rng),
        later_ms={_output(scene, rng, True): 0.4},
        flipped=[_output(scene, rng)],
        moved_m={_position(scene, rng): _elsewhere(rng)},
    )


KINDS = (
    Kind("air alone", lambda _, rng: Change(warmer_c=_warmer(rng))),
    Kind("air, 4 °C unsaid", lambda _, rng: Change(warmer_c=_warmer(rng), unsaid_c=4.0)),
    Kind("sub 0.4 ms later", lambda scene, rng: Change(_warmer(rng), later_ms={_output(scene, rng, True): 0.4})),
    Kind("box 0.4 ms later", lambda scene, rng: Change(_warmer(rng), later_ms={_output(scene, rng): 0.4})),
    Kind("box flipped", lambda scene, rng: Change(_warmer(rng), flipped=[_output(scene, rng, rng.random() < 0.5)])),
    Kind("microphone moved", lambda scene, rng: Change(_warmer(rng), moved_m={_position(scene, rng): _elsewhere(rng)})),
    Kind("all three", _several),
    Kind("chain flipped", lambda scene, rng: Change(_warmer(rng), mic_inverted=[_position(scene, rng)])),
    Kind(
        "rig 1.3 ms later, one gain",
        lambda scene, rng: Change(_warmer(rng), rig_later_ms=1.3, mic_louder_db={_position(scene, rng): 4.0}),
    ),
    Kind("peak of 4 dB", lambda scene, rng: Change(_warmer(rng), peak={_output(scene, rng): (1000.0, 4.0, 1.4)})),
    Kind("box 2 dB louder", lambda scene, rng: Change(_warmer(rng), louder_db={_output(scene, rng): 2.0})),
    Kind("microphones exchanged", lambda scene, rng: Change(_warmer(rng), exchanged=_two_positions(scene, rng))),
)


def put_back(change: Change, scene: Scene, rng: np.random.Generator, within_m: float = _PUT_BACK_M) -> Change:
    """The change with every microphone a little off where it stood."""
    moved = {
        p.name: tuple(np.add(change.moved_m.get(p.name, (0.0, 0.0, 0.0)), rng.uniform(-within_m, within_m, 3)))
        for p in scene.positions
    }
    return replace(change, moved_m=moved)


def verdicts(comparison: Comparison) -> dict[str, str]:
    """What was said, by output and position."""
    said = {row.output: row.verdict for row in comparison.outputs}
    return said | {row.position: row.verdict for row in comparison.positions}


def claims_of(comparison: Comparison, expected: Mapping[str, str]) -> list[Claim]:
    """What was said of every output, how surely, and whether it was right.

    `unclear` is right where anything changed at all, and so is a level for a peak in a sub, which has few other bands.
    """
    found = []
    for row in comparison.outputs:
        true = expected.get(row.output, "same")
        is_right = row.verdict == true or (row.verdict == "unclear" and true != "same")
        is_right |= (row.kind, row.verdict, true) == ("sub", "changed in level", "changed in response")
        found.append(Claim(row.verdict, row.confidence, is_right))
    return found


def kinds(seed: int, is_exact: bool) -> Iterator[Told]:
    """Every kind of change, made to the rig of a seed."""
    with tempfile.TemporaryDirectory() as place:
        scene = first_scene(seed)
        older = report_of(scene, Path(place) / "first", 1000 * seed)
        for number, kind in enumerate(KINDS, 1):
            rng = np.random.default_rng([seed, number])
            change = kind.draw(scene, rng)
            done = change if is_exact else put_back(change, scene, rng)
            newer = report_of(second_scene(scene, done), Path(place) / str(number), 1000 * seed + number, done)
            yield kind.name, compare(older, newer), kind.expected(change)


def anything(seed: int, n: int) -> Iterator[Told]:
    """So many visits to the rig of a seed at which anything may have changed; nothing is expected of positions."""
    with tempfile.TemporaryDirectory() as place:
        scene = first_scene(seed, positions=positions_of(seed))
        older = report_of(scene, Path(place) / "first", 1000 * seed)
        for number in range(n):
            rng = np.random.default_rng([seed, 100 + number])
            drawn = drawn_change(scene, rng)
            done = put_back(drawn.change, scene, rng, drawn.put_back_m)
            visit = 1000 * seed + 100 + number
            newer = report_of(second_scene(scene, done), Path(place) / str(number), visit, done)
            yield "anything", replace(compare(older, newer), positions=()), drawn.expected


def main() -> int:
    """Print per kind how many verdicts were false and how many missed, and claims against what was right."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--exact", action="store_true", help="put microphones back exactly")
    parser.add_argument(
        "--anything", type=int, metavar="N", help="N visits per seed at which anything may have changed"
    )
    arguments = parser.parse_args()
    counts: dict[str, NDArray[np.int64]] = {}
    claims: list[Claim] = []
    for seed in range(arguments.first, arguments.first + arguments.seeds):
        visits = anything(seed, arguments.anything) if arguments.anything else kinds(seed, arguments.exact)
        for name, comparison, expected in visits:
            said = verdicts(comparison)
            false = {k: v for k, v in said.items() if v != "same" and expected.get(k) != v}
            missed = {k: v for k, v in expected.items() if said[k] != v}
            counts.setdefault(name, np.zeros(4, dtype=np.int64))
            counts[name] += (len(false), len(said), len(missed), len(expected))
            claims += claims_of(comparison, expected)
            sys.stdout.write(f"seed {seed} {name}: false {false}, missed {missed}\n")
            sys.stdout.flush()
    for name, (false, n_said, missed, n_expected) in counts.items():
        sys.stdout.write(f"{name:28s} false {false:3d} of {n_said:3d}   missed {missed:3d} of {n_expected:3d}\n")
    sys.stdout.write(f"verdicts of outputs:\n{table(claims)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
