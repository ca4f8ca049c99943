"""Small reports to be archived, and records of them, made without an analysis."""

from __future__ import annotations

import hashlib
import json
import warnings
from pathlib import Path

import bagit
import numpy as np
import soundfile

from analyze.archive.record import Record, write_record
from analyze.archive.verification import verify_record

DESCRIPTION = b'format = 1\ntitle = "Harbour hall"\n'
TABLE = b"output,polarity\r\nmain,normal\r\n"

#: Responses by output and position: unequal, and one that was not measured.
RATE = 8000
SETTING = {"delay_ms": 0.0, "polarity": "normal"}
SHAPES = {("main", "mix"): 3, ("main", "lawn"): 40, ("süß 低音", "mix"): 77}


def response(output: str, position: str, n: int = 201) -> np.ndarray:
    """A response with noise of its own in every sample."""
    rng = np.random.default_rng([SHAPES[output, position], n])
    return (0.01 * rng.standard_normal(n)).astype(np.float32)


def make_report(folder: Path, *, extra: dict[str, bytes] | None = None, rates=None, audio=None, **about) -> Path:
    """A report folder of the documented form: one table, responses, description, results, manifest.

    `extra` are files that somebody added, `rates` sample rates per response, `audio` the recordings (name -> content).
    """
    responses: dict[str, dict[str, str]] = {}
    (folder / "responses").mkdir(parents=True)
    for number, (output, position) in enumerate(SHAPES, 1):
        name = f"responses/{number:03d}.wav"
        rate = (rates or {}).get((output, position), RATE)
        soundfile.write(folder / name, response(output, position), rate, subtype="FLOAT")
        responses.setdefault(output, {})[position] = name
    captures = [
        {"name": name, "feeds": {"main": {"file": name, "channel": 1}}, "mics": {}, "inputs": {}}
        for name in audio or {}
    ]
    described = {
        "outputs": {output: {"kind": "main", "setting": SETTING} for output, _ in SHAPES},
        "positions": {position: {"zone": "audience"} for _, position in SHAPES},
    }
    sound_check = {"title": "Harbour hall", "date": "2026-05-14", "temperature_c": 21.0, "notes": {}, **about}
    results = {
        "format": 1,
        "program": {"name": "analyze", "version": "0.1.0"},
        "sound_check": {**sound_check, **described, "captures": captures},
        "arrivals": [],
        "bands": [],
        "responses": responses,
        "input_files": [{"path": name, "sha256": sha256(content)} for name, content in (audio or {}).items()],
        "description_file": {"path": "soundcheck.toml", "sha256": sha256(DESCRIPTION)},
    }
    files = {
        "results.json": json.dumps(results).encode(),
        "wiring.csv": TABLE,
        "soundcheck.toml": DESCRIPTION,
        "report.html": b"<!doctype html>",
    }
    manifest = {
        "name": "sound-check-report",
        "made_by": {"program": "analyze"},
        "files": [*files, *(f for row in responses.values() for f in row.values()), "datapackage.json"],
        "resources": [{"path": "wiring.csv", "hash": f"sha256:{sha256(TABLE)}"}],
    }
    for name, content in {**files, "datapackage.json": json.dumps(manifest).encode(), **(extra or {})}.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    return folder


def make_record(place: Path, name: str = "harbour", *, with_audio: bool = False, **how) -> Record:
    """The record of a small report in `place`/records."""
    report = make_report(place / "reports" / name, **how)
    return write_record(report, place / "records", with_audio=with_audio)


def content(folder: Path) -> dict[str, bytes]:
    """Every file below a folder."""
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def found(record: Path) -> list[tuple[str, str]]:
    """File and word of every problem."""
    return [(one.file, one.problem) for one in verify_record(record).problems]


def write_bag(folder: Path, files: dict[str, bytes], manifests: dict[str, str], version: str = "1.0") -> Path:
    """A bag written by hand: payload, and the text of manifests, checksums put in for `{name}`."""
    for name, data in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    declared = f"BagIt-Version: {version}\nTag-File-Character-Encoding: UTF-8\n"
    (folder / "bagit.txt").write_text(declared)
    for name, text in manifests.items():
        (folder / name).write_bytes(text.encode())
    return folder


def line(path: str, data: bytes = b"x", algorithm: str = "sha512") -> str:
    return f"{hashlib.new(algorithm, data).hexdigest()}  {path}\n"


def library_finds(folder: Path) -> str:
    """What the library says of a bag, empty if it is valid."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        try:
            bagit.Bag(str(folder)).validate()
        except bagit.BagError as error:
            return str(error) or type(error).__name__
    return ""


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
