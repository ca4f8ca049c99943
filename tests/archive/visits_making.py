"""Reports of two visits to one simulated hall, each made once for all tests."""

from __future__ import annotations

import atexit
import json
import shutil
import tempfile
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import soundfile
from histories_making import recorded_anew

from analyze.archive.comparison import compare
from analyze.archive.comparison_rows import Comparison
from analyze.archive.opening import ReportRead, open_report
from tests.trials.second_visits import report_of
from tests.trials.visits import Change, first_scene, second_scene

#: Hall, rig and microphones of the tests.
SEED = 5
#: Of every take: half of what trials have.
SECONDS = 4.0
#: Of every visit.
DAY = "2026-05-14"

#: What happened between the first visit and each other.
CHANGES = {
    "first": Change(),
    "warmer": Change(warmer_c=9.0),
    "several": Change(
        warmer_c=-7.0, later_ms={"sub right": 0.4}, flipped=["front fill"], moved_m={"left": (0.3, 0.5, 0.0)}
    ),
    "chain": Change(warmer_c=3.0, mic_inverted=["back"], mic_louder_db={"mix": 4.0}, rig_later_ms=1.3),
    "set": Change(warmer_c=2.0, settings={"front fill": (9.0, -1), "main left": (3.0, 1)}, gone=["sub left"]),
    "box": Change(warmer_c=-2.0, box_moved_m={"front fill": (0.3, 0.5, 0.0)}),
    "peak": Change(peak={"main right": (1000.0, 4.0, 1.4)}, louder_db={"sub left": -2.0}),
}


#: Of a symmetrical rig: what stands on the other side.
OTHER = {"main left": "main right", "left": "back"}
OTHER |= {there: here for here, there in OTHER.items()}


@cache
def place() -> Path:
    """A folder that goes when the tests end."""
    place = Path(tempfile.mkdtemp(prefix="visits-"))
    atexit.register(shutil.rmtree, place, ignore_errors=True)
    return place


@cache
def visit(name: str, seed: int = SEED) -> ReportRead:
    """The report of one visit, opened; all are of one day."""
    first = first_scene(seed)
    scene = first if name == "first" else second_scene(first, CHANGES[name])
    number = list(CHANGES).index(name)
    report = report_of(scene, place() / f"{seed}-{name}", 100 * seed + number, CHANGES[name], SECONDS)
    return dated_report(report, DAY)


@cache
def compared(name: str) -> Comparison:
    """The first visit against another."""
    return compare(visit("first"), visit(name), {})


def turned_at(report: ReportRead, folder: Path, output: str, positions: tuple[str, ...]) -> ReportRead:
    """The same report with an output turned over at some positions, as when tracks were exchanged."""
    shutil.copytree(report.folder, folder)
    for position in positions:
        path = folder / report.results["responses"][output][position]
        samples, rate_hz = soundfile.read(path)
        soundfile.write(path, -samples, rate_hz, subtype="FLOAT")
    return open_report(folder)


def dated_report(report: ReportRead, date: str) -> ReportRead:
    """The same report of a sound check on another day, recorded anew."""
    results = json.loads(json.dumps({**report.results, "sound_check": {**report.check, "date": date}}))
    return replace(report, results=recorded_anew(results))


def feed_after_setting(report: ReportRead, *outputs: str) -> ReportRead:
    """The same report with the feeds of some outputs recorded after their settings."""
    results = json.loads(json.dumps(report.results))
    for name in outputs:
        results["sound_check"]["outputs"][name]["feed_tap"] = "after"
    return replace(report, results=results)


def told_otherwise(
    report: ReportRead, folder: Path, output: str, *, wiring: str = "normal", setting: str = "normal", asked: str = ""
) -> ReportRead:
    """The same sound with other words about one output: its wiring, the polarity it is set to, what is asked for."""
    shutil.copytree(report.folder, folder)
    results = json.loads(json.dumps(report.results))
    next(row for row in results["wiring"] if row["output"] == output)["polarity"] = wiring
    for one in (results["sound_check"], *results["sound_check"]["captures"]):
        named = one.get("outputs", {}).get(output, {}).get("setting") or one.get("settings", {}).get(output, {})
        named["polarity"] = setting
    row = next(row for row in results["recommendations"] if row["output"] == output)
    asked = asked or setting
    row |= {"setting_polarity": setting, "recommended_polarity": asked}
    row["polarity_change"] = "yes" if asked != setting else "no"
    (folder / "results.json").write_text(json.dumps(results), encoding="utf-8")
    return open_report(folder)


def only(
    report: ReportRead, folder: Path, outputs: tuple[str, ...] = (), positions: tuple[str, ...] = ()
) -> ReportRead:
    """The same report with some outputs or positions alone, as if no others had been measured."""
    results = json.loads(json.dumps(report.results))
    check = results["sound_check"]
    check["outputs"] = {k: v for k, v in check["outputs"].items() if not outputs or k in outputs}
    check["positions"] = {k: v for k, v in check["positions"].items() if not positions or k in positions}
    results["responses"] = {
        o: {p: f for p, f in files.items() if p in check["positions"]}
        for o, files in results["responses"].items()
        if o in check["outputs"]
    }
    results["arrivals"] = [
        row
        for row in results["arrivals"]
        if row["output"] in check["outputs"] and row["position"] in check["positions"]
    ]
    shutil.copytree(report.folder / "responses", folder / "responses")
    (folder / "results.json").write_text(json.dumps(results), encoding="utf-8")
    return open_report(folder)


def mirrored(report: ReportRead, folder: Path) -> ReportRead:
    """The same rig made symmetrical: left and back are mirror images, mix stands on the axis, and so does the fill."""
    report = only(report, folder, ("main left", "main right", "front fill"), ("mix", "left", "back"))
    results = json.loads(json.dumps(report.results))
    heard = {(row["output"], row["position"]): row for row in results["arrivals"]}

    def source(output: str, position: str) -> tuple[str, str]:
        is_there = position == "back" or (position == "mix" and output.endswith("right"))
        return (OTHER.get(output, output), OTHER.get(position, position)) if is_there else (output, position)

    results["arrivals"] = [{**heard[source(*key)], "output": key[0], "position": key[1]} for key in heard]
    files = results["responses"]
    results["responses"] = {o: {p: files[source(o, p)[0]][source(o, p)[1]] for p in files[o]} for o in files}
    return replace(report, results=results)


def described_as(report: ReportRead, folder: Path, temperature_c: float, *, assumed: bool = False) -> ReportRead:
    """The same sound in air that is described otherwise."""
    told = only(report, folder)
    check = told.results["sound_check"]
    check |= {"temperature_c": temperature_c, "is_temperature_assumed": assumed}
    told.results.pop("fingerprint", None)  # that is of another description
    for capture in check["captures"]:
        capture["temperature_c"] = temperature_c
    return told


def put_off(report: ReportRead, name: str, position: str, later_ms: float) -> None:
    """Put a response off by so many milliseconds."""
    path = report.folder / report.results["responses"][name][position]
    samples, rate_hz = soundfile.read(path)
    soundfile.write(path, np.roll(samples, round(later_ms * rate_hz / 1000.0)), rate_hz, subtype="FLOAT")


def verdicts(comparison):
    """Everything that is not as it was, outputs and positions."""
    rows = [(row.output, row.verdict) for row in comparison.outputs]
    rows += [(row.position, row.verdict) for row in comparison.positions]
    return {name: verdict for name, verdict in rows if verdict != "same"}


def output(comparison, name):
    """The row of one output."""
    return next(row for row in comparison.outputs if row.output == name)
