"""Is a record complete and valid, as RFC 8493 (section 3) defines the words, and which of its files are not?

Complete: everything required is there, every file that a manifest lists is there, and every file of the payload is
listed: in every payload manifest, before BagIt 1.0 in one of them. Valid: every checksum agrees, too. Files are read
once, a piece at a time, whatever their size.
"""

from __future__ import annotations

import hashlib
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from analyze.archive.about import RECORD_FORMAT_LABEL
from analyze.archive.bag import DECLARATION, INFO, MANIFEST, README, TAG_MANIFEST, chunks
from analyze.archive.bag_reading import PAYLOAD, BagRead, Inventory, Problem, read_bag, stated, take_inventory
from analyze.archive.formats import check_record_format
from analyze.errors import DescriptionError

#: What every record has beside its payload, listed in its manifest of tag files.
_TAG_FILES = (DECLARATION, INFO, README, MANIFEST)


@dataclass(frozen=True)
class Verification:
    """What was found in one record: files and bytes of its payload, and everything wrong with it, by file.

    notes : what is not wrong, and says nothing for a bag either
    """

    record: Path
    n_files: int
    n_bytes: int
    problems: tuple[Problem, ...]
    notes: tuple[Problem, ...] = ()

    @property
    def is_valid(self) -> bool:
        """Whether the record is complete and every checksum agrees."""
        return not self.problems


def verify_record(record: Path) -> Verification:
    """Verify one record, or any bag.

    Raises
    ------
    DescriptionError : there is nothing like one in the folder, or it is a record of a later format
    """
    if record.is_symlink():
        return Verification(record, 0, 0, (Problem(".", "link", "not followed: name the folder that it leads to"),))
    inventory, bag = _opened(record)
    listed = _Listed(inventory, bag)
    unsealed, notes = _not_sealed(inventory, bag, listed)
    problems = [
        *bag.problems,
        *(Problem(name, what, "not followed and not read") for name, what in inventory.others.items()),
        *_not_there(inventory, bag),
        *unsealed,
        *listed.missing(),
        *listed.extra(),
        *_altered(inventory, listed.digests),
        *_wrong_totals(inventory, bag),
    ]
    payload = [size for name, size in inventory.files.items() if name.startswith(PAYLOAD)]
    return Verification(record, len(payload), sum(payload), _sorted(problems), _sorted(notes))


def damaged_files(record: Path, parts: tuple[str, ...]) -> tuple[Problem, ...]:
    """What is wrong with some files of a record: those whose paths begin with one of `parts`, and nothing else.

    Raises
    ------
    DescriptionError : there is nothing like a record in the folder, or it is of a later format
    """
    inventory, bag = _opened(record)
    listed = _Listed(inventory, bag)
    asked = {name: digests for name, digests in listed.digests.items() if name.startswith(parts)}
    problems = [*bag.problems, *listed.missing(), *listed.extra(), *_altered(inventory, asked)]
    manifests = {MANIFEST, *(manifest.file for manifest in bag.manifests)}
    if not any(not manifest.is_of_tags for manifest in bag.manifests):
        problems.append(Problem(MANIFEST, "missing", "nothing says what the files were"))
    return tuple(one for one in problems if one.file.startswith(parts) or one.file in manifests)


def _opened(record: Path) -> tuple[Inventory, BagRead]:
    """What lies in a record, and what its tag files say."""
    try:
        _check_kind(record)
        check_record_format(record)
        inventory = take_inventory(record)
    except OSError as error:
        raise DescriptionError(
            f"cannot be read: {str(error.strerror).lower()}.",
            "Check the disk, or take the record from another copy.",
            path=record,
        ) from error
    return inventory, read_bag(inventory)


def _check_kind(record: Path) -> None:
    """Refuse what is not so much as a part of a record."""
    if record.exists() and not record.is_dir():
        raise DescriptionError(
            "is a file and no record (expected the folder of one).", "Name the folder of a record.", path=record
        )
    if not record.is_dir():
        raise DescriptionError("no such folder (expected a record).", "Check the path.", path=record)
    if (record / DECLARATION).exists() or (record / PAYLOAD).exists() or any(record.glob("*manifest-*.txt")):
        return
    below = sorted(path.parent.name for path in record.glob(f"*/{DECLARATION}"))
    mend = f"It holds records: name them, as in {record / below[0]}." if below else "Name a folder made by `archive`."
    raise DescriptionError(f"is not a record (it holds no {DECLARATION}).", mend, path=record)


def _sorted(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    return tuple(sorted(set(problems), key=_order))


def _order(problem: Problem) -> tuple[bool, str, str, str]:
    """By file; those beside the payload first, for a damaged manifest explains much of what follows."""
    return problem.file.startswith(PAYLOAD), problem.file, problem.problem, problem.detail


class _Listed:
    """The files that manifests list, found on the disk however accents are stored."""

    def __init__(self, inventory: Inventory, bag: BagRead) -> None:
        self._inventory, self._bag = inventory, bag
        self._by_reading = {unicodedata.normalize("NFC", name): name for name in inventory.files}
        self.digests: dict[str, dict[str, str]] = defaultdict(dict)
        self._absent: dict[str, str] = {}
        self._held_by: dict[str, set[str]] = defaultdict(set)
        for manifest in bag.manifests:
            for path, digest in manifest.digests.items():
                name = self._on_disk(path)
                if name:
                    self.digests[name][manifest.algorithm] = digest
                    self._held_by[name].add(manifest.file)
                else:
                    self._absent.setdefault(path, manifest.file)

    def _on_disk(self, path: str) -> str:
        """The name of a file as the disk has it, empty if it is not there."""
        if path in self._inventory.files:
            return path
        return self._by_reading.get(unicodedata.normalize("NFC", path), "")

    def missing(self) -> Iterator[Problem]:
        """Files that a manifest or `fetch.txt` lists and that are not there; links are told elsewhere."""
        for path, manifest in self._absent.items():
            if path in self._bag.to_fetch:
                yield Problem(path, "to be fetched", "fetch.txt says from where; this program fetches nothing")
            elif path not in self._inventory.others:
                yield Problem(path, "missing", f"listed in {manifest}")
        for path in self._bag.to_fetch - set(self._absent):
            if not self._on_disk(path):
                yield Problem(path, "to be fetched", "and no manifest lists it")

    def extra(self) -> Iterator[Problem]:
        """Files of the payload that no manifest lists, or not every one of them."""
        required = {m.file for m in self._bag.manifests if not m.is_of_tags}
        for name in self._inventory.files:
            lacking = sorted(required - self._held_by[name])
            is_short = bool(lacking) and (self._bag.version >= (1, 0) or len(lacking) == len(required))
            if name.startswith(PAYLOAD) and is_short:
                yield Problem(name, "extra", f"not listed in {', '.join(lacking)}")

    def beside(self) -> Iterator[Problem]:
        """Files beside the payload that no manifest of tag files names."""
        seals = {m.file for m in self._bag.manifests if m.is_of_tags}
        for name in self._inventory.files:
            if not name.startswith(PAYLOAD) and name not in seals and not self._held_by[name] & seals:
                yield Problem(name, "not listed", "no manifest names it: no part of the record, and not verified")


def _not_sealed(inventory: Inventory, bag: BagRead, listed: _Listed) -> tuple[list[Problem], list[Problem]]:
    """What beside the payload nothing vouches for, as problems and as notes.

    Every record has a manifest of tag files that names all it was written with; other bags need none, and whatever else
    lies beside a payload is no part of a bag (RFC 8493, 2.2.4).
    """
    is_record = bool(stated(inventory.root, RECORD_FORMAT_LABEL))
    if not any(manifest.is_of_tags for manifest in bag.manifests):
        none = Problem(TAG_MANIFEST, "missing", "nothing says whether the files beside the payload are as they were")
        return ([none], []) if is_record else ([], [none])
    problems: list[Problem] = []
    notes: list[Problem] = []
    for one in listed.beside():
        (problems if is_record and one.file in _TAG_FILES else notes).append(one)
    return problems, notes


def _not_there(inventory: Inventory, bag: BagRead) -> Iterator[Problem]:
    """What every bag must have: a payload folder and a payload manifest."""
    if not (inventory.root / PAYLOAD).is_dir() or (inventory.root / PAYLOAD.rstrip("/")).is_symlink():
        yield Problem(PAYLOAD, "missing", "the folder of the payload")
    if not any(not manifest.is_of_tags for manifest in bag.manifests):
        yield Problem("manifest-*.txt", "missing", "without a manifest nothing can be verified")


def _altered(inventory: Inventory, expected: Mapping[str, Mapping[str, str]]) -> Iterator[Problem]:
    """Files whose content does not agree with a manifest."""
    for name, digests in expected.items():
        hashes = {algorithm: hashlib.new(algorithm, usedforsecurity=False) for algorithm in digests}
        try:
            with inventory.open(name) as file:
                for piece in chunks(file):
                    for one in hashes.values():
                        one.update(piece)
        except OSError as error:
            yield Problem(name, "unreadable", (error.strerror or type(error).__name__).lower())
            continue
        wrong = [algorithm for algorithm, one in hashes.items() if one.hexdigest() != digests[algorithm]]
        if wrong:
            yield Problem(name, "altered", f"its {' and '.join(wrong)} is another")


def _wrong_totals(inventory: Inventory, bag: BagRead) -> Iterator[Problem]:
    """Files or bytes of the payload that are not as many as `bag-info.txt` says."""
    sizes = [size for name, size in inventory.files.items() if name.startswith(PAYLOAD)]
    found = sum(sizes), len(sizes)
    if bag.oxum is not None and bag.oxum != found:
        detail = f"{found[1]} files, {found[0]} bytes; bag-info.txt says {bag.oxum[1]} files, {bag.oxum[0]} bytes"
        yield Problem(PAYLOAD, "wrong totals", detail)
