"""Every description of the corpus: refused in one clear message, and nothing is touched."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.hostile.broken_descriptions import GOOD, corpus
from tests.hostile.calling import FINISHED, REFUSED, called, check_said, untouched
from tests.hostile.folders import HEAD, check_of

CORPUS = corpus()


@pytest.fixture(scope="module")
def stranger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one good take, and one like it beside it that must not be read."""
    base = tmp_path_factory.mktemp("stranger")
    check_of(base / "check")
    (base / "good.wav").write_bytes((base / "check" / "good.wav").read_bytes())
    return base / "check"


@pytest.mark.parametrize("name", CORPUS)
def test_refused(stranger: Path, name: str) -> None:
    (stranger / "soundcheck.toml").write_bytes(CORPUS[name])
    with untouched(stranger.parent):
        call = called("run", stranger, "--out", stranger.parent / "out", more_bytes=400 << 20)
    check_said(call, REFUSED)
    assert call.problem.startswith(str(stranger / "soundcheck.toml")), call.said


@pytest.mark.parametrize("mark", [b"\xef\xbb\xbf", b""])
def test_not_refused(stranger: Path, mark: bytes) -> None:
    """What the others are made of, with a byte-order mark and without: else they might all fail for one reason."""
    (stranger / "soundcheck.toml").write_bytes(mark + GOOD.encode())
    check_said(called("inspect", stranger), FINISHED)


def test_twenty_thousand_captures(stranger: Path) -> None:
    """Within the size of a description."""
    lines = "\n".join("[[captures]]\nfeeds.main='good.wav'\nmics.mix='good.wav:2'" for _ in range(15_000))
    (stranger / "soundcheck.toml").write_text(HEAD + lines)
    check_said(called("run", stranger, "--out", stranger.parent / "out", more_bytes=1 << 30), REFUSED, most_s=30.0)
