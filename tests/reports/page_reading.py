"""Reads a page as a browser would: tags with their attributes, and the text that is seen."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path

VOID = {"meta", "br", "img", "link", "input", "hr"}


class Reader(HTMLParser):
    """Collects tags with attributes and all text outside of style, and checks that tags are nested."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if not {"style", "script"} & set(self.open):
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def read(folder: Path) -> Reader:
    reader = Reader()
    reader.feed((folder / "report.html").read_text("utf-8"))
    reader.close()
    assert reader.open == []
    return reader
