"""Folders round a hostile file: a stranger's sound check, and what must not be touched beside it."""

from __future__ import annotations

from pathlib import Path

from tests.description_example import FILES
from tests.hostile.broken_audio import RATE_HZ, noise, written

#: A take that can be analysed, the feed and what a microphone hears of it.
GOOD = "good.wav"
GOOD_TAKE = f'name = "good"\nfeeds = {{ main = "{GOOD}:1" }}\nmics = {{ mix = "{GOOD}:2" }}'

HEAD = """format = 1
[outputs.main]
kind = "main"
[positions.mix]
zone = "audience"
"""


def check_of(folder: Path, *captures: str, head: str = HEAD) -> Path:
    """A sound check with one good take and these captures, each the lines of its table."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / GOOD).write_bytes(written(noise()))
    text = head + "".join(f"[[captures]]\n{lines}\n" for lines in captures)
    (folder / "soundcheck.toml").write_text(text, encoding="utf-8")
    return folder


def uses_of(file: str, name: str = "") -> list[str]:
    """The captures of every way in which a file may be used: microphone, feed, recorder of its own, input, alone."""
    return [
        f'name = "mic {name}"\nfeeds = {{ main = "{GOOD}:1" }}\nmics = {{ mix = "{file}" }}',
        f'name = "feed {name}"\nfeeds = {{ main = "{file}" }}\nmics = {{ mix = "{GOOD}:2" }}',
        f'name = "own {name}"\nfeeds = {{ main = "{GOOD}:1" }}\nmics = {{ mix = "{file}" }}\nunsynced = ["{file}"]',
        f'name = "input {name}"\ninputs = {{ a = "{GOOD}:1", b = "{file}" }}',
        f'name = "unfed {name}"\nplaying = ["main"]\nmics = {{ mix = "{file}" }}',
    ]


def recordings_of_example(folder: Path) -> Path:
    """A second of noise in every file that the example of every key names."""
    for name, n_channels in FILES.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(written(noise(RATE_HZ, n_channels)))
    return folder
