"""Impulse responses as AES69 (SOFA): convention GeneralFIR-E, emitter = output, receiver = position.

One measurement; `Data.IR` is (measurement, receiver, sample, emitter). What no response was measured of, and every
position in space, is NaN: the report knows names, not places. Names stand in order, as JSON, in the attributes
`EmitterDescription` and `ReceiverDescription`, which hold any script. Needs the extra `sofa`.
"""

from __future__ import annotations

import importlib.util
import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from analyze.archive.about import RESPONSES
from analyze.archive.opening import ReportRead
from analyze.reports.datapackage import PROGRAM
from analyze.reports.naming import clean
from analyze.version import VERSION

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Samples = dict[tuple[str, str], NDArray[np.float64]]

_COMPRESSION = 4

_COMMENT = (
    "Emitters are the loudspeaker outputs, receivers the microphone positions, named in EmitterDescription and "
    "ReceiverDescription in their order. Where they stood was not measured: EmitterPosition and ReceiverPosition are "
    "NaN, source and listener the origin. Time zero is the feed. NaN in Data.IR: not measured."
)


def can_write_sofa() -> bool:
    """Whether the extra is installed."""
    return importlib.util.find_spec("sofar") is not None


def sofa_files(report: ReportRead) -> dict[str, Callable[[Path], None]]:
    """What writes the SOFA files of a report, by path in the record: one per sample rate, none without responses.

    Raises DescriptionError if a response cannot be read.
    """
    by_rate: dict[int, Samples] = {}
    for output, files in report.results["responses"].items():
        for position in files:
            heard = report.response(output, position)
            by_rate.setdefault(heard.sample_rate_hz, {})[output, position] = heard.samples
    names = {rate: f"{RESPONSES}_{rate}_hz.sofa" if len(by_rate) > 1 else f"{RESPONSES}.sofa" for rate in by_rate}
    return {names[rate]: _writing(report.check, rate, samples) for rate, samples in by_rate.items()}


def _writing(about: Mapping[str, Any], rate_hz: int, samples: Samples) -> Callable[[Path], None]:
    """What writes responses of one sample rate to a path."""

    def write(path: Path) -> None:
        import sofar

        sofa = _sofa(about, rate_hz, samples)
        try:
            sofar.write_sofa(path, sofa, compression=_COMPRESSION)
        except RuntimeError as error:
            path.write_bytes(bytes(sofa.Data_IR.nbytes))  # HDF5 does not say why; a full disk says so here
            raise OSError(None, f"{path.name} failed ({error})") from error

    return write


def _sofa(about: Mapping[str, Any], rate_hz: int, samples: Samples) -> Any:
    """Responses as an object of the convention, verified by the library when written."""
    import sofar

    outputs, positions = (list(dict.fromkeys(key[i] for key in samples)) for i in (0, 1))
    n_samples = max(len(one) for one in samples.values())
    data = np.full((1, len(positions), n_samples, len(outputs)), np.nan)
    for (output, position), one in samples.items():
        data[0, positions.index(position), :, outputs.index(output)] = np.pad(one, (0, n_samples - len(one)))
    sofa = sofar.Sofa("GeneralFIR-E", verify=False)
    sofa.Data_IR, sofa.Data_SamplingRate = data, float(rate_hz)
    sofa.Data_Delay = np.zeros((1, len(positions), len(outputs)))
    sofa.EmitterPosition, sofa.ReceiverPosition = (
        np.full((len(outputs), 3), np.nan),
        np.full((len(positions), 3), np.nan),
    )
    sofa.SourcePosition = sofa.ListenerPosition = np.zeros((1, 3))
    sofa.SourcePosition_Type, sofa.SourcePosition_Units = "cartesian", "metre"
    for name, value in _attributes(about, outputs, positions).items():
        if hasattr(sofa, name):
            setattr(sofa, name, value)
        else:
            sofa.add_attribute(name, value)
    return sofa


def _attributes(about: Mapping[str, Any], outputs: list[str], positions: list[str]) -> dict[str, str]:
    """Global attributes; dates are the sound check's, so that the same responses give the same bytes."""
    date = f"{about['date']} 00:00:00" if about["date"] else ""
    return {
        "GLOBAL_Title": clean(about["title"]),
        "GLOBAL_Comment": _COMMENT,
        "GLOBAL_ApplicationName": PROGRAM,
        "GLOBAL_ApplicationVersion": VERSION,
        "GLOBAL_AuthorContact": clean(about["notes"].get("engineer", "")),
        "GLOBAL_RoomType": "reverberant",
        "GLOBAL_RoomDescription": clean(about["notes"].get("venue", "")),
        "GLOBAL_DateCreated": date,
        "GLOBAL_DateModified": date,
        "GLOBAL_EmitterDescription": json.dumps(outputs, ensure_ascii=False),
        "GLOBAL_ReceiverDescription": json.dumps(positions, ensure_ascii=False),
    }
