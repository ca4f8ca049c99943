"""A report or a record, opened as one thing to compare with others.

A report is a folder that `analyze run` wrote. A record is a bag that holds one under `data/report`; whether every byte
of it is as it was is asked by `analyze archive verify`, not here. Nothing outside the folder is read: a path in it that
leaves it is refused.
"""

from __future__ import annotations

import json
import math
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analyze.errors import DescriptionError

if TYPE_CHECKING:
    import pandas as pd

#: Newest format of reports that this program understands; formats from 1 on are read.
FORMAT = 1

_RESULTS, _BAG, _INSIDE = "results.json", "bagit.txt", Path("data") / "report"
#: Larger files than this are no results of ours.
_MOST_BYTES = 1 << 30
#: What every report says, each with its kind.
_KEYS = {"format": int, "program": dict, "sound_check": dict, "arrivals": list, "bands": list, "responses": dict}
_CHECK_KEYS = {"outputs": dict, "positions": dict, "captures": list}
#: So much of what is lacking is named.
_MOST_NAMED = 5
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
    def title(self) -> str:
        """Title of the sound check, or the name of the folder."""
        return str(self.check.get("title") or self.name)

    @property
    def date(self) -> str:
        """Date of the sound check as YYYY-MM-DD, empty if none was given."""
        return str(self.check.get("date") or "")

    @property
    def check(self) -> Mapping[str, Any]:
        """The description as it was understood, every default resolved."""
        return self.results["sound_check"]  # type: ignore[no-any-return]

    @property
    def temperature_c(self) -> float:
        """Temperature of the sound check; 20 is the default too."""
        return float(self.check.get("temperature_c", 20.0))

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
            raise _not_one(self.place, f"its {_RESULTS} holds no {name}")
        columns = {column.name: column.type for column in table(name).columns}
        frame = pd.DataFrame(self.results[name], columns=list(columns))
        numbers = [column for column, kind in columns.items() if kind != "string"]
        frame[numbers] = frame[numbers].apply(pd.to_numeric)
        texts = [column for column, kind in columns.items() if kind == "string"]
        frame[texts] = frame[texts].astype(object).where(frame[texts].notna(), "")
        return frame

    def rows(self, name: str) -> list[dict[str, Any]]:
        """The rows of a table as dictionaries: texts, and numbers with NaN where they are not known."""
        return self.table(name).to_dict("records")  # type: ignore[return-value]

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
        path = (self.folder / name).resolve()
        if not path.is_relative_to(self.folder.resolve()):
            raise _not_one(self.place, f"the path {name!r} leads out of it")
        try:
            samples, rate_hz = soundfile.read(path, dtype="float64", always_2d=True)
        except (OSError, RuntimeError) as error:
            raise DescriptionError("an impulse response cannot be read.", _AGAIN, path=path) from error
        if not len(samples) or not np.isfinite(samples).all():
            raise DescriptionError("an impulse response is damaged.", _AGAIN, path=path)
        return Impulse(samples[:, 0], int(rate_hz))


def open_report(path: Path) -> ReportRead:
    """Open a report folder or a record.

    Raises
    ------
    DescriptionError : there is neither, or it is of a later format than this program knows
    """
    place = Path(path).expanduser()
    is_record = (place / _BAG).is_file()
    folder = place / _INSIDE if is_record else place
    file = folder / _RESULTS
    if not file.is_file():
        raise _not_one(place, f"it holds no {_INSIDE / _RESULTS if is_record else _RESULTS}")
    return ReportRead(place, folder, is_record, _checked(place, _parsed(place, file)))


def parsed_renames(pairs: Iterable[str]) -> dict[str, str]:
    """`OLD=NEW`, as given on the command line, as old name -> new name.

    Raises
    ------
    DescriptionError : a pair without a name on either side
    """
    renames = {}
    for pair in pairs:
        old, _, new = pair.partition("=")
        if not old.strip() or not new.strip():
            raise DescriptionError(
                f"--rename is not OLD=NEW (found {pair!r}).", "Say what was called how, and how now."
            )
        renames[unicodedata.normalize("NFC", old.strip())] = unicodedata.normalize("NFC", new.strip())
    return renames


def _parsed(place: Path, file: Path) -> Any:
    try:
        if file.stat().st_size > _MOST_BYTES:
            raise _not_one(place, f"its {_RESULTS} is too large")
        return json.loads(file.read_bytes())
    except (OSError, ValueError, RecursionError) as error:
        raise _not_one(place, f"its {_RESULTS} cannot be read") from error


def _checked(place: Path, results: Any) -> Mapping[str, Any]:
    """Results that hold what every report holds, in a format that is known."""
    if not isinstance(results, dict) or not isinstance(results.get("format"), int):
        raise _not_one(place, f"its {_RESULTS} states no format")
    if not 1 <= results["format"] <= FORMAT:
        raise DescriptionError(
            f"is of a later format than this program knows (found {results['format']}, expected {FORMAT}).",
            "Use the program that wrote it, or a later one.",
            path=place,
        )
    lacking = [key for key, kind in _KEYS.items() if not isinstance(results.get(key), kind)]
    check = results.get("sound_check")
    if isinstance(check, dict):
        lacking += [key for key, kind in _CHECK_KEYS.items() if not isinstance(check.get(key), kind)]
    if not lacking:
        lacking = _lacking_inside(results)
    if lacking:
        raise _not_one(place, f"its {_RESULTS} lacks {', '.join(lacking)}")
    return results


def _lacking_inside(results: Mapping[str, Any]) -> list[str]:
    """What outputs, positions, captures and arrivals lack of what is read of them."""
    check = results["sound_check"]
    needed = [
        *((f"outputs.{name}", one, ("kind", "setting")) for name, one in check["outputs"].items()),
        *((f"positions.{name}", one, ("zone",)) for name, one in check["positions"].items()),
        *(("captures", one, ("name",)) for one in check["captures"]),
        *(("arrivals", one, ("capture", "output", "position", "arrival_ms")) for one in results["arrivals"]),
    ]
    lacking = {
        f"{place}.{key}" for place, one, keys in needed for key in keys if not isinstance(one, dict) or key not in one
    }
    return sorted(lacking)[:_MOST_NAMED]


def _not_one(place: Path, why: str) -> DescriptionError:
    return DescriptionError(
        f"is neither a report nor a record ({why}).",
        "Give a folder that analyze run or analyze archive wrote.",
        path=place,
    )
