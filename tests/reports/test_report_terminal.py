"""The closing words on the terminal: plain, narrow, safe with any name."""

from __future__ import annotations

import dataclasses
import io
from pathlib import Path

import pytest
from rich.console import Console

from analyze.findings import Finding
from analyze.reports import print_summary
from analyze.reports.page_sheet import identity
from analyze.reports.reading import fingerprint_of


def printed(analysis, width: int = 80, target: Path | None = None, encoding: str = "utf-8") -> str:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding=encoding, errors="backslashreplace")
    print_summary(analysis, target, console=Console(file=stream, width=width))
    stream.flush()
    return raw.getvalue().decode(encoding)


def test_settings_reasons_findings_and_place_are_said(analysis):
    text = printed(analysis, target=Path("/tmp/reports/harbour"))
    assert "sub left     2.00 ms normal   5.00 ms inverted" in text
    assert "Not decided: keep for now" in text
    assert "3.00 ms later = 1.0 m, 3.5 ft." in " ".join(text.split())
    assert "(0.84 ms on kick in (0.3 m, 1 ft), inverted)" in " ".join(text.split())
    assert "Upside down against the mains" in text
    assert "+1.2 dB" in text
    assert "93 %" in text
    assert text.index("error (lawn)") < text.index("warning (all in turn: mix, take1.wav, channel 40, at 3.25 s)")
    assert "Hum" not in text
    assert text.rstrip().endswith("Report: /tmp/reports/harbour/report.html")


def test_what_stays_as_it_is_has_no_gain(analysis):
    lines = printed(analysis).splitlines()
    gains = {line[:12].strip(): " dB " in line for line in lines if line.startswith(tuple(analysis.recommended_change))}
    assert gains == {"mains": False, "sub left": True, "lawn tower": False, "wedge": False}


def test_it_fits_eighty_columns_and_has_no_control_codes(hostile):
    text = printed(hostile)
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "[red]bold[/red]" in text


def test_a_terminal_without_unicode_is_enough(analysis):
    text = printed(analysis, encoding="ascii")
    assert "\\u" not in text
    assert "5.00 ms inverted" in text


def test_a_long_path_stays_in_one_piece(analysis):
    target = Path("/tmp") / ("deep/" * 30)
    assert f"Report: {target / 'report.html'}\n" in printed(analysis, target=target)


def test_many_findings_are_counted(analysis):
    many = tuple(Finding("clipping", "warning", "Turn it down.", f"take {i}") for i in range(30))
    text = printed(dataclasses.replace(analysis, findings=many))
    assert text.count("Turn it down.") == 12
    assert "18 more stand in quality.csv." in text


def test_it_goes_to_stderr(analysis, capsys):
    print_summary(analysis)
    out, err = capsys.readouterr()
    assert out == ""
    assert "sub left" in err


@pytest.mark.parametrize("before", ["", "same", "512632e4"])
def test_a_report_that_gave_way_is_named(analysis, tmp_path, before):
    """Of another description or other recordings: with it one would compare."""
    stream = io.StringIO()
    known = identity(analysis) if before == "same" else before
    print_summary(analysis, tmp_path, before=known, console=Console(file=stream, width=100))
    said = " ".join(stream.getvalue().split())
    is_other = before == "512632e4"
    assert ("It took the place of another report, fingerprint 512632e4: use --out to keep both." in said) is is_other


def test_the_fingerprint_of_a_report_is_read(report, analysis, tmp_path):
    assert fingerprint_of(report) == identity(analysis)
    assert fingerprint_of(tmp_path) == ""
    (tmp_path / "results.json").write_text("[]")
    assert fingerprint_of(tmp_path) == ""
