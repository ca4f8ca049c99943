"""The figures of the guide's page `polarity`.

    python -m analyze.guide.figures              prints its tables
    python -m analyze.guide.figures FOLDER       draws its plots there as well

The page holds the tables as they are printed and the plots as they are drawn; a test compares both.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from analyze.acoustics import energy_db, speed_of_sound_simple
from analyze.guide import textbook
from analyze.guide.plots import drawings
from analyze.simulate_boxes import closed_box, linkwitz_riley, vented_box

#: Corner of the crossovers and of the boxes in tables, Hz.
_CORNER_HZ = 100.0
#: Below this a sum is nothing, dB.
_NOTHING_DB = -60.0


def tables() -> list[str]:
    """Every table of the page in its order, as Markdown."""
    return [_phases(), _delays(), _facing(), _clicks(), _boxes(), _crossovers(), _sub_delays(), _faders(), _late()]


def main(arguments: Sequence[str]) -> None:
    """Print the tables, and draw the plots into the folder that is named, if one is."""
    sys.stdout.write("\n".join(tables()))
    for folder in arguments[:1]:
        Path(folder).mkdir(parents=True, exist_ok=True)
        for name, svg in drawings().items():
            Path(folder, name).write_bytes(svg)


def _table(head: str, columns: Iterable[object], rows: Iterable[Sequence[object]]) -> str:
    """A Markdown table."""
    lines = [[head, *columns], *rows]
    lines.insert(1, ["---"] * len(lines[0]))
    return "".join(f"| {' | '.join(str(cell) for cell in line)} |\n" for line in lines)


def _db(level: float) -> str:
    """A level to a tenth, with words for silence."""
    return "nothing" if level < _NOTHING_DB else f"{level + 0.0:.1f}".replace("-0.0", "0.0")


def _phases() -> str:
    """Two equal sounds by their phase."""
    phases = (0, 60, 90, 120, 150, 170, 180)
    sums = [_db(level) for level in textbook.turned_db(phases)]
    return _table("two equal sounds, degrees apart", phases, [["sum re one of them, dB", *sums]])


def _delays() -> str:
    """How far a delay turns the phase."""
    rows = [[f"{ms:g} ms", *(f"{0.36 * ms * hz:.0f}" for hz in (40, 63, 100, 160, 250))] for ms in (0.3, 1, 2.5, 5)]
    return _table("later by, in degrees at", (f"{hz} Hz" for hz in (40, 63, 100, 160, 250)), rows)


def _facing() -> str:
    """How much softer a driver is beside than in front."""
    at_hz = (63, 125, 250, 500)
    rows = [
        [f"{inches} inch", f"{textbook.ka_one_hz(inches):.0f}", *(_db(db) for db in textbook.beside_db(at_hz, inches))]
        for inches in (12, 15, 18)
    ]
    return _table("cone, level at 90 degrees, dB", ["ka = 1 at, Hz", *(f"{hz} Hz" for hz in at_hz)], rows)


def _clicks() -> str:
    """Which way boxes move first."""
    frequency_hz = textbook.click_lines_hz()
    rows = []
    for name, response in (
        ("closed", closed_box(frequency_hz, 50.0, np.sqrt(0.5))),
        ("vented", vented_box(frequency_hz, 50.0)),
        ("vented, wired inverted", -vented_box(frequency_hz, 50.0)),
    ):
        heard = textbook.click(response)
        first = int(np.argmax(np.abs(heard)))
        after = heard[first:]
        back = after[np.argmax(-np.sign(heard[first]) * after)]
        rows.append([name, f"{heard[first]:+.2f}", f"{textbook.click_ms(first + 1)[-1]:.1f}", f"{back:+.2f}"])
    return _table("a positive click, corner 50 Hz", ("first movement", "after, ms", "and back"), rows)


def _boxes() -> str:
    """Phase of a closed and a vented box, and what becomes of their sum."""
    ratios = np.array([0.5, 0.7, 1.0, 1.2, 1.4, 2.0, 4.0, 10.0])
    closed, vented = closed_box(ratios, 1.0, np.sqrt(0.5)), vented_box(ratios, 1.0)
    lead = [np.mod(np.degrees(np.angle(h)), 360.0) for h in (closed, vented, vented / closed)]
    possible = np.abs(closed) + np.abs(vented)
    lost = (energy_db((np.abs(closed + sign * vented) / possible) ** 2) for sign in (1.0, -1.0))
    rows = [
        [what, *(f"{deg:.0f}" for deg in degrees)]
        for what, degrees in zip(("closed, ahead by degrees", "vented", "apart"), lead, strict=True)
    ]
    rows += [
        [what, *map(_db, db)] for what, db in zip(("both, dB re all they have", "one inverted"), lost, strict=True)
    ]
    return _table("frequency over the corner", (f"{ratio:g}" for ratio in ratios), rows)


def _crossovers() -> str:
    """What the two ways of a crossover add up to."""
    rows = []
    for order in (2, 4):
        low, high = (linkwitz_riley(_CORNER_HZ, _CORNER_HZ, order, way) for way in ("low", "high"))
        apart = abs(round(float(np.degrees(np.angle(high / low)))))
        levels = [float(energy_db(np.abs(low + sign * high) ** 2)) for sign in (1.0, -1.0)]
        rows.append([f"{6 * order} dB per octave", _db(float(energy_db(np.abs(low) ** 2))), apart, *map(_db, levels)])
    columns = ("each way, dB", "degrees apart", "sum, same polarity, dB", "one inverted, dB")
    return _table("at the corner", columns, rows)


def _sub_delays() -> str:
    """The example: what the program's score makes of delay and polarity of the sub."""
    delay_ms = np.arange(-12.0, 12.005, 0.01)
    frequency_hz = textbook.lines_hz()
    low, high = (linkwitz_riley(frequency_hz, _CORNER_HZ, 4, way) for way in ("low", "high"))
    rows = []
    boxes = f"main from {textbook.MAIN_HZ:.0f} Hz, sub {textbook.SUB_HZ:.0f} to {textbook.LOW_PASS_HZ:.0f} Hz"
    for name, pair in (("crossover alone, 24 dB", (high, low)), (boxes, textbook.main_and_sub())):
        scores = textbook.scores_db(*pair, delay_ms)
        aligned = scores[:, np.argmin(np.abs(delay_ms))]
        best = scores.argmax(axis=1)
        cells = (f"{_db(scores[k, best[k]])} at {_signed(delay_ms[best[k]])} ms" for k in (0, 1))
        rows.append([name, *map(_db, aligned), *cells])
    columns = ("aligned, normal", "aligned, inverted", "normal at its best", "inverted at its best")
    return _table("dB re all they have", columns, rows)


def _signed(ms: float) -> str:
    """A change of delay to a tenth, 0 without a sign."""
    return "0" if abs(ms) < 0.05 else f"{ms:+.1f}"


def _faders() -> str:
    """An inverted monitor against a main when levels part."""
    differences = (0, 0.5, 1, 2, 3, 6, 10)
    rows = [
        [what, *map(_db, textbook.unequal_db(differences, sign))]
        for what, sign in (("inverted: left of the louder, dB", -1.0), ("in polarity: sum re the louder, dB", 1.0))
    ]
    return _table("levels apart, dB", differences, rows)


def _late() -> str:
    """The same when the paths part, as one step aside does."""
    metres = (0, 0.1, 0.2, 0.4, 0.8)
    speed = speed_of_sound_simple(20.0)
    rows = [
        [f"{hz} Hz", *(_db(db) for db in textbook.turned_db([180.0 + 360.0 * hz * m / speed for m in metres]))]
        for hz in (63, 100, 160)
    ]
    return _table("inverted and as loud, paths apart by, m", metres, rows)


if __name__ == "__main__":
    main(sys.argv[1:])
