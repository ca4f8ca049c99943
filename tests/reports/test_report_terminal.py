"""The closing words on the terminal: plain, narrow, safe with any name."""

from __future__ import annotations

import dataclasses
import io
from pathlib import Path

from rich.console import Console

from analyze.findings import Finding
from analyze.reports import print_summary


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
