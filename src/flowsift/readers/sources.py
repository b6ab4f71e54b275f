"""What a file is, before anything in it is believed: text or Parquet, packed or not, in which encoding."""

from __future__ import annotations

import codecs
import gzip
import io
import stat
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Literal, cast

from flowsift.errors import InputError

HEAD_BYTES = 1 << 18
"""Bytes looked at to recognise a file."""

LONGEST_LINE = 1 << 16
"""Characters in a line at most: hundreds of times a logger's longest, and short of what one field may have."""

GZIP_MAGIC = b"\x1f\x8b"
PARQUET_MAGIC = b"PAR1"
ZIP_MAGIC = b"PK\x03\x04"


@dataclass(frozen=True, kw_only=True)
class Source:
    """A readable file.

    Attributes
    ----------
    path : Path
    form : {"text", "parquet"}
    packed : bool
        Whether it is gzip.
    encoding : str
        Encoding of the text.
    """

    path: Path
    form: Literal["text", "parquet"]
    packed: bool
    encoding: str

    @property
    def name(self) -> str:
        """Name of the file as errors give it."""
        return self.path.name

    def open_bytes(self) -> IO[bytes]:
        """Open the unpacked bytes."""
        if self.packed:
            return cast(IO[bytes], gzip.open(self.path, "rb"))
        return self.path.open("rb")

    def lines(self) -> Iterator[str]:
        """Yield the lines of a text file (InputError for one longer than `LONGEST_LINE`)."""
        try:
            with self.open_bytes() as raw, io.TextIOWrapper(raw, encoding=self.encoding, newline="") as text:
                for number, line in enumerate(iter(lambda: text.readline(LONGEST_LINE + 2), ""), start=1):
                    if len(line.rstrip("\r\n")) > LONGEST_LINE:
                        raise InputError(
                            f"found a line of more than {LONGEST_LINE:,} characters, expected a few columns",
                            file=self.name,
                            row=number,
                        )
                    yield line
        except UnicodeError as error:
            raise InputError(f"found bytes that aren't {self.encoding} text ({error})", file=self.name) from error
        except (OSError, EOFError, zlib.error) as error:
            raise InputError(f"the gzip data is damaged ({error})", file=self.name) from error


def open_source(path: str | Path) -> Source:
    """Recognise a file by its content; the extension only words the error.

    Raises
    ------
    InputError
        Missing, unreadable, empty, a directory, or neither text nor Parquet.
    """
    path = Path(path)
    head = None
    try:
        mode = path.stat().st_mode
        # opening a pipe would wait, and a file is looked at before it is read
        if stat.S_ISREG(mode) or stat.S_ISDIR(mode):
            with path.open("rb") as file:
                head = file.read(HEAD_BYTES)
    except FileNotFoundError as error:
        raise InputError("no such file", file=str(path)) from error
    except IsADirectoryError as error:
        raise InputError("is a directory, expected a CSV or Parquet file", file=str(path)) from error
    except PermissionError as error:
        raise InputError("no permission to read it", file=str(path)) from error
    except (OSError, ValueError) as error:
        raise InputError(f"can't be opened ({getattr(error, 'strerror', error)})", file=str(path)) from error
    if head is None:
        raise InputError("is a pipe or a device, expected a file: write it to one first", file=str(path))
    if not head:
        raise InputError("the file is empty", file=path.name)
    suffixes = [suffix.lower() for suffix in path.suffixes]
    packed = head.startswith(GZIP_MAGIC)
    if suffixes[-1:] == [".gz"] and not packed:
        raise InputError("is named .gz but isn't gzip data", file=path.name)
    if packed:
        head = _unpacked_head(path)
        if not head:
            raise InputError("the file is empty", file=path.name)
    if head.startswith(PARQUET_MAGIC):
        if packed:
            raise InputError("is Parquet inside gzip: unpack it first", file=path.name)
        return Source(path=path, form="parquet", packed=False, encoding="utf-8")
    if suffixes[-1:] in ([".parquet"], [".pq"]):
        raise InputError("is named as Parquet but isn't (no PAR1 mark at its start)", file=path.name)
    if head.startswith(ZIP_MAGIC):
        raise InputError("is a zip archive or spreadsheet, expected CSV or Parquet: save it as CSV", file=path.name)
    return Source(path=path, form="text", packed=packed, encoding=_encoding(head, path.name))


def _unpacked_head(path: Path) -> bytes:
    try:
        with gzip.open(path, "rb") as file:
            return file.read(HEAD_BYTES)
    except (OSError, EOFError, zlib.error) as error:
        raise InputError(f"the gzip data is damaged ({error})", file=path.name) from error


def _encoding(head: bytes, name: str) -> str:
    if head.startswith(b"\xef\xbb\xbf"):
        return "utf-8-sig"
    if head.startswith((codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE)):
        raise InputError("is text in UTF-32, expected UTF-8: save it as that", file=name)
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    if b"\x00" in head:
        lines = head[: head.index(b"\x00") + 1].splitlines()
        if len(lines) > 1 and b"".join(lines[:-1]).isascii():
            problem = "found NUL bytes, expected text (a power cut while it was written? leave them out)"
            raise InputError(problem, file=name, row=len(lines))
        raise InputError("is binary, expected CSV text or Parquet", file=name)
    try:
        # a character cut at the end of the head is no error
        head.decode("utf-8") if len(head) < HEAD_BYTES else head[:-4].decode("utf-8", errors="strict")
    except UnicodeDecodeError as error:
        if len(head) < HEAD_BYTES or error.start < len(head) - 8:
            control = sum(byte < 9 or 13 < byte < 32 for byte in head)
            if control > 0.01 * len(head):
                raise InputError("is binary, expected CSV text or Parquet", file=name) from error
            return "latin-1"
    else:
        if sum(byte < 9 or 13 < byte < 32 for byte in head[:4096]) > 40:
            raise InputError("is binary, expected CSV text or Parquet", file=name)
    return "utf-8"
