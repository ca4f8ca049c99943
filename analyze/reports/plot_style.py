"""How every plot looks, and how a drawing becomes SVG and PNG with bytes that depend on the drawing alone.

One colour, line style and marker per output for the whole report. The colours stay apart for readers with any of the
three colour-vision deficiencies (Machado, Oliveira & Fernandes 2009), and never carry a meaning alone. Colours have
roles; a page maps them to its light or dark variant through style variables named after the roles.
"""

from __future__ import annotations

import io
import math
import warnings
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analyze.reports.naming import labels

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

    from analyze.pipeline import Analysis

#: Light and dark variant of every colour by its role; `s0`... are the outputs in the order of the description.
COLOURS = {
    "paper": ("#ffffff", "#14181d"),
    "ink": ("#1b232d", "#e6eaef"),
    "muted": ("#56616e", "#a3aebb"),
    "grid": ("#dde2e8", "#323a44"),
    "shade": ("#eef1f4", "#1f262e"),
    "upright": ("#d9e6f6", "#1d3a58"),
    "flipped": ("#f9dfcc", "#5c3215"),
    "unclear": ("#e9ebee", "#2b323a"),
    "present": ("#5b6571", "#a9b3be"),
    "recommended": ("#00665e", "#4fc9b5"),
    "s0": ("#164f9c", "#72d0f5"),
    "s1": ("#c8500f", "#f0602c"),
    "s2": ("#0b4f3a", "#dff4e0"),
    "s3": ("#97307f", "#b860b0"),
    "s4": ("#28a08f", "#60ac98"),
    "s5": ("#30101c", "#b05048"),
    "s6": ("#8f6be0", "#9464e0"),
    "s7": ("#8f8f3a", "#e6d07c"),
}

N_SERIES = sum(role[0] == "s" and role[1:].isdigit() for role in COLOURS)

_LINES: tuple[Any, ...] = ("-", (0, (5, 1.5)), (0, (1.2, 1.2)), (0, (6, 1.5, 1.2, 1.5)))
_MARKERS = ("o", "s", "^", "D", "v", "P", "<", ">", "p")

# A white square is what readers know as 'a character this font lacks'.
_LACKING = "□"

_RC: Any = {
    "axes.axisbelow": True,
    "axes.edgecolor": COLOURS["muted"][0],
    "axes.labelcolor": COLOURS["ink"][0],
    "axes.labelsize": 9,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "axes.titlesize": 9.5,
    "axes.unicode_minus": True,
    "figure.facecolor": COLOURS["paper"][0],
    "axes.facecolor": COLOURS["paper"][0],
    "font.family": "DejaVu Sans",
    "font.size": 9,
    "grid.color": COLOURS["grid"][0],
    "grid.linewidth": 0.7,
    "legend.fontsize": 8.5,
    "legend.frameon": False,
    "lines.linewidth": 1.5,
    "lines.markersize": 4.5,
    "svg.fonttype": "none",
    "svg.hashsalt": "sound check",
    "text.color": COLOURS["ink"][0],
    "text.parse_math": False,
    "xtick.color": COLOURS["muted"][0],
    "xtick.labelsize": 8.5,
    "ytick.color": COLOURS["muted"][0],
    "ytick.labelsize": 8.5,
}

_PNG_DPI = 150

# Room for a frequency beside the next on an axis, in inches: `31.5` at 8.5 points is 0.26.
_TICK_LABEL_IN = 0.36


def colour(role: str) -> str:
    """The light variant of a role, which is what files are drawn in."""
    return COLOURS[role][0]


@dataclass(frozen=True)
class Series:
    """The look of one output: its label and what its line is drawn with."""

    label: str
    colour: str
    line: Any
    marker: str

    def keywords(self) -> dict[str, Any]:
        """Keywords for `Axes.plot`."""
        return {
            "label": self.label,
            "color": self.colour,
            "linestyle": self.line,
            "marker": self.marker,
            "markeredgecolor": self.colour,
        }


class Look:
    """Labels of outputs and positions, and the series of each output, fixed for the whole report."""

    def __init__(self, outputs: Iterable[str], positions: Iterable[str]) -> None:
        outputs = list(outputs)
        self.outputs, self.positions = labels(outputs), labels(positions)
        self.series = {name: self._series(index, self.outputs[name]) for index, name in enumerate(outputs)}

    @staticmethod
    def _series(index: int, label: str) -> Series:
        """Colour, line and marker number `index`; no two of the first 72 are alike."""
        marker = _MARKERS[index % len(_MARKERS)]
        return Series(label, colour(f"s{index % N_SERIES}"), _LINES[index % len(_LINES)], marker)

    @classmethod
    def of(cls, analysis: Analysis) -> Look:
        """The look for one analysis: outputs and positions in the order of the description."""
        return cls(analysis.sound_check.outputs, analysis.sound_check.positions)


def render(draw: Callable[[Figure], None], size_in: tuple[float, float]) -> tuple[bytes, bytes]:
    """Draw once and return the figure as SVG and as PNG.

    Parameters
    ----------
    draw : draws on an empty figure
    size_in : width and height in inches
    """
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with matplotlib.rc_context(_RC), warnings.catch_warnings():
        # The SVG holds text, which the reader's fonts draw; that the font used for measuring lacks it does not matter.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure = Figure(figsize=size_in)
        FigureCanvasAgg(figure)
        draw(figure)
        svg, png = io.BytesIO(), io.BytesIO()
        figure.savefig(svg, format="svg", metadata={"Date": None, "Creator": None})
        _replace_lacking(figure)
        figure.savefig(png, format="png", dpi=_PNG_DPI, metadata={"Software": None})
    return svg.getvalue(), png.getvalue()


def _replace_lacking(figure: Figure) -> None:
    """Put white squares for characters that the font of the plots lacks, before pixels are drawn."""
    from matplotlib.font_manager import findfont, get_font
    from matplotlib.text import Text

    known = get_font(findfont("DejaVu Sans")).get_charmap()

    def replaced(text: str) -> str:
        return "".join(c if ord(c) in known else _LACKING for c in text)

    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            names = [label.get_text() for label in axis.get_ticklabels()]
            if any(replaced(name) != name for name in names):
                axis.set_ticklabels([replaced(name) for name in names])
    for item in figure.findobj(Text):
        assert isinstance(item, Text)
        item.set_text(replaced(item.get_text()))


def place(figure: Figure, left: float, right: float, top: float, bottom: float) -> None:
    """Set the margins around the axes, in inches."""
    width, height = figure.get_size_inches()
    figure.subplots_adjust(left=left / width, right=1 - right / width, top=1 - top / height, bottom=bottom / height)


def title(figure: Figure, text: str) -> None:
    """The title, at the upper left corner."""
    height = figure.get_size_inches()[1]
    figure.text(0.1 / figure.get_size_inches()[0], 1 - 0.1 / height, text, va="top", fontsize=10, fontweight="bold")


def not_drawn(figure: Figure, text: str, error: str) -> None:
    """What stands where a drawing failed: the title, and that the figures are not lost."""
    title(figure, text)
    said = f"This plot could not be drawn: a bug in the program ({error}).\nIts figures stand in the tables."
    figure.text(0.5, 0.45, said, ha="center", va="center", fontsize=9)


def legend_above(axes: Axes, n_columns: int, left_in: float | None = None) -> None:
    """A legend between title and axes, in columns; it begins at the axes, or so many inches from the figure's edge."""
    left = 0.0 if left_in is None else (left_in * axes.figure.dpi - axes.bbox.x0) / axes.bbox.width
    axes.legend(
        loc="lower left",
        bbox_to_anchor=(left, 1.0),
        ncols=n_columns,
        borderaxespad=0.3,
        borderpad=0.0,
        handlelength=2.6,
        columnspacing=1.4,
        labelspacing=0.3,
    )


def y_names(axes: Axes, names: list[str]) -> None:
    """Names instead of numbers on a vertical axis that counts 0, 1, ... downwards."""
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(len(names) - 0.5, -0.5)
    axes.tick_params(axis="y", length=0, labelcolor=colour("ink"))


def round_ticks(axis: Axis) -> None:
    """About six ticks at round numbers."""
    from matplotlib.ticker import MaxNLocator

    axis.set_major_locator(MaxNLocator(nbins=6, steps=[1, 2, 5, 10]))


def frequency_axis(axes: Axes, low_hz: float, high_hz: float) -> None:
    """A logarithmic frequency axis with band centres as ticks, as many of them labelled as there is room for."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter

    from analyze.acoustics import band_centres_hz, nominal_hz

    axes.set_xscale("log")
    axes.set_xlim(low_hz, high_hz)
    octaves, thirds = ([nominal_hz(f, n) for f in band_centres_hz(n, low_hz, high_hz)] for n in (1, 3))
    axes.xaxis.set_major_locator(FixedLocator(_labelled(axes, octaves, thirds)))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: frequency_text(hz)))
    axes.xaxis.set_minor_locator(FixedLocator(thirds))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_xlabel("Frequency (Hz)")
    axes.grid(visible=True, which="major")


def _labelled(axes: Axes, octaves: list[float], thirds: list[float]) -> list[float]:
    """All thirds if there is room for their labels, else all octaves, else every second or third of one of them."""
    low_hz, high_hz = axes.get_xlim()
    octave_in = axes.bbox.width / axes.figure.dpi * math.log(2.0) / math.log(high_hz / low_hz)
    for centres, per_octave, step in ((thirds, 3, 1), (octaves, 1, 1), (thirds, 3, 2), (octaves, 1, 2)):
        if octave_in * step / per_octave >= _TICK_LABEL_IN and len(centres[::step]) > 1:
            return centres[::step]
    return octaves[::3] or thirds[::3]


def frequency_text(hz: float) -> str:
    """A frequency as an axis says it.

    >>> frequency_text(31.5), frequency_text(8000.0)
    ('31.5', '8 k')
    """
    return f"{hz / 1000:g} k" if hz >= 1000 else f"{hz:g}"
