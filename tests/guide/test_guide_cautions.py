"""The guide's cautions are those that are printed on a plan, word for word, and README has them in short."""

from __future__ import annotations

from pathlib import Path

from analyze.guide import text_on
from analyze.reports.cautions import CAUTIONS

README = Path(__file__).parents[2] / "README.md"


def test_one_text_of_the_cautions() -> None:
    items = text_on("cautions").split("\n- ")[1:]
    assert [" ".join(item.split()) for item in items] == list(CAUTIONS)


def test_readme_has_every_caution_in_short() -> None:
    _, _, rest = README.read_text(encoding="utf-8").partition("## Cautions\n")
    short = rest.partition("\n---")[0].lower()
    for caution, words in zip(
        CAUTIONS,
        (("hearing", "85 dba"), ("fade up", "high-pass"), ("turn", "down"), ("mains", "flown"), ("measure again",)),
        strict=True,
    ):
        assert all(word in short and word in caution.lower() for word in words), words
