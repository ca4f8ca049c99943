"""The manual, shipped with the program: one Markdown file per topic beside this one."""

from __future__ import annotations

import difflib
import re
from importlib.resources import files
from typing import TYPE_CHECKING

from analyze.errors import DescriptionError
from analyze.guide.words import headings_for

if TYPE_CHECKING:
    from collections.abc import Mapping

_LOOK_ALIKE = 0.5
# A word that more passages hold than this tells nothing.
_MOST_PASSAGES = 12
# Headings that begin alike: more tell nothing.
_MOST_HEADINGS = 3


def topics() -> dict[str, str]:
    """Topic -> its title, in alphabetical order."""
    pages = {page.name: page.read_text(encoding="utf-8") for page in files(__name__).iterdir() if _is_page(page.name)}
    return {name.removesuffix(".md"): _title(pages[name].splitlines()[0]) for name in sorted(pages)}


def text_on(subject: str) -> str:
    """What the guide says on a topic, under a heading such as the name of a finding, or of a word; Markdown.

    Raises DescriptionError for a subject that there is not, with those that look like it.
    """
    wanted = " ".join(subject.lower().split())
    pages = {topic: (files(__name__) / f"{topic}.md").read_text(encoding="utf-8") for topic in topics()}
    parts: dict[str, str] = {}
    for topic, page in pages.items():
        parts |= {name: text for name, text in _sections(page).items() if name not in parts}
        parts[topic] = page
    if wanted in parts:
        return parts[wanted]
    if elsewhere := headings_for(wanted):
        return "\n".join(parts.get(heading) or _passages(pages, heading) for heading in elsewhere)
    if said := _begun(parts, wanted) or _passages(pages, wanted):
        return said
    topic, _, word = wanted.partition(" ")
    if topic in pages and (said := parts.get(word) or _begun(parts, word)):
        return said
    if topic in pages and (said := _passages({topic: pages[topic]}, word)):
        return said
    alike = difflib.get_close_matches(wanted, parts, n=3, cutoff=_LOOK_ALIKE)
    mend = f"Did you mean {' or '.join(alike)}?" if alike else "`analyze guide` lists the topics."
    raise DescriptionError(f"the guide has nothing on {subject!r}.", mend)


def _begun(parts: Mapping[str, str], words: str) -> str:
    """What stands under headings of which so many words are the beginning, as of a finding's long name; else empty."""
    found = [text for name, text in parts.items() if name.startswith(f"{words} ")] if " " in words else []
    return "\n".join(found) if len(found) <= _MOST_HEADINGS else ""


def _passages(pages: Mapping[str, str], word: str) -> str:
    """Lines of tables and paragraphs that tell of a word as a word of the program's, page by page; empty for none.

    Where it is nowhere told of as such, in `code`, those that hold it.
    """
    as_said = re.escape(word)
    for pattern in (f"`{as_said}`", rf"(?<!\w){as_said}(?!\w)"):
        found = {
            topic: [one for one in _blocks(page) if re.search(pattern, one.lower())] for topic, page in pages.items()
        }
        told = [f"## In `analyze guide {topic}`\n\n" + "\n\n".join(blocks) for topic, blocks in found.items() if blocks]
        if word and 0 < sum(map(len, found.values())) <= _MOST_PASSAGES:
            return "\n\n".join(told) + "\n"
    return ""


def _blocks(page: str) -> list[str]:
    """A page in paragraphs, lines of tables and items of lists; headings, commands and plots left out."""
    blocks = []
    for block in re.split(r"\n\s*\n", page):
        is_in_lines = block.lstrip().startswith(("|", "- ", "* ", "1. "))
        parts = re.split(r"\n(?=\||[-*] |\d+\. )", block) if is_in_lines else [block]
        blocks += [part.strip("\n") for part in parts if not part.startswith(("#", "    ", "!", "| ---"))]
    return blocks


def for_terminal(text: str) -> str:
    """Markdown in which every plot is a line that says what it shows and where it lies."""
    return re.sub(r"!\[(.*?)\]\((.+?)\)", lambda plot: f"[Plot: {plot[1]}: {files(__name__) / plot[2]}]", text)


def _is_page(name: str) -> bool:
    return name.endswith(".md")


def _title(heading: str) -> str:
    return heading.lstrip("#").strip()


def _sections(page: str) -> dict[str, str]:
    """Heading in lower case -> the heading with what stands below it, up to the next of its rank or higher."""
    lines = page.splitlines()
    headings = [(k, len(line) - len(line.lstrip("#"))) for k, line in enumerate(lines) if line.startswith("#")]
    sections = {}
    for n, (start, rank) in enumerate(headings):
        stop = next((k for k, other in headings[n + 1 :] if other <= rank), len(lines))
        sections[_title(lines[start]).lower()] = "\n".join(lines[start:stop]).rstrip() + "\n"
    return sections
