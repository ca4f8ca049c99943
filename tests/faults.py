"""Are the demo's hidden faults found and named, and no others? `python tests/faults.py --seeds 20` prints a table.

A fault counts as named when the report says, in words and about the right output or microphone, what the truth file
says; anything else that the report would have a person change or mend is a false alarm.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
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


def judge(folder: Path) -> tuple[dict, set[tuple[str, str]], set[tuple[str, str]], list[str]]:
    """Truth, what was missed, what was named and is not there, and settings that are wrong."""
    analysis = analyse(load_sound_check(folder))
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    must, may = expected(truth)
    found = named(analysis)
    return truth, must - found, found - must - may, wrong_settings(analysis, truth)


def main() -> int:
    """Judge the seeds asked for and print one line each."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=1)
    arguments = parser.parse_args()
    failures = 0
    for seed in range(arguments.first, arguments.first + arguments.seeds):
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place) / "demo"
            make_demo(folder, seed)
            truth, missed, false, wrong = judge(folder)
        failures += bool(missed or false or wrong)
        outcome = (
            f"missed {missed}, false {false}, wrong {wrong}" if missed or false or wrong else "found, nothing else"
        )
        sys.stdout.write(f"seed {seed:3d}: {truth['fault']} ({truth['target'] or '-'}): {outcome}\n")
        sys.stdout.flush()
    sys.stdout.write(f"{arguments.seeds - failures} of {arguments.seeds} without a miss\n")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
