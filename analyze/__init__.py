"""Delay and polarity for every loudspeaker output, from the recordings of a sound check.

The public API, each name imported when it is first asked for:

    load_sound_check(path)     folder or soundcheck.toml -> SoundCheck
    analyse(sound_check)       SoundCheck -> Analysis
    write_report(analysis, target)
    write_record(report, to)   the folder of a report -> a record of it in the folder `to`
    verify_record(record)      whether a record is complete and valid, and what is not
    open_report(path)          a report or record to be compared
    compare(older, newer)      what changed between two visits
    verify_settings(before, after)   whether recommended settings are in force, and did what was predicted
    history_of(folder)         every record and report below a folder, over time per venue
    make_demo(folder, seed)    a simulated sound check to try it on
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from analyze.version import VERSION as __version__

if TYPE_CHECKING:
    from analyze.archive.comparison import compare
    from analyze.archive.history import history_of
    from analyze.archive.opening import open_report
    from analyze.archive.record import write_record
    from analyze.archive.settings import verify_settings
    from analyze.archive.verification import verify_record
    from analyze.description import SoundCheck, load_sound_check
    from analyze.errors import AnalyzeError
    from analyze.pipeline import Analysis, analyse
    from analyze.reports import write_report
    from analyze.simulate import make_demo

__all__ = [
    "Analysis",
    "AnalyzeError",
    "SoundCheck",
    "__version__",
    "analyse",
    "compare",
    "history_of",
    "load_sound_check",
    "make_demo",
    "open_report",
    "verify_record",
    "verify_settings",
    "write_record",
    "write_report",
]

_HOMES = {
    "Analysis": "analyze.pipeline",
    "AnalyzeError": "analyze.errors",
    "SoundCheck": "analyze.description",
    "analyse": "analyze.pipeline",
    "compare": "analyze.archive.comparison",
    "history_of": "analyze.archive.history",
    "load_sound_check": "analyze.description",
    "make_demo": "analyze.simulate",
    "open_report": "analyze.archive.opening",
    "verify_record": "analyze.archive.verification",
    "verify_settings": "analyze.archive.settings",
    "write_record": "analyze.archive.record",
    "write_report": "analyze.reports",
}


def __getattr__(name: str) -> Any:
    """Import a public name on first use, so that `analyze --help` stays quick."""
    if name not in _HOMES:
        raise AttributeError(f"module 'analyze' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
