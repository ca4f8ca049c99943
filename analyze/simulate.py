"""The demo: a simulated sound check in an invented hall, with one fault hidden in it and its truth written beside it.

`make_demo` writes it into a folder: description, recordings, and a `truth.json` that the analysis never reads.
`build_scene` gives the same sound check as an object that holds every true response, for tests and trials.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from analyze.errors import DescriptionError, OutputError
from analyze.simulate_draw import FAULTS, build_scene
from analyze.simulate_files import record
from analyze.simulate_scene import Scene, Settings, true_responses
from analyze.simulate_visits import second_visit

__all__ = ["FAULTS", "Scene", "Settings", "build_scene", "make_demo", "record", "second_visit", "true_responses"]

#: Shorter captures hold too few frames for the low bands.
_SHORTEST_S = 3.0


def make_demo(
    folder: Path,
    seed: int,
    *,
    duration_s: float = 14.0,
    sample_rate_hz: int = 48000,
    fault: str | None = None,
    is_second_visit: bool = False,
) -> None:
    """Write a simulated sound check into `folder`, which must not exist or be empty.

    Parameters
    ----------
    seed : not negative; the same one gives the same bytes
    duration_s : length of each capture
    fault : one of `FAULTS`; drawn if not given
    is_second_visit : of the same rig months later, see `second_visit`

    Raises DescriptionError for a folder that holds something, an unknown fault, a negative seed or captures too short;
    OutputError where the folder cannot be written, with nothing left behind.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise DescriptionError("is not an empty folder.", "Give another folder with --out.", path=folder)
    if seed < 0:
        raise DescriptionError(f"the seed is negative (found {seed}).", "Give a seed of 0 or more.")
    if duration_s < _SHORTEST_S:
        what = f"the captures are too short (found {duration_s} s, expected {_SHORTEST_S} s or more)."
        raise DescriptionError(what, "Make them longer.")
    scene = build_scene(seed, fault, sample_rate_hz=sample_rate_hz)
    if is_second_visit:
        scene = second_visit(scene)
    try:
        _build_beside(scene, folder, duration_s)
    except OSError as error:
        raise OutputError(
            f"the demo could not be written ({error.strerror}).", "Give another folder with --out.", path=folder
        ) from error


def _build_beside(scene: Scene, folder: Path, duration_s: float) -> None:
    """Record into a folder beside the target and rename it when complete."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    partial = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        partial.chmod(0o755)
        record(scene, partial, duration_s)
        if folder.exists():
            folder.rmdir()  # empty, as checked; some systems do not rename onto a folder
        partial.rename(folder)
    except BaseException:
        shutil.rmtree(partial, ignore_errors=True)
        raise
