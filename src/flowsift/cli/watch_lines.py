"""Lines of a live feed: ``time,value`` or ``{"time": ..., "value": ...}``, and where they come from."""

from __future__ import annotations

import json
import os
import select
import stat
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.errors import InputError
from flowsift.ingest.instants import instants_ns

READ_BYTES = 1 << 20
"""Bytes read at once."""

LOOK_AGAIN_S = 0.25
"""A file that has ended is looked at again after this time [s]; so is whether to stop."""

LONGEST_LINE = 10_000
"""A longer line is no row of a feed [bytes]."""

NO_TIMES = (InputError, ValueError, OverflowError)
"""What comes of text that is no time; whole numbers may be too long for any clock."""


@dataclass(frozen=True, kw_only=True)
class Rows:
    """Rows of some lines, and what was wrong with the others (one message a line); the values' name in a header."""

    ns: IntArray
    volume_l: FloatArray
    complaints: list[str]
    value_name: str


def read_rows(lines: list[bytes], *, first: int, litres: float) -> Rows:
    """Read lines.

    Parameters
    ----------
    lines : list of bytes
        Without their line ends.
    first : int
        Number of the first of them in the feed, from 1; line 1 may be a header.
    litres : float
        What a value of 1 stands for [L].
    """
    times: list[str] = []
    values: list[float] = []
    numbers: list[int] = []
    complaints: list[str] = []
    value_name = ""
    for number, line in enumerate(lines, start=first):
        value = ""
        try:
            text = line.decode("utf-8-sig" if number == 1 else "utf-8").strip()
            if not text:
                continue
            at, value = _split(text)
            values.append(float(value) if value else np.nan)
        except (ValueError, RecursionError):
            if number > 1:
                complaints.append(f"line {number}: found {_shown(line)}, expected a time and a number")
            else:
                value_name = value
            continue
        times.append(at)
        numbers.append(number)
    ns, good = _instants(times, numbers, complaints)
    volume_l = np.array(values, dtype=np.float64)[good] * litres
    return Rows(ns=ns, volume_l=volume_l, complaints=complaints, value_name=value_name)


def _split(text: str) -> tuple[str, str]:
    """Return the time and the value of a line (ValueError for any other line)."""
    if text.startswith("{"):
        fields = json.loads(text)
        value = fields.get("value")
        return str(fields["time"]) if "time" in fields else _no_row(), "" if value is None else str(value)
    for delimiter in ("\t", ";", ","):
        at, found, rest = text.partition(delimiter)
        if found:
            return at.strip().strip('"'), rest.split(delimiter)[0].strip().strip('"')
    return _no_row(), ""


def _no_row() -> str:
    raise ValueError


def _instants(times: list[str], numbers: list[int], complaints: list[str]) -> tuple[IntArray, list[int]]:
    """Read times, all at once where all can be read; also which of them could be."""
    try:
        return _read_times(times), list(range(len(times)))
    except NO_TIMES:
        pass
    found: list[int] = []
    good: list[int] = []
    for k, (text, number) in enumerate(zip(times, numbers, strict=True)):
        try:
            found.append(int(_read_times([text])[0]))
            good.append(k)
        except NO_TIMES:
            if number > 1:
                complaints.append(f"line {number}: found {_shown(text.encode())}, expected a time")
    return np.array(found, dtype=np.int64), good


def _read_times(times: list[str]) -> IntArray:
    if times and all(text.replace(".", "", 1).isdigit() for text in times):
        whole = [text for text in times if text.isdigit()]
        if len(whole) == len(times):
            return instants_ns(np.array([int(text) for text in times], dtype=np.int64))
        return instants_ns(np.array([float(text) for text in times]))
    return instants_ns(times) if times else np.empty(0, np.int64)


def _shown(line: bytes) -> str:
    text = repr(line[:40].decode("utf-8", errors="replace"))
    return text if len(line) <= 40 else f"{text[:-1]}...'"


class Feed:
    """A growing source of lines.

    Parameters
    ----------
    path : Path or None
        None for standard input.
    follow : bool
        Whether to wait for more at the end of a file.
    offset, line : int
        Bytes and lines that were taken before.

    Raises
    ------
    InputError
        If a file is shorter than what was taken from it before; while it is followed, also if another one has its name.
    """

    def __init__(self, path: Path | None, *, follow: bool, offset: int = 0, line: int = 0) -> None:
        self._path = path
        self._file = sys.stdin.fileno() if path is None else os.open(path, os.O_RDONLY)
        status = os.fstat(self._file)
        self._regular = stat.S_ISREG(status.st_mode)
        self._follow = follow and self._regular
        self._rest = b""
        self.offset, self.line = (offset, line) if path is not None else (0, 0)
        if path is not None and offset:
            os.lseek(self._file, offset, os.SEEK_SET)
            try:
                self._check_same()
            except InputError:
                self.close()
                raise

    def close(self) -> None:
        """Close the file."""
        if self._path is not None:
            os.close(self._file)

    def lines(self) -> list[bytes] | None:
        """Return the complete lines that have come; an empty list where none came for a while, None at the end."""
        if not self._regular and not select.select([self._file], [], [], LOOK_AGAIN_S)[0]:
            return []
        data = os.read(self._file, READ_BYTES)
        if not data:
            if self._follow:
                self._check_same()
                time.sleep(LOOK_AGAIN_S)
                return []
            last, self._rest = self._rest, b""
            return self._taken([last], len(last)) if last else None
        *lines, rest = (self._rest + data).split(b"\n")
        taken = len(self._rest) + len(data) - len(rest)
        self._rest = rest
        if len(rest) > LONGEST_LINE:
            raise InputError(f"line {self.line + len(lines) + 1}: found no end within {LONGEST_LINE:,} bytes")
        return self._taken(lines, taken)

    def _check_same(self) -> None:
        """Raise `InputError` if the file was cut shorter than what was read of it, or another one has its name."""
        status, n_read = os.fstat(self._file), os.lseek(self._file, 0, os.SEEK_CUR)
        name = None if self._path is None else str(self._path)
        if status.st_size < n_read:
            raise InputError(
                f"found {status.st_size:,} bytes, expected the {n_read:,} that were read before: was it replaced?",
                file=name,
            )
        # a name that is gone for a moment is waited for
        if self._path is not None and self._path.exists() and not os.path.samestat(status, self._path.stat()):
            raise InputError("found another file than the one that is read: was it replaced?", file=name)

    def _taken(self, lines: list[bytes], n_bytes: int) -> list[bytes]:
        self.offset += n_bytes
        self.line += len(lines)
        return lines
