"""Are exchanged microphones and wrong delays told without a tape? `python tests/misplaced.py --seeds 60` counts.

Demos as they are, with two microphones exchanged in the take of one output, and with another delay described than was
in force, of one output or of its group; and with two microphones of the audience exchanged in all takes, which only the
names of seats contradict. Arrivals are those of the truth with the errors that an analysis has there.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np

from analyze.description import SoundCheck, load_outline
from analyze.responses.against_names import against_names
from analyze.responses.out_of_place import out_of_place
from analyze.simulate import Scene, build_scene
from analyze.simulate_files import description_text

#: Error of an arrival and what is stated of it, ms, of subs and of all else.
_SUB_MS, _ELSE_MS = (0.3, 0.16), (0.01, 0.01)
#: A described delay is off by so much, either way, ms.
_OFF_MS = (5.0, 20.0)
#: The delay that is named is right within this, ms, and this share.
_RIGHT_MS, _RIGHT_SHARE = 2.0, 0.35

Heard = dict[tuple[str, str], tuple[float, float]]


def described(scene: Scene) -> SoundCheck:
    """The description of a scene, without its recordings."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "soundcheck.toml"
        path.write_text(description_text(scene), encoding="utf-8")
        return load_outline(path)


def heard_in(scene: Scene, rng: np.random.Generator) -> Heard:
    """Arrivals at the settings in force."""
    found = {}
    for o, output in enumerate(scene.outputs):
        error_ms, stated_ms = _SUB_MS if output.kind == "sub" else _ELSE_MS
        for p, position in enumerate(scene.positions):
            true_ms = 1e3 * float(scene.flight_s[o, p] + scene.present.delays_s[o])
            found[output.name, position.name] = (true_ms + rng.normal(0.0, error_ms), stated_ms)
    return found


def cases(seed: int) -> Iterator[tuple[str, str]]:
    """What was wrong, and what became of it: nothing said, found, missed or wrong."""
    rng, scene = np.random.default_rng([seed, 3]), build_scene(seed, sample_rate_hz=8000)
    check, heard = described(scene), heard_in(scene, rng)
    yield "as described", "wrong" if out_of_place(check, heard, (), ()) else "nothing said"
    yield _exchanged(check, heard, rng)
    yield _set_otherwise(check, heard, rng)
    yield "names, as described", "wrong" if against_names(check, heard, (), ()) else "nothing said"
    yield from _exchanged_throughout(check, heard)


def _exchanged(check: SoundCheck, heard: Heard, rng: np.random.Generator) -> tuple[str, str]:
    output = str(rng.choice(list(check.outputs)))
    p, q = map(str, rng.choice(list(check.positions), 2, replace=False))
    apart_ms = abs(heard[output, p][0] - heard[output, q][0])
    crossed = heard | {(output, p): heard[output, q], (output, q): heard[output, p]}
    words = (f"at which {output} ", f"microphones {p} and {q} are", f"microphones {q} and {p} are")
    told = [one.detail for one in out_of_place(check, crossed, (), ())]
    kind = f"exchanged, {'over' if apart_ms > 4.0 else 'up to'} 4 ms apart"
    return kind, _judged(told, [words[0] in one and (words[1] in one or words[2] in one) for one in told])


def _exchanged_throughout(check: SoundCheck, heard: Heard) -> Iterator[tuple[str, str]]:
    """Every two seats of the audience that change places, whatever was played."""
    seats = [name for name, position in check.positions.items() if position.zone == "audience"]
    for p, q in combinations(seats, 2):
        other = {p: q, q: p}
        crossed = {(output, other.get(seat, seat)): one for (output, seat), one in heard.items()}
        told = against_names(check, crossed, (), ())
        yield f"names, {p} and {q} exchanged", _judged([*map(str, told)], [one.track in other for one in told])


def _set_otherwise(check: SoundCheck, heard: Heard, rng: np.random.Generator) -> tuple[str, str]:
    output = str(rng.choice(list(check.outputs)))
    names = check.group_of(output) if rng.random() < 0.5 else (output,)
    off_ms = float(rng.choice([-1.0, 1.0]) * rng.uniform(*_OFF_MS))
    other = {name: _other(check, name, off_ms) for name in names}
    off_ms = float(other[output] - check.outputs[output].setting.delay_ms)
    outputs = {
        name: replace(one, setting=replace(one.setting, delay_ms=other[name])) if name in other else one
        for name, one in check.outputs.items()
    }
    told = out_of_place(replace(check, outputs=outputs), heard, (), ())
    within_ms = max(_RIGHT_MS, _RIGHT_SHARE * abs(off_ms))
    right = [
        all(name in one.detail for name in names)
        and one.finding == "delay contradicted"
        and abs(one.value + off_ms) <= within_ms
        for one in told
    ]
    if abs(off_ms) < _OFF_MS[0]:
        return "delay off by less than 5 ms", _judged([one.detail for one in told], right)
    kind = f"delay of {'a pair' if len(names) > 1 else 'one output'} off by 5 to 20 ms"
    return kind, _judged([one.detail for one in told], right)


def _other(check: SoundCheck, name: str, off_ms: float) -> float:
    return max(0.0, check.outputs[name].setting.delay_ms + off_ms)


def _judged(told: list[str], right: list[bool]) -> str:
    return "missed" if not told else "found" if all(right) else "wrong"


def table(counts: Mapping[tuple[str, str], int]) -> str:
    """A line for each kind of fault."""
    kinds = sorted({kind for kind, _ in counts})
    return "\n".join(f"{k}: {', '.join(f'{n} {what}' for (of, what), n in counts.items() if of == k)}" for k in kinds)


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=60)
    parser.add_argument("--first", type=int, default=1000)
    arguments = parser.parse_args()
    seeds = range(arguments.first, arguments.first + arguments.seeds)
    print(table(Counter(case for seed in seeds for case in cases(seed))))  # noqa: T201


if __name__ == "__main__":
    main()
