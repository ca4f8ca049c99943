"""What a record says of itself: `bag-info.txt` for programs and `README.txt` for people.

Everything in it comes from the description and from the program's version. No date of packing is given, so that the
same report makes the same record.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from analyze.archive.bag import INFO, README, Entry, payload_oxum, tag_lines
from analyze.reports.datapackage import PROGRAM
from analyze.reports.naming import clean
from analyze.version import VERSION

#: Raised when what a record holds is renamed or dropped.
RECORD_FORMAT = 1
#: Its label in `bag-info.txt`.
RECORD_FORMAT_LABEL = "Record-Format"

#: Where the parts of a record lie.
REPORT, DESCRIPTION, AUDIO, RESPONSES = "data/report", "data/soundcheck.toml", "data/audio", "data/responses"

_PARTS = (
    (f"{REPORT}/report.html", "the report, a page that opens in any browser"),
    (
        f"{REPORT}/*.csv",
        "its tables; datapackage.json beside them says what every column\nmeans (Frictionless Data Package)",
    ),
    (f"{REPORT}/results.json", "all of it as one object, with the SHA-256 of every recording"),
    (f"{REPORT}/responses/", "impulse responses as WAV, 32-bit float, time zero is the feed"),
    (f"{RESPONSES}*.sofa", "the same responses as AES69 (SOFA), convention GeneralFIR-E"),
    (DESCRIPTION, "the description of the sound check"),
    (f"{AUDIO}/", "description and recordings; to analyse them again: analyze run FOLDER"),
)

_README = """\
{title}

The record of a sound check: of every loudspeaker output how it was set and
wired, when it arrived at every position, and what was recommended.

{facts}

{parts}

This folder is a BagIt bag (RFC 8493). Whether anything in it has changed tells

    analyze archive verify FOLDER

and without that program, in this folder,

    sha512sum -c manifest-sha512.txt tagmanifest-sha512.txt

That tells nothing of files that were added or of links in the place of files,
and does not find names with a percent sign or a line end, which the manifests
write as %25, %0A and %0D.
"""


def record_tags(
    sound_check: Mapping[str, Any], name: str, doubts: Sequence[str] = ()
) -> Callable[[Mapping[str, Entry]], dict[str, bytes]]:
    """What makes the tag files of a record once its payload is known.

    Parameters
    ----------
    sound_check : the description as `results.json` has it
    name : of the report
    doubts : findings that put the description in doubt
    """

    def tags(entries: Mapping[str, Entry]) -> dict[str, bytes]:
        return {
            INFO: tag_lines([*_info(sound_check, name, doubts), ("Payload-Oxum", payload_oxum(entries))]),
            README: _readme(sound_check, entries, doubts).encode("utf-8", "replace"),
        }

    return tags


def _info(sound_check: Mapping[str, Any], name: str, doubts: Sequence[str]) -> list[tuple[str, str]]:
    """Labels of RFC 8493, 2.2.2, and five of our own; what the description does not say is left out."""
    notes = sound_check["notes"]
    known = [
        ("Contact-Name", notes.get("engineer")),
        ("External-Description", sound_check["title"]),
        ("Internal-Sender-Identifier", name),
        ("Internal-Sender-Description", notes.get("notes")),
        ("Venue", notes.get("venue")),
        ("Measurement-Date", sound_check["date"]),
        ("Description-In-Doubt", ", ".join(doubts)),
    ]
    cleaned = [(label, clean(str(value or ""))) for label, value in known]
    return [
        *((label, value) for label, value in cleaned if value),
        *_described_temperature(sound_check),
        (RECORD_FORMAT_LABEL, str(RECORD_FORMAT)),
        ("Bag-Software-Agent", f"{PROGRAM} {VERSION}"),
    ]


def _described_temperature(sound_check: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The temperature where one was described: one that was assumed is no fact of the day."""
    if sound_check.get("is_temperature_assumed"):
        return []
    return [("Temperature-C", f"{sound_check['temperature_c']:g}")]


def _readme(sound_check: Mapping[str, Any], entries: Mapping[str, Entry], doubts: Sequence[str]) -> str:
    """The text for whoever opens the folder."""
    notes = sound_check["notes"]
    facts = [
        ("Venue", notes.get("venue")),
        ("Date", sound_check["date"]),
        ("Engineer", notes.get("engineer")),
        ("Made by", f"{PROGRAM} {VERSION}, record format {RECORD_FORMAT}"),
        ("In doubt", f"the description, and every setting with it ({', '.join(doubts)})" if doubts else ""),
    ]
    cleaned = [(label, clean(str(value or ""))) for label, value in facts]
    held = [(name, text) for name, text in _PARTS if _is_held(name, entries)]
    width = max(len(name) for name, _ in held)
    return _README.format(
        title=clean(sound_check["title"]) or "Sound check",
        facts="\n".join(f"{label + ':':<10}{value}" for label, value in cleaned if value),
        parts="\n".join(f"{name:<{width}}  {text}".replace("\n", "\n" + " " * (width + 2)) for name, text in held),
    )


def _is_held(part: str, entries: Mapping[str, Entry]) -> bool:
    """Whether a record has a part of this name."""
    return any(name.startswith(part.split("*")[0]) for name in entries)
