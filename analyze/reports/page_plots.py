"""Drawings on the page: SVG that follows the page's light or dark colours and cannot disturb it.

A drawing is put in as elements, so that its text can be searched and read aloud. Its identifiers get a prefix of their
own, its style sheet goes (it would apply to the whole page), its colours become variables of the page, its styles
classes shared by all drawings, and coordinates are rounded to a tenth of a point: a page of many drawings stays small.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from markupsafe import Markup

from analyze.reports.plot_style import COLOURS

_TAG = re.compile(r"<[^>]*>", re.DOTALL)
_REFERENCE = re.compile(r'(id="|url\(#|href="#)')
_STYLE = re.compile(r' style="([^"]*)"')
_FINE = re.compile(r"(\d\.\d)\d+")
_NO_TURN = re.compile(r' transform="rotate\(-?0 [^)]*\)"')
_FONT = re.compile(r"font-family:[^;]*;?")
_NOT_DRAWN = re.compile(r"<metadata>.*?</metadata>|<style[^>]*>.*?</style>", re.DOTALL)

_VARIABLES = {light: f"var(--{role})" for role, (light, _) in COLOURS.items()}


class InlineDrawings:
    """The drawings of one page and the style rules they share."""

    def __init__(self) -> None:
        self._classes: dict[str, str] = {}
        self._n_drawings = 0

    def add(self, svg: bytes, title: str) -> Markup:
        """One drawing as an `<svg>` element with a name for screen readers."""
        self._n_drawings += 1
        text = _NOT_DRAWN.sub("", svg.decode("utf-8"))
        text = text[text.index("<svg") :]
        width, height = re.findall(r'(?:width|height)="([\d.]+)pt"', text)[:2]
        opening = Markup('<svg class="plot" role="img" aria-label="{}" viewBox="0 0 {} {}" width="{}" height="{}">')
        body = "".join(self._pieces(text[text.index(">") + 1 :], f"d{self._n_drawings}"))
        return opening.format(title, width, height, _pixels(width), _pixels(height)) + Markup(body)

    def rules(self) -> str:
        """Style rules of the classes given to the drawings so far."""
        return "\n".join(f".{name}{{{style}}}" for style, name in self._classes.items())

    def _pieces(self, text: str, prefix: str) -> Iterator[str]:
        """Tags rewritten for the page, text between them as it is; groups that say nothing are left out."""
        at, kept = 0, []
        for match in _TAG.finditer(text):
            between = text[at : match.start()]
            at = match.end()
            if between.strip():
                yield between
            tag = self._rewritten(match[0], prefix)
            if tag.startswith("<g") and not tag.endswith("/>"):
                kept.append(tag != "<g>")
                tag = tag if kept[-1] else ""
            elif tag == "</g>":
                tag = tag if kept.pop() else ""
            yield tag

    def _rewritten(self, tag: str, prefix: str) -> str:
        """One tag with its own identifiers, a class for its style, the page's colours and rounded coordinates."""
        if tag.startswith("<g "):
            tag = re.sub(r' id="[^"]*"', "", tag)
        style = _STYLE.search(tag)
        tag = _STYLE.sub("", _NO_TURN.sub("", " ".join(tag.split())))
        tag = _FINE.sub(r"\1", tag.replace(' "', '"').replace(" />", "/>"))
        tag = _REFERENCE.sub(rf"\g<1>{prefix}", tag)
        if style is None:
            return tag
        end = "/>" if tag.endswith("/>") else ">"
        return f'{tag[: -len(end)]} class="{self._class(style[1])}"{end}'

    def _class(self, style: str) -> str:
        """The class for a style, new if the style is."""
        style = _FONT.sub("", " ".join(style.split())).strip("; ")
        for light, variable in _VARIABLES.items():
            style = style.replace(light, variable)
        return self._classes.setdefault(style.replace(": ", ":").replace("; ", ";"), f"p{len(self._classes)}")


def _pixels(points: str) -> str:
    """Points as style pixels, 72 and 96 to the inch."""
    return f"{float(points) * 96 / 72:.0f}"


def colour_rules() -> str:
    """Style rules for the variables of all roles, light and dark."""
    light, dark = (" ".join(f"--{role}: {pair[i]};" for role, pair in COLOURS.items()) for i in (0, 1))
    return f":root {{ {light} }}\n@media screen and (prefers-color-scheme: dark) {{ :root {{ {dark} }} }}\n"
