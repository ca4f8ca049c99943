"""Pages that are made from reports, as they are printed: nothing stands over anything else."""

from __future__ import annotations

from pathlib import Path

from analyze.archive.comparison_rows import Visit
from analyze.archive.settings_folder import SETTINGS_FOLDER
from analyze.archive.settings_rows import OUTCOMES, Applied, Verified

#: Words of a cell that reach into the next one, in pixels of an A4 page within its margins.
_A4_PX = 680
_OVERLAPPING = """() => [...document.querySelectorAll('.applied tr')].flatMap(row => {
  const cells = [...row.cells].filter(cell => cell.colSpan === 1);
  const words = cells.map(cell => {
    const range = document.createRange();
    range.selectNodeContents(cell);
    return range.getBoundingClientRect();
  });
  return words.slice(1).flatMap((one, k) => words[k].right > one.left ? [cells[k].innerText] : []);
})"""


def verified() -> Verified:
    """An output per outcome, with settings as long as they get."""
    visit = Visit("may", "Harbour hall", "2026-05-14", 20.0, False, "0.1.0")
    rows = tuple(
        Applied(
            *(f"sub {number}", "sub", "", "change", 117.25, "inverted", 117.25, "inverted", 117.25, 0.22, "undecided"),
            *(6.0, 6.0, "yes", "undecided", outcome, "", 0.99, "Why."),
        )
        for number, outcome in enumerate(OUTCOMES)
    )
    return Verified(visit, visit, rows, (), (), "", {}, ())


def test_on_paper_no_setting_stands_over_its_outcome(browser, tmp_path: Path) -> None:
    SETTINGS_FOLDER.write(verified(), tmp_path / "verified")
    page = browser.new_page(viewport={"width": _A4_PX, "height": 1000})
    page.emulate_media(media="print")
    page.goto((tmp_path / "verified" / "report.html").as_uri())
    assert page.locator(".applied tbody").count() == len(OUTCOMES)
    assert page.evaluate(_OVERLAPPING) == []
    page.close()
