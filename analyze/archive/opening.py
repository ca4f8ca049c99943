"""A report or a record, opened as one thing to compare with others.

A report is a folder that `analyze run` wrote. A record is a bag that holds one under `data/report`; whether every byte
of it is as it was is asked by `analyze archive verify`, not here. Nothing outside the folder is read: a path in it that
leaves it is refused.
"""

from __future__ import annotations

import hashlib
import math
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from analyze.archive.about import REPORT
from analyze.archive.bag import is_bag
from analyze.archive.formats import check_format, check_record_format
from analyze.description_text import FILE_NAME
from analyze.errors import DescriptionError
from analyze.reports.datapackage import FORMAT, REPORT_NAME
from analyze.reports.naming import clean
from analyze.reports.reading import Unreadable, manifest_of, read_object
from analyze.reports.writer import RESULTS

if TYPE_CHECKING:
    import pandas as pd

#: Larger files than this are no results of ours.
_MOST_BYTES = 1 << 30
#: The air that is assumed where none is described, degrees Celsius.
_DEFAULT_C = 20.0
#: Larger figures than this are no levels.
_MOST_DB = 1000.0
_AGAIN = "Make the report again with analyze run; analyze archive verify says what else is damaged in a record."
_SIGNS = {"normal": 1, "inverted": -1}


@dataclass(frozen=True)
class Impulse:
    """One impulse response: samples (sample,) from the moment the feed left, and their rate."""

    samples: NDArray[np.float64]
    sample_rate_hz: int


@dataclass(frozen=True)
class ReportRead:
    """A report or record that was opened.

    place : the folder as the user named it; folder : the report itself; is_record : whether it came out of a record
    results : the content of `results.json`
    """

    place: Path
    folder: Path
    is_record: bool
    results: Mapping[str, Any] = field(repr=False)

    @property
    def name(self) -> str:
        """What the user calls it: the name of its folder."""
        return self.place.resolve().name

    @property
    def recordings(self) -> str:
        """One figure for all recordings that were read, by their checksums; empty where none are named."""
        return _figure(sorted(str(one["sha256"]) for one in self.results.get("input_files") or ()))

    @property
    def heard_files(self) -> frozenset[str]:
        """Checksums of the recordings that hold a microphone: no two visits have one in common."""
        tracks = [track for one in self.check.get("captures") or () for track in (one.get("mics") or {}).values()]
        files = {track.get("file") for track in tracks}
        every = self.results.get("input_files") or ()
        return frozenset(str(one["sha256"]) for one in every if one.get("path") in files)

    @property
    def sound(self) -> str:
        """One figure for what was heard, however it is stored: levels, phases and coherences of all bands.

        No two takes of one rig are alike to their last digit. Empty where the report holds none.
        """
        figures = ("output", "position", "band_hz", "level_db", "phase_deg", "coherence")
        rows = self.results.get("bands") or ()
        return _figure(sorted(str([row.get(name) for name in figures]) for row in rows if isinstance(row, dict)))

    @property
    def doubts(self) -> tuple[str, ...]:
        """Findings that put its description in doubt, and all that it says with it."""
        from analyze.reports.page_findings import is_doubt

        rows = [row for row in self.results.get("quality") or () if isinstance(row, dict)]
        doubtful = (str(row["finding"]) for row in rows if is_doubt(str(row.get("finding")), str(row.get("severity"))))
        return tuple(dict.fromkeys(doubtful))

    @property
    def title(self) -> str:
        """Title of the sound check, or the name of the folder."""
        return str(self.check.get("title") or self.name)

    @property
    def date(self) -> str:
        """Date of the sound check as YYYY-MM-DD, empty if none was given."""
        return str(self.check.get("date") or "")

    @property
    def venue(self) -> str:
        """Venue of the sound check, empty if none was given."""
        venue = self.check.get("notes", {}).get("venue")
        return clean(venue) if isinstance(venue, str) else ""

    @property
    def check(self) -> Mapping[str, Any]:
        """The description as it was understood, every default resolved."""
        return self.results["sound_check"]  # type: ignore[no-any-return]

    @property
    def temperature_c(self) -> float:
        """Temperature of the sound check, the default where none was described."""
        return float(self.check.get("temperature_c", _DEFAULT_C))

    @property
    def is_temperature_assumed(self) -> bool:
        """Whether none was described; of a report that does not say, whether it is the default."""
        return bool(self.check.get("is_temperature_assumed", self.temperature_c == _DEFAULT_C))

    @property
    def version(self) -> str:
        """Version of the program that wrote it."""
        return str(self.results["program"].get("version", ""))

    @property
    def outputs(self) -> tuple[str, ...]:
        """Outputs in the order of the description, as far as the tables tell it: objects in JSON have none."""
        return self._in_order("output", self.check["outputs"])

    @property
    def positions(self) -> tuple[str, ...]:
        """Positions in the order of the description, as far as the tables tell it."""
        return self._in_order("position", self.check["positions"])

    def _in_order(self, column: str, names: Mapping[str, Any]) -> tuple[str, ...]:
        rows = [*(self.results.get("recommendations") or ()), *self.results["arrivals"]]
        told = (str(row.get(column)) for row in rows if isinstance(row, dict))
        return tuple(name for name in dict.fromkeys([*told, *names]) if name in names)

    def output(self, name: str) -> Mapping[str, Any]:
        """What the description says of an output."""
        return self.check["outputs"][name]  # type: ignore[no-any-return]

    def position(self, name: str) -> Mapping[str, Any]:
        """What the description says of a position."""
        return self.check["positions"][name]  # type: ignore[no-any-return]

    def setting(self, output: str) -> tuple[float, int]:
        """Setting in force as described: delay in ms, sign."""
        setting = self.output(output)["setting"]
        return float(setting["delay_ms"]), _SIGNS[setting["polarity"]]

    def latency_ms(self, output: str) -> float:
        """Latency of an output's path as described, NaN if it is not known."""
        latency = self.output(output).get("latency_ms")
        return math.nan if latency is None else float(latency)

    def table(self, name: str) -> pd.DataFrame:
        """One of the tables by its name, NaN where a number is not known.

        Raises
        ------
        DescriptionError : the report holds no such table
        """
        import pandas as pd

        from analyze.reports.columns import table

        if not isinstance(self.results.get(name), list):
            raise _not_one(self.place, f"its {RESULTS} holds no {name}")
        columns = {column.name: column.type for column in table(name).columns}
        try:
            frame = pd.DataFrame(self.results[name], columns=list(columns))
            numbers = [column for column, kind in columns.items() if kind != "string"]
            frame[numbers] = frame[numbers].astype(float)
            if (frame.filter(regex="_db$").abs() > _MOST_DB).any(axis=None):
                raise ValueError("no level")
        except (TypeError, ValueError) as error:
            raise _not_one(self.place, f"the {name} in its {RESULTS} are not as the program wrote them") from error
        for column in (one for one, kind in columns.items() if kind == "string"):
            texts = ["" if value is None or value != value else str(value) for value in frame[column]]
            frame[column] = pd.Series(texts, dtype=object)
        return frame

    def rows(self, name: str) -> list[dict[str, Any]]:
        """The rows of a table as dictionaries: texts, and numbers with NaN where they are not known."""
        return self.table(name).to_dict("records")  # type: ignore[return-value]

    def by_output(self, name: str) -> dict[str, dict[str, Any]]:
        """The rows of a table of one row per output; none where the report holds no such table."""
        return {row["output"]: row for row in self.rows(name)} if name in self.results else {}

    @cached_property
    def wiring(self) -> dict[str, dict[str, Any]]:
        """The wiring of every output of which the report has a row."""
        return self.by_output("wiring")

    @cached_property
    def heard(self) -> frozenset[tuple[str, str]]:
        """Every (output, position) that has an impulse response."""
        files = self.results["responses"]
        return frozenset((output, position) for output in files for position in files[output])

    def response(self, output: str, position: str) -> Impulse:
        """The impulse response of an output at a position, at the settings that were in force.

        Raises
        ------
        DescriptionError : the file is missing, damaged, or lies outside the report
        """
        import soundfile

        name = str(self.results["responses"][output][position])
        try:
            path = (self.folder / name).resolve()
        except (ValueError, OSError, RuntimeError) as error:  # no disk has such a name, or it is a loop of links
            raise _not_one(self.place, f"the path {name!r} is none") from error
        if not path.is_relative_to(self.folder.resolve()):
            raise _not_one(self.place, f"the path {name!r} leads out of it")
        try:
            samples, rate_hz = soundfile.read(path, dtype="float64", always_2d=True)
        except (OSError, RuntimeError) as error:
            raise DescriptionError("an impulse response cannot be read.", _AGAIN, path=path) from error
        if not len(samples) or not np.isfinite(samples).all():
            raise DescriptionError("an impulse response is damaged.", _AGAIN, path=path)
        return Impulse(samples[:, 0], int(rate_hz))


class Heard(Protocol):
    """What was made from recordings, with a figure for them and one for what was heard; empty where not known."""

    @property
    def recordings(self) -> str:
        """For the recordings, by their checksums."""

    @property
    def sound(self) -> str:
        """For what was heard in them, however they are stored."""


def are_one(first: Heard, second: Heard) -> bool:
    """Whether both were made from the same recordings, stored otherwise or not."""
    pairs = (first.recordings, second.recordings), (first.sound, second.sound)
    return any(one and one == other for one, other in pairs)


def _figure(parts: list[str]) -> str:
    """One figure for them all; empty for none."""
    return hashlib.sha256("".join(parts).encode()).hexdigest() if parts else ""


def venue_key(venue: str) -> str:
    """What names of one venue have in common, however it is spelt.

    >>> venue_key("Harbour  Hall") == venue_key("harbour hall")
    True
    """
    return unicodedata.normalize("NFKC", " ".join(venue.split())).casefold()


def open_report(path: Path) -> ReportRead:
    """Open a report folder or a record.

    Raises
    ------
    DescriptionError : there is neither, or it is of a later format than this program knows
    """
    place = Path(path).expanduser()
    is_record = is_bag(place)
    if is_record:
        check_record_format(place)
    folder = place / REPORT if is_record else place
    return ReportRead(place, folder, is_record, _results(place, folder / RESULTS))


def _results(place: Path, file: Path) -> Mapping[str, Any]:
    """Results that hold what every report holds, in a format that is known."""
    from analyze.archive.results_form import what_is_wrong

    shown = file.relative_to(place).as_posix()
    if not place.is_dir():
        raise DescriptionError("no such folder (expected a report or a record).", "Check the path.", path=place)
    try:
        is_inside = file.resolve().is_relative_to(place.resolve())
    except (OSError, RuntimeError) as error:  # a loop of links
        raise _not_one(place, f"its {shown} leads nowhere") from error
    if not is_inside:
        raise _not_one(place, f"its {shown} leads out of it")
    try:
        results = read_object(file, _MOST_BYTES)
    except Unreadable as error:
        raise _not_one(place, f"its {shown} {error}") from error
    check_format(results.get("format"), FORMAT, place)
    wrong = what_is_wrong(results)
    if wrong:
        raise _not_one(place, f"its {shown} is not as the program wrote it: {wrong}")
    return results


def _not_one(place: Path, why: str) -> DescriptionError:
    """Neither a report nor a record, and what it is instead where that shows."""
    name = manifest_of(place).get("name")
    mend = "Give a folder that analyze run or analyze archive wrote."
    if name not in (None, REPORT_NAME):
        mend = "It is a folder that was made from reports. Give the reports or records themselves."
    elif (place / FILE_NAME).is_file() and name is None:
        mend = f"This is a sound check: analyze it first (analyze run {place}), then use its report."
    return DescriptionError(f"is neither a report nor a record ({why}).", mend, path=place)
