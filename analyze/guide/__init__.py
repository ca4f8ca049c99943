"""The manual, shipped with the program: one Markdown file per topic beside this one."""

from __future__ import annotations

import difflib
import re
from importlib.resources import files

from analyze.errors import DescriptionError

_LOOK_ALIKE = 0.5


def topics() -> dict[str, str]:
    """Topic -> its title, in alphabetical order."""
    pages = {page.name: page.read_text(encoding="utf-8") for page in files(__name__).iterdir() if _is_page(page.name)}
    return {name.removesuffix(".md"): _title(pages[name].splitlines()[0]) for name in sorted(pages)}


def text_on(subject: str) -> str:
    """What the guide says on a topic, or under a heading such as the name of a finding; Markdown.

    Raises DescriptionError for a subject that there is not, with those that look like it.
    """
    wanted = subject.strip().lower()
    parts: dict[str, str] = {}
    for topic in topics():
        page = (files(__name__) / f"{topic}.md").read_text(encoding="utf-8")
        parts |= {name: text for name, text in _sections(page).items() if name not in parts}
        parts[topic] = page
    if wanted in parts:
        return parts[wanted]
    alike = difflib.get_close_matches(wanted, parts, n=3, cutoff=_LOOK_ALIKE)
    mend = f"Did you mean {' or '.join(alike)}?" if alike else "`analyze guide` lists the topics."
    raise DescriptionError(f"the guide has nothing on {subject!r}.", mend)


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
