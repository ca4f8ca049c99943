"""The whole way from an analysis to a folder: complete, the same every time, whole or not at all."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from analyze.errors import DescriptionError, OutputError
from analyze.reports import write_report, writer

HERE = Path(__file__).parent


def content(place: Path) -> dict[str, bytes]:
    return {p.relative_to(place).as_posix(): p.read_bytes() for p in sorted(place.rglob("*")) if p.is_file()}


def in_another_process(script: str, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run a script that can import `make_analysis`, with warnings as errors."""
    head = f"import sys; sys.path[:0] = [{str(HERE)!r}, {str(HERE.parents[1])!r}]\n"
    head += "from analysis_making import make_analysis\n"
    return subprocess.run(
        [sys.executable, "-W", "error", "-c", head + script, *arguments],
        capture_output=True,
        text=True,
        env={**os.environ, **environment},
        check=False,
    )


def test_every_file_of_the_contract_is_there(report):
    names = set(content(report))
    assert {"report.html", "results.json", "datapackage.json", "recommendations.csv", "quality.csv"} <= names
    assert sum(name.endswith(".csv") for name in names) == 9
    assert sum(name.startswith("responses/") for name in names) == 16
    plots = {name for name in names if name.startswith("plots/")}
    assert {name.removesuffix(".svg") for name in plots if name.endswith(".svg")} == {
        name.removesuffix(".png") for name in plots if name.endswith(".png")
    }


def test_another_process_writes_the_same_bytes(report, tmp_path):
    script = "from pathlib import Path\nfrom analyze.reports import write_report\n"
    script += "write_report(make_analysis(), Path(sys.argv[1]))"
    done = in_another_process(script, str(tmp_path / "again"), PYTHONHASHSEED="7", TZ="Asia/Tokyo")
    assert done.returncode == 0, done.stderr
    again, first = content(tmp_path / "again"), content(report)
    assert list(again) == list(first)
    assert [name for name in first if again[name] != first[name]] == []


def test_writing_twice_replaces_the_report_with_the_same_bytes(tmp_path, make):
    small = make(("mains",), ("mix",))
    write_report(small, tmp_path / "report")
    before = content(tmp_path / "report")
    write_report(small, tmp_path / "report")
    assert content(tmp_path / "report") == before
    assert [path.name for path in tmp_path.iterdir()] == ["report"]


def test_a_full_disk_leaves_the_earlier_report_whole(tmp_path, make):
    write_report(make(("mains",), ("mix",)), tmp_path / "report")
    before = content(tmp_path / "report")
    script = (
        "import resource\nfrom pathlib import Path\n"
        "from analyze.errors import OutputError\nfrom analyze.reports import write_report\n"
        "analysis = make_analysis()\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))\n"
        "try:\n    write_report(analysis, Path(sys.argv[1]))\n"
        "except OutputError as error:\n    print(error)\n    sys.exit(error.exit_code)\n"
    )
    done = in_another_process(script, str(tmp_path / "report"))
    assert done.returncode == 4, done.stderr
    assert "no space is left" in done.stdout
    assert "Make room" in done.stdout
    assert content(tmp_path / "report") == before
    assert [path.name for path in tmp_path.iterdir()] == ["report"]


def test_a_bug_while_drawing_leaves_the_earlier_report_whole(tmp_path, make, monkeypatch):
    small = make(("mains",), ("mix",))
    write_report(small, tmp_path / "report")
    before = content(tmp_path / "report")

    def broken(*_):
        raise ZeroDivisionError

    monkeypatch.setattr(writer, "page_bytes", broken)
    with pytest.raises(ZeroDivisionError):
        write_report(small, tmp_path / "report")
    assert content(tmp_path / "report") == before
    assert [path.name for path in tmp_path.iterdir()] == ["report"]


def test_the_folder_of_the_recordings_is_refused(analysis):
    with pytest.raises(DescriptionError, match="recordings"):
        write_report(analysis, analysis.sound_check.folder, force=True)


def test_a_place_that_cannot_be_written_is_an_output_error(analysis):
    with pytest.raises(OutputError):
        write_report(analysis, Path("/dev/full/report"))


def test_loading_the_package_loads_no_heavy_library():
    script = "import analyze.reports\n"
    script += "print(sorted({'matplotlib', 'pandas', 'jinja2', 'rich', 'soundfile'} & set(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", "import sys\n" + script], capture_output=True, text=True, check=True, cwd=HERE.parents[1]
    )
    assert done.stdout.strip() == "[]"
