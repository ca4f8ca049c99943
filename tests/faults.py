"""Are the demo's hidden faults found and named, and no others? `python tests/faults.py --seeds 20` prints a table.

A fault counts as named when the report says, in words and about the right output or microphone, what the truth file
says; anything else that the report would have a person change or mend is a false alarm.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from analyze.description import load_sound_check
from analyze.pipeline import Analysis, analyse
from analyze.simulate import make_demo

#: A recommended delay counts as the true one within this, in ms: tower by arrival, subs by what 0.05 dB allows.
TOWER_MS, SUBS_MS = 0.3, 0.5


def named(analysis: Analysis) -> set[tuple[str, str]]:
    """Everything the report would have a person change or mend, as (what, where)."""
    found = {(f.finding, f.track) for f in analysis.findings if f.severity != "note"}
    for row in analysis.recommendations:
        if row.decision == "undecided":
            found.add(("undecided", row.output))
        if row.decision == "change" and row.polarity_change == "yes":
            found.add(("other polarity", row.output))
        if row.decision == "change" and abs(row.delay_change_ms) > (TOWER_MS if row.kind == "tower" else SUBS_MS):
            found.add(("other delay", row.output))
    return found


def expected(truth: dict) -> tuple[set[tuple[str, str]], set[tuple[str, str]]]:
    """What must be named for the hidden fault, and what may be named besides because it follows from it."""
    target, outputs = truth["target"], truth["outputs"]
    members = [name for name, o in outputs.items() if target in (name, o["group"])]
    return {
        "none": (set(), set()),
        "delay left in on the subs": ({("other delay", m) for m in members}, set()),
        "sub crossover wants the other polarity": ({("other polarity", m) for m in members}, set()),
        "monitor wired inverted": ({("output wired inverted", target)}, {("other polarity", target)}),
        "tower far too early": ({("other delay", target)}, set()),
        "one microphone chain inverted": ({("microphone chain inverted", target)}, set()),
    }[truth["fault"]]


def wrong_settings(analysis: Analysis, truth: dict) -> list[str]:
    """Recommended settings of mains, subs, fills and towers that are not the true ones."""
    wrong = []
    for row in analysis.recommendations:
        best = truth["outputs"][row.output]
        if row.kind == "monitor":
            continue
        off = abs(row.recommended_delay_ms - best["best_delay_ms"])
        if row.recommended_polarity != best["best_polarity"] or off > (SUBS_MS if row.kind == "sub" else TOWER_MS):
            wrong.append(f"{row.output} {row.recommended_polarity} {row.recommended_delay_ms:.2f}")
    return wrong


def arrival_errors_ms(analysis: Analysis, truth: dict) -> dict[str, list[float]]:
    """Arrival errors without their sign, of subs and of everything else."""
    errors: dict[str, list[float]] = {"subs": [], "full-range": []}
    for row in analysis.arrivals:
        kind = "subs" if truth["outputs"][row.output]["kind"] == "sub" else "full-range"
        errors[kind].append(abs(row.arrival_ms - truth["arrival_ms"][row.output][row.position]))
    return errors


@dataclass(frozen=True)
class Verdict:
    """One sound check judged: its truth, what was missed, named without being there, set wrong, and arrival errors."""

    truth: dict
    missed: set[tuple[str, str]]
    false: set[tuple[str, str]]
    wrong: list[str]
    arrival_errors_ms: dict[str, list[float]]

    @property
    def is_clean(self) -> bool:
        """Whether nothing was missed, invented or set wrong."""
        return not (self.missed or self.false or self.wrong)


def judge(folder: Path) -> Verdict:
    """Analyse a demo and hold the result against its truth."""
    analysis = analyse(load_sound_check(folder))
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    must, may = expected(truth)
    found = named(analysis)
    errors = arrival_errors_ms(analysis, truth)
    return Verdict(truth, must - found, found - must - may, wrong_settings(analysis, truth), errors)


def main() -> int:
    """Judge the seeds asked for, print one line each, and the arrival errors over all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=14.0, help="length of each take")
    arguments = parser.parse_args()
    verdicts = []
    for seed in range(arguments.first, arguments.first + arguments.seeds):
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place) / "demo"
            make_demo(folder, seed, duration_s=arguments.seconds)
            v = judge(folder)
        verdicts.append(v)
        outcome = "found, nothing else" if v.is_clean else f"missed {v.missed}, false {v.false}, wrong {v.wrong}"
        sys.stdout.write(f"seed {seed:3d}: {v.truth['fault']} ({v.truth['target'] or '-'}): {outcome}\n")
        sys.stdout.flush()
    n_clean = sum(v.is_clean for v in verdicts)
    sys.stdout.write(f"{n_clean} of {arguments.seeds} without a miss\n")
    for kind in ("full-range", "subs"):
        errors = sorted(e for v in verdicts for e in v.arrival_errors_ms[kind])
        middle = errors[len(errors) // 2]
        sys.stdout.write(f"arrival error, {kind}: median {middle:.3f} ms, largest {errors[-1]:.3f} ms\n")
    return 0 if n_clean == len(verdicts) else 1


if __name__ == "__main__":
    sys.exit(main())
