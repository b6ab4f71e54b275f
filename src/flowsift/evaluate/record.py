"""The record of a run: one manifest, and one file a home, each written whole or not at all."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

from flowsift.errors import InputError, OptionError
from flowsift.files import write_text

MANIFEST = "run.json"
HOMES = "homes"


@dataclass(frozen=True, kw_only=True)
class Manifest:
    """What was run.

    Attributes
    ----------
    method, method_class : str
        Name it was asked for by, and what that was.
    training_data : str
        What the method says it was trained on.
    suite, suite_checksum : str
    homes : list of str
    seeds : list of int
        Seeds of simulated homes.
    versions : mapping
        Of Python and of the packages that matter.
    commit : str
        Commit of the working copy that flowsift was imported from, ``+`` added if it has changes; empty without one.
    code, method_code : str
        Checksums of flowsift's source and data files and of those of the packages or modules of the method's class and
        of the name it was asked for by: a changed file is another run, whatever the commit.
    machine : str
    """

    method: str
    method_class: str
    training_data: str
    suite: str
    suite_checksum: str
    homes: Sequence[str]
    seeds: Sequence[int]
    versions: Mapping[str, str]
    commit: str
    code: str
    method_code: str
    machine: str


@dataclass(frozen=True, kw_only=True)
class HomeRecord:
    """What came out for one home.

    Attributes
    ----------
    home : str
    condition : mapping
        interval_s, pulse_l and the like.
    checksum : str
        Of its trace and truth.
    attribution : str
        What has to stand wherever a figure of this home is shown, as its card says; empty for most.
    counts : mapping
        Additive counts; those of an empty answer if the method failed.
    error : str
        Empty, or what the method failed with.
    """

    home: str
    condition: Mapping[str, float] = field(default_factory=dict)
    checksum: str = ""
    attribution: str = ""
    counts: Mapping[str, float] = field(default_factory=dict)
    error: str = ""


def open_run(folder: Path, manifest: Manifest) -> None:
    """Create the folder of a run, or check that it holds the same run.

    Raises
    ------
    OptionError
        If it holds another run (names what differs).
    """
    path = folder / MANIFEST
    if path.exists():
        there = read_manifest(folder)
        same = ("method", "suite", "suite_checksum", "code", "method_code")
        differs = [name for name in same if getattr(there, name) != getattr(manifest, name)]
        if differs:
            what = ", ".join(
                f"{name.replace('_', ' ')} {getattr(there, name)} instead of {getattr(manifest, name)}"
                for name in differs
            )
            raise OptionError(f"{folder} holds another run ({what}); give another folder or delete this one")
    (folder / HOMES).mkdir(parents=True, exist_ok=True)
    write_text(json.dumps(asdict(manifest), indent=1), path)


def read_manifest(folder: Path) -> Manifest:
    """Read the manifest of a run.

    Raises
    ------
    InputError
        If the folder holds none, or one of another form.
    """
    path = folder / MANIFEST
    if not path.is_file():
        raise InputError("expected a folder that `flowsift score` wrote, found no run there", file=str(folder))
    try:
        return Manifest(**json.loads(path.read_text(encoding="utf-8")))
    except (ValueError, TypeError) as error:
        raise InputError(f"expected the record of a run: {error}", file=str(path)) from error


def write_record(record: HomeRecord, folder: Path) -> None:
    """Write one home's record."""
    write_text(json.dumps(asdict(record)), folder / HOMES / f"{record.home}.json")


def read_records(folder: Path, names: Sequence[str]) -> dict[str, HomeRecord]:
    """Read the records that are there, in the order of `names`."""
    records = {}
    for name in names:
        path = folder / HOMES / f"{name}.json"
        if path.exists():
            try:
                records[name] = HomeRecord(**json.loads(path.read_text(encoding="utf-8")))
            except (ValueError, TypeError) as error:
                raise InputError(f"expected the record of a home: {error}", file=str(path)) from error
    return records
