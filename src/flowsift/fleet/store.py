"""Where a fleet's answers lie: the tables of each home, and a receipt that is written last."""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from itertools import islice
from typing import IO, Any

import pyarrow as pa

from flowsift.errors import OptionError
from flowsift.fleet.names import partition_of, split_partition
from flowsift.fleet.source import InputFile, open_files
from flowsift.fleet.tables import SCHEMAS, parquet_bytes

MARK = "fleet.json"
"""File that tells a folder of answers from any other."""

RECEIPTS = "receipts"
UNFINISHED = "_unfinished"

READ_AT_A_TIME = 256
"""Receipts asked for at once: object stores answer them side by side."""


@dataclass(frozen=True, kw_only=True)
class Request:
    """What an answer follows from: with an equal request it would come out the same.

    Attributes
    ----------
    code : str
        Checksum of flowsift's source and data files.
    options : mapping
        Of reading, and the seed.
    files : sequence of InputFile
    """

    code: str
    options: Mapping[str, Any]
    files: Sequence[InputFile]

    def as_record(self) -> dict[str, Any]:
        """Return it as JSON holds it."""
        return {"code": self.code, "options": dict(self.options), "input": [asdict(file) for file in self.files]}


class FleetStore:
    """The folder, local or not, that a fleet's answers go into.

    Parameters
    ----------
    url : str
        Absolute path or URL of `fsspec`.
    """

    def __init__(self, url: str) -> None:
        self.url = url
        self.fs, root = open_files(url)
        self.root = root.rstrip("/")

    def prepare(self, homes: Iterable[str]) -> None:
        """Create the folder, or check that it is one of these homes' answers; clear away what a stopped run left.

        Raises
        ------
        OptionError
            The folder holds something else, or answers of homes that aren't among these.
        """
        if not self.fs.exists(self._path(MARK)):
            with suppress(FileNotFoundError):
                if any(not path.endswith(UNFINISHED) for path in self.fs.ls(self.root, detail=False)):
                    raise OptionError(f"{self.url} isn't empty and holds no fleet's answers: give another folder")
            with self.written(MARK) as sink:
                sink.write(b'{"format": 1}\n')
        strange = self._answered()
        strange.difference_update(partition_of(home) for home in homes)
        if strange:
            first = (split_partition(min(strange)) or ("", min(strange)))[1]
            raise OptionError(
                f"{self.url} holds answers of {len(strange):,} homes that the source doesn't have, such as {first!r}: "
                "give another folder"
            )
        self.clear()

    def clear(self) -> None:
        """Remove what was begun and not finished.

        A cluster that outlives a stopped run may still write the homes it had in hand; each removes its own at the end.
        """
        with suppress(OSError):
            self.fs.rm(self._path(UNFINISHED), recursive=True)

    def holds(self, home: str, request: Request) -> bool:
        """Tell whether the answer to this request is there, whole."""
        receipt = next(self.receipts([home]), None)
        if receipt is None or {name: receipt.get(name) for name in request.as_record()} != request.as_record():
            return False
        try:
            return all(
                self.fs.info(self._table(name, home))["size"] == table["bytes"]
                for name, table in receipt["tables"].items()
            )
        except FileNotFoundError:
            return False

    def put(
        self, home: str, request: Request, *, version: str, tables: Mapping[str, pa.Table], summary: Mapping[str, Any]
    ) -> None:
        """Write a home's tables, then its receipt; each file appears whole.

        A receipt of before is removed first, so that no receipt ever stands beside tables that it doesn't tell of.
        """
        with suppress(FileNotFoundError):
            self.fs.rm_file(self._receipt(home))
        contents = {name: parquet_bytes(table) for name, table in tables.items()}
        receipt = {
            "home": home,
            "flowsift": version,
            **request.as_record(),
            "tables": {
                name: {
                    "rows": tables[name].num_rows,
                    "bytes": len(content),
                    "sha256": hashlib.sha256(content).hexdigest(),
                }
                for name, content in contents.items()
            },
            "summary": dict(summary),
        }
        files = {self._table(name, home): content for name, content in contents.items()}
        files[self._receipt(home)] = (json.dumps(receipt, indent=1, allow_nan=False) + "\n").encode()
        # All are written before the first takes its place: a disk that fills up leaves the home without an answer,
        # not with half of one.
        folder = self._path(UNFINISHED, uuid.uuid4().hex)
        try:
            self.fs.makedirs(folder, exist_ok=True)
            for number, content in enumerate(files.values()):
                self.fs.pipe_file(f"{folder}/{number}", content)
            for number, place in enumerate(files):
                self.fs.makedirs(place.rsplit("/", 1)[0], exist_ok=True)
                self.fs.mv(f"{folder}/{number}", place)
        finally:
            with suppress(OSError):
                self.fs.rm(folder, recursive=True)

    def remove(self, home: str) -> None:
        """Remove whatever there is of a home, the receipt first."""
        with suppress(FileNotFoundError):
            self.fs.rm_file(self._receipt(home))
        for name in SCHEMAS:
            with suppress(FileNotFoundError):
                self.fs.rm(self._path(name, partition_of(home)), recursive=True)

    def receipts(self, homes: Iterable[str]) -> Iterator[dict[str, Any]]:
        """Yield the receipts that are there, in the order of `homes`; one that can't be read counts as not there."""
        remaining = iter(homes)
        while some := list(islice(remaining, READ_AT_A_TIME)):
            for content in self.fs.cat_ranges([self._receipt(home) for home in some], None, None, on_error="return"):
                if isinstance(content, FileNotFoundError):
                    continue
                if isinstance(content, BaseException):
                    raise content
                with suppress(ValueError):
                    yield json.loads(content)

    @contextmanager
    def written(self, name: str) -> Iterator[IO[bytes]]:
        """Give a file to write that takes its place below the folder once it is whole."""
        folder = self._path(UNFINISHED, uuid.uuid4().hex)
        try:
            self.fs.makedirs(folder, exist_ok=True)
            with self.fs.open(f"{folder}/{name}", "wb") as sink:
                yield sink
            self.fs.mv(f"{folder}/{name}", self._path(name))
        finally:
            with suppress(OSError):
                self.fs.rm(folder, recursive=True)

    def _answered(self) -> set[str]:
        """Return the folder names of the homes with a receipt."""
        try:
            paths = self.fs.ls(self._path(RECEIPTS), detail=False)
        except FileNotFoundError:
            return set()
        return {path.rsplit("/", 1)[-1].removesuffix(".json") for path in paths}

    def _receipt(self, home: str) -> str:
        return self._path(RECEIPTS, f"{partition_of(home)}.json")

    def _table(self, name: str, home: str) -> str:
        return self._path(name, partition_of(home), "part-0.parquet")

    def _path(self, *parts: str) -> str:
        return "/".join((self.root, *parts))
