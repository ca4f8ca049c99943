"""Two microphones exchanged between two simulated visits, and readings that fit as well."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from visits_making import compared, only, visit

from analyze.archive.comparison import compare, found_between
from analyze.archive.comparison_exchanged import exchanged_positions, with_exchanged
from analyze.archive.comparison_pairs import matched_names
from analyze.archive.comparison_words import headline
from analyze.archive.opening import ReportRead

#: Of a symmetrical rig: what stands on the other side.
OTHER = {"main left": "main right", "sub left": "sub right", "left": "back"}
OTHER |= {there: here for here, there in OTHER.items()}


def test_exchanged_microphones_are_named_and_all_else_is_told_as_without() -> None:
    """One of the two was moved by 0.6 m besides."""
    found = compare(visit("first"), with_exchanged(visit("several"), ("left", "back")))
    assert [set(pair) for pair in found.exchanged] == [{"left", "back"}]
    assert {row.position: row.verdict for row in found.positions if row.verdict != "same"} == {
        "left": "moved",
        "back": "exchanged",
    }
    without = {row.output: (row.verdict, row.reason) for row in compared("several").outputs}
    assert {row.output: (row.verdict, row.reason) for row in found.outputs} == without
    assert "Positions left and back look exchanged." in headline(found).replace("back and left", "left and back")
    assert any("nothing counts as moved for it" in text for text in found.remarks)


def mirrored(report: ReportRead, folder: Path) -> ReportRead:
    """The same rig made symmetrical: left and back are mirror images, mix stands on the axis, and so does the fill."""
    report = only(report, folder, positions=("mix", "left", "back"))
    results = json.loads(json.dumps(report.results))
    heard = {(row["output"], row["position"]): row for row in results["arrivals"]}

    def source(output: str, position: str) -> tuple[str, str]:
        is_there = position == "back" or (position == "mix" and output.endswith("right"))
        return (OTHER.get(output, output), OTHER.get(position, position)) if is_there else (output, position)

    results["arrivals"] = [{**heard[source(*key)], "output": key[0], "position": key[1]} for key in heard]
    files = results["responses"]
    results["responses"] = {o: {p: files[source(o, p)[0]][source(o, p)[1]] for p in files[o]} for o in files}
    return replace(report, results=results)


def test_where_outputs_exchanged_left_for_right_explain_it_as_well_nothing_is_said(tmp_path: Path) -> None:
    then, now = mirrored(visit("first"), tmp_path / "a"), mirrored(visit("warmer"), tmp_path / "b")
    names = matched_names(then, now)
    for after, is_moved in ((now, False), (with_exchanged(now, ("left", "back")), True)):
        found = found_between(then, after, names)
        assert any(found.furthest_ms(p) > 1.0 for p in range(3)) is is_moved
        assert exchanged_positions(then, after, found) == ()
    found = found_between(then, with_exchanged(now, ("left", "mix")), names)
    assert exchanged_positions(then, with_exchanged(now, ("left", "mix")), found) == (("mix", "left"),)
