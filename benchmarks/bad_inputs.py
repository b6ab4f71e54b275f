"""Bad inputs, and what each gets from the command line: answered with a finding, or one line and exit status 2.

    python benchmarks/bad_inputs.py        # writes BAD_INPUTS.md beside this file

`tests/robust/test_bad_inputs.py` makes the same inputs and holds each of them to its row.
"""

from __future__ import annotations

import contextlib
import gzip
import io
import os
import pickle
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from flowsift.cli import main
from flowsift.readers import table as reader_table

HEADER = "time,volume_l\n"
SCALED_ROWS = 200_000
"""Rows held at once at most while the bombs are read (40 million as shipped): the same refusal, sooner."""


@dataclass(frozen=True, kw_only=True)
class BadInput:
    """One input.

    Attributes
    ----------
    group, name : str
    make : callable
        Writes ``meter.csv`` (or another file, whose name it returns) into the folder it is given.
    status : int
        Exit status: 0 answered, 2 refused.
    words : str
        Part of the one line, or of the finding that says what was done; empty where there is nothing to say.
    options : tuple of str
        Options given beside the file.
    """

    group: str
    name: str
    make: Callable[[Path], str | None]
    status: int
    words: str = ""
    options: tuple[str, ...] = field(default=())


def stamps(n: int = 600, start: str = "2024-03-05 06:00:00", step: str = "1s") -> list[str]:
    """Return times as text."""
    return list(pd.date_range(start, periods=n, freq=step).strftime("%Y-%m-%d %H:%M:%S"))


def flows(n: int = 600) -> list[str]:
    """Return volumes with a few uses in them as text."""
    return ["0.1" if 100 <= i % 300 < 160 else "0.0" for i in range(n)]


def csv(
    *,
    times: list[str] | None = None,
    values: list[str] | None = None,
    header: str = HEADER,
    change: dict[int, str] | None = None,
    encoding: str = "utf-8",
) -> Callable[[Path], None]:
    """Return a writer of a small log; `change` replaces lines (1 = the header)."""

    def make(folder: Path) -> None:
        when = stamps() if times is None else times
        rows = [f"{t},{v}" for t, v in zip(when, values or flows(len(when)), strict=True)]
        lines = [*header.splitlines(), *rows]
        for number, line in (change or {}).items():
            lines[number - 1] = line
        (folder / "meter.csv").write_bytes(("\n".join(lines) + "\n").encode(encoding))

    return make


def raw(content: bytes, name: str = "meter.csv") -> Callable[[Path], str]:
    """Return a writer of bytes."""

    def make(folder: Path) -> str:
        (folder / name).write_bytes(content)
        return name

    return make


def good_text() -> str:
    """Return a log with nothing wrong."""
    return HEADER + "".join(f"{t},{v}\n" for t, v in zip(stamps(), flows(), strict=True))


def long_gzip(before: str, piece: bytes, gigabytes: float) -> Callable[[Path], str]:
    """Return a writer of a small gzip file whose unpacked end repeats `piece` up to so many gigabytes."""

    def make(folder: Path) -> str:
        block = (piece * (10_000_000 // len(piece) + 1))[:10_000_000]
        packed = gzip.compress(block, compresslevel=6)
        with (folder / "meter.csv.gz").open("wb") as file:
            file.write(gzip.compress(before.encode()))
            for _ in range(int(gigabytes * 100)):
                file.write(packed)
        return "meter.csv.gz"

    return make


def linked(to: str) -> Callable[[Path], None]:
    """Return a maker of a symbolic link."""

    def make(folder: Path) -> None:
        (folder / "real.csv").write_text(good_text(), encoding="utf-8")
        (folder / "meter.csv").symlink_to(to)

    return make


def pipe(folder: Path) -> None:
    """Make a pipe that nobody writes to."""
    os.mkfifo(folder / "meter.csv")


def folder_instead(folder: Path) -> None:
    """Make a folder of that name."""
    (folder / "meter.csv").mkdir()


def parquet(columns: dict[str, object], **options: object) -> Callable[[Path], str]:
    """Return a writer of a Parquet file."""

    def make(folder: Path) -> str:
        pq.write_table(pa.table(columns), folder / "meter.parquet", **options)
        return "meter.parquet"

    return make


def cut_parquet(folder: Path) -> str:
    """Write a Parquet file whose end is missing."""
    name = parquet({"time": pd.date_range("2024-01-01", periods=600, freq="s"), "volume_l": np.zeros(600)})(folder)
    whole = (folder / name).read_bytes()
    (folder / name).write_bytes(whole[: len(whole) // 2])
    return name


SAME = "2024-03-05 06:00:00"
LATIN_NOTE = HEADER.replace("\n", ",note\n") + "".join(
    f"{t},0.0,{'caf' + chr(233) if i == 19_000 else 'x'}\n" for i, t in enumerate(stamps(20_000))
)
MIXED_ZONES = [
    pd.Timestamp(t, tz="UTC").tz_convert(["UTC", "America/Denver", "Asia/Kathmandu"][i % 3]).isoformat()
    for i, t in enumerate(stamps())
]

CASES = (
    BadInput(group="Encodings", name="UTF-8 with a byte order mark", make=csv(encoding="utf-8-sig"), status=0),
    BadInput(group="Encodings", name="UTF-16 with a byte order mark", make=csv(encoding="utf-16"), status=0),
    BadInput(group="Encodings", name="UTF-16 without one", make=csv(encoding="utf-16-le"), status=2, words="binary"),
    BadInput(
        group="Encodings", name="Latin-1", make=csv(header="Zeit für alle,volume_l\n", encoding="latin-1"), status=0
    ),
    BadInput(
        group="Encodings", name="a Latin-1 byte far down in UTF-8", make=raw(LATIN_NOTE.encode("latin-1")), status=0
    ),
    BadInput(group="Encodings", name="UTF-32", make=csv(encoding="utf-32"), status=2, words="UTF-32"),
    BadInput(
        group="Encodings",
        name="a byte order mark half-way (two files joined)",
        make=raw(good_text().encode("utf-8-sig") * 2),
        status=2,
        words="row 602, column \"volume_l\": found 'volume_l'",
    ),
    BadInput(
        group="Encodings",
        name="a byte that isn't UTF-8 at the very end",
        make=raw(good_text().encode() + b"2024-03-05 06:10:00,\xed\xa0\x80\n"),
        status=2,
        words='row 602, column "volume_l"',
    ),
    BadInput(
        group="Encodings",
        name="lines that end in CR, LF and both",
        make=raw(
            "".join(line + ("\r", "\n", "\r\n")[i % 3] for i, line in enumerate(good_text().splitlines())).encode()
        ),
        status=0,
    ),
    BadInput(group="Encodings", name="NUL byte", make=csv(change={300: f"{SAME},\0"}), status=2, words="row 300"),
    BadInput(
        group="Encodings",
        name="a page of NUL bytes at the end (a power cut)",
        make=raw(good_text().encode() + bytes(4096)),
        status=2,
        words="row 602: found NUL bytes",
    ),
    BadInput(
        group="Encodings",
        name="NUL byte beyond the first 256 kB",
        make=csv(times=stamps(20_000), change={19_000: "2024-03-05 11:16:38,0.\0"}),
        status=2,
        words="row 19000",
    ),
    BadInput(group="Encodings", name="random bytes", make=raw(bytes(range(256)) * 40), status=2, words="binary"),
    BadInput(group="Encodings", name="a pickle", make=raw(pickle.dumps({"a": [1.0] * 50})), status=2, words="binary"),
    BadInput(
        group="Encodings", name="a zip archive or workbook", make=raw(b"PK\3\4" + bytes(90)), status=2, words="zip"
    ),
    BadInput(group="Sizes", name="empty file", make=raw(b""), status=2, words="the file is empty"),
    BadInput(group="Sizes", name="header only", make=raw(HEADER.encode()), status=2, words="header and no rows"),
    BadInput(
        group="Sizes",
        name="Parquet without rows",
        make=parquet({"time": pa.array([], pa.timestamp("ns")), "volume_l": pa.array([], pa.float64())}),
        status=2,
        words="found no rows",
    ),
    BadInput(group="Sizes", name="one row", make=csv(times=stamps(1)), status=2, words="one time only"),
    BadInput(
        group="Sizes",
        name="a million columns",
        make=raw(("a," * 1_000_000 + "\n" + "1," * 1_000_000).encode()),
        status=2,
        words="row 1: found a line of more than 65,536 characters",
    ),
    BadInput(
        group="Sizes",
        name="a thousand columns",
        make=raw(
            ("time,volume_l" + ",x" * 998 + "\n" + "".join(f"{t},0.0{',1' * 998}\n" for t in stamps(60))).encode()
        ),
        status=0,
        words="Ignored",
    ),
    BadInput(
        group="Sizes",
        name="a name of 60,000 characters",
        make=csv(header=f"time,{'x' * 60_000} volume_l\n"),
        status=2,
        words="xxx...",
    ),
    BadInput(
        group="Sizes",
        name="a first line of 10 GB",
        make=long_gzip("", b"x", 10),
        status=2,
        words="row 1: found a line of more than",
    ),
    BadInput(
        group="Sizes",
        name="a line of 10 GB under 600 good rows",
        make=long_gzip(good_text(), b"7", 10),
        status=2,
        words="row 602: found a line of more than",
    ),
    BadInput(
        group="Sizes",
        name="gzip bomb of one row again and again (1 GB)",
        make=long_gzip(good_text(), f"{SAME},0.0\n".encode(), 1),
        status=2,
        words="found more than",
    ),
    BadInput(
        group="Sizes",
        name="Parquet bomb of one row again and again",
        make=parquet({"time": pa.array(np.full(3_000_000, 1_709_618_400, "M8[s]")), "volume_l": np.zeros(3_000_000)}),
        status=2,
        words="found more than",
    ),
    BadInput(
        group="Sizes",
        name="damaged gzip",
        make=raw(gzip.compress(good_text().encode())[:-40], "meter.csv.gz"),
        status=2,
        words="gzip data is damaged",
    ),
    BadInput(group="Sizes", name="damaged Parquet", make=cut_parquet, status=2, words="damaged Parquet"),
    BadInput(
        group="Rows",
        name="a field too many",
        make=csv(change={300: f"{SAME},0.1,7"}),
        status=2,
        words="row 300: found 3 fields, expected 2",
    ),
    BadInput(
        group="Rows",
        name="a field too few",
        make=csv(change={300: SAME}),
        status=2,
        words="row 300: found 1 fields, expected 2",
    ),
    BadInput(group="Rows", name="a quote left open", make=csv(change={300: f'"{SAME},0.1'}), status=2, words="row 300"),
    BadInput(
        group="Rows",
        name="a quote left open before a value",
        make=csv(change={300: f'{SAME},"0.1'}),
        status=2,
        words="is a quote left open?",
    ),
    BadInput(
        group="Rows",
        name="the header again half-way",
        make=csv(change={300: HEADER.strip()}),
        status=2,
        words="row 300, column \"volume_l\": found 'volume_l'",
    ),
    BadInput(
        group="Rows",
        name="a total under the rows",
        make=csv(change={601: "Total,12.0"}),
        status=2,
        words="row 601, column \"time\": found 'Total'",
    ),
    BadInput(
        group="Rows",
        name="the last row cut off",
        make=raw(good_text()[:-8].encode()),
        status=2,
        words="row 601: found 1",
    ),
    BadInput(
        group="Rows",
        name="two meters in one file",
        make=csv(times=[t for t in stamps(300) for _ in "ab"], values=["0.1", "0.2"] * 300),
        status=2,
        words="600 rows that give different values for one interval",
    ),
    BadInput(
        group="Rows",
        name="a line sep=; above the header",
        make=raw(("sep=;\n" + good_text().replace(",", ";")).encode()),
        status=0,
    ),
    BadInput(group="Rows", name="a name with a line end in quotes", make=csv(header='time,"volume\nl"\n'), status=0),
    BadInput(
        group="Rows",
        name="a delimiter that isn't ASCII",
        make=csv(),
        options=("--delimiter", "€"),
        status=2,
        words="expected one ASCII character",
    ),
    BadInput(
        group="Rows",
        name="one column for times and values",
        make=csv(),
        options=("--time-column", "2", "--value-column", "2"),
        status=2,
        words="can't hold both",
    ),
    BadInput(
        group="Numbers", name="no value in any row", make=csv(values=[""] * 600), status=2, words="no row with a usable"
    ),
    BadInput(group="Numbers", name="zero throughout", make=csv(values=["0"] * 600), status=0),
    BadInput(group="Numbers", name="one flow throughout", make=csv(values=["0.1"] * 600), status=0),
    BadInput(
        group="Numbers",
        name="Arabic digits",
        make=csv(change={300: f"{SAME},\u0660.\u0661"}),
        status=2,
        words='row 300, column "volume_l"',
    ),
    BadInput(
        group="Numbers",
        name="a space that doesn't break before each value",
        make=raw(good_text().replace(",", ",\u00a0").encode()),
        status=2,
        words="expected a number in ASCII characters",
    ),
    BadInput(
        group="Numbers",
        name="commas every three digits",
        make=csv(header="time,reading_l\n", values=[f'"{1200 + i:,}"' for i in range(600)]),
        status=2,
        words="pass --decimal",
    ),
    BadInput(
        group="Numbers",
        name="a register that rolls over",
        make=csv(header="time,reading_l\n", values=[f"{(99_996 + 0.02 * i) % 100_000:.2f}" for i in range(600)]),
        status=0,
        words="register roll-over",
    ),
    BadInput(
        group="Numbers",
        name="a register of 18 digits",
        make=csv(header="time,reading_l\n", values=[f"{10**17 + i}" for i in range(600)]),
        status=2,
        words='row 2, column "reading_l": found 1e+17 L',
    ),
    BadInput(
        group="Numbers",
        name="a register that runs backwards",
        make=csv(header="time,reading_l\n", values=[f"{400 - 0.02 * i:.2f}" for i in range(600)]),
        status=2,
        words="expected a register that rises",
    ),
    BadInput(
        group="Numbers",
        name="a register that falls at every third row",
        make=csv(header="time,reading_l\n", values=[f"{5000 + 0.02 * i - 50 * (i % 3 == 2):.2f}" for i in range(600)]),
        status=2,
        words='row 2, column "reading_l"',
    ),
    BadInput(group="Numbers", name="NaN", make=csv(change={300: f"{stamps()[298]},NaN"}), status=0, words="1 gap"),
    BadInput(
        group="Numbers",
        name="infinity",
        make=csv(change={300: f"{SAME},inf"}),
        status=2,
        words='row 300, column "volume_l": found inf',
    ),
    BadInput(
        group="Numbers",
        name="1e400",
        make=csv(change={300: f"{SAME},1e400"}),
        status=2,
        words='row 300, column "volume_l": found inf',
    ),
    BadInput(
        group="Numbers",
        name="text",
        make=csv(change={300: f"{SAME},lots"}),
        status=2,
        words="row 300, column \"volume_l\": found 'lots'",
    ),
    BadInput(group="Numbers", name="hexadecimal", make=csv(change={300: f"{SAME},0x1F"}), status=2, words="row 300"),
    BadInput(
        group="Numbers",
        name="a decimal comma among points",
        make=csv(change={300: f'{SAME},"0,1"'}),
        status=2,
        words="row 300",
    ),
    BadInput(
        group="Numbers",
        name="one negative value",
        make=csv(change={300: f"{stamps()[298]},-0.4"}),
        status=0,
        words="negative values",
    ),
    BadInput(
        group="Numbers",
        name="negative throughout",
        make=csv(values=["-0.1"] * 600),
        status=2,
        words='row 2, column "volume_l": found -0.1',
    ),
    BadInput(
        group="Numbers",
        name="one huge value",
        make=csv(change={300: f"{stamps()[298]},1e300"}),
        status=0,
        words="impossible flow",
    ),
    BadInput(
        group="Numbers", name="huge throughout", make=csv(values=["1e300"] * 600), status=2, words="is the unit right"
    ),
    BadInput(group="Numbers", name="5e-324 throughout", make=csv(values=["5e-324"] * 600), status=0),
    BadInput(
        group="Times",
        name="year 1",
        make=csv(change={2: "0001-01-01 00:00:00,0"}),
        status=2,
        words='row 2, column "time"',
    ),
    BadInput(
        group="Times",
        name="year 9999",
        make=csv(change={601: "9999-12-31 23:59:59,0"}),
        status=2,
        words='row 601, column "time"',
    ),
    BadInput(
        group="Times",
        name="one row of 1970",
        make=csv(change={300: "1970-01-01 00:00:00,0.1"}),
        status=0,
        words="stray times",
    ),
    BadInput(
        group="Times",
        name="seconds since 1970 beyond the year 2149",
        make=csv(times=[str(9_000_000_000_0 + i) for i in range(600)]),
        status=2,
        words='row 2, column "time"',
    ),
    BadInput(
        group="Times",
        name="seconds since 1970 beyond int64",
        make=csv(times=[str(2**63 + i) for i in range(600)]),
        status=2,
        words='row 2, column "time"',
    ),
    BadInput(
        group="Times",
        name="one row in milliseconds among seconds since 1970",
        make=csv(times=[str((1_709_618_400 + i) * (1000 if i == 300 else 1)) for i in range(600)]),
        status=2,
        words='row 302, column "time"',
    ),
    BadInput(
        group="Times",
        name="an offset of 25 hours",
        make=csv(times=[f"{t}+25:00" for t in stamps()]),
        status=2,
        words='row 2, column "time"',
    ),
    BadInput(
        group="Times",
        name="leap second 23:59:60",
        make=csv(
            times=[*stamps(300, "2016-12-31 23:55:00"), "2016-12-31 23:59:60", *stamps(299, "2017-01-01 00:00:00")]
        ),
        status=0,
    ),
    BadInput(
        group="Times",
        name="24:00:00",
        status=0,
        make=csv(
            times=[*stamps(300, "2024-03-05 23:55:00"), "2024-03-05 24:00:00", *stamps(299, "2024-03-06 00:00:01")]
        ),
    ),
    BadInput(
        group="Times", name="30 February", make=csv(change={300: "2024-02-30 00:00:00,0"}), status=2, words="row 300"
    ),
    BadInput(
        group="Times", name="backwards throughout", make=csv(times=stamps()[::-1]), status=0, words="rows out of order"
    ),
    BadInput(
        group="Times",
        name="a clock set back an hour",
        make=csv(times=stamps(300) + stamps(300, "2024-03-05 05:05:00")),
        status=0,
        words="rows out of order",
    ),
    BadInput(
        group="Times",
        name="every row twice",
        make=csv(times=[t for t in stamps(300) for _ in "ab"], values=[v for v in flows(300) for _ in "ab"]),
        status=0,
        words="duplicate rows",
    ),
    BadInput(group="Times", name="one time throughout", make=csv(times=[SAME] * 600), status=2, words="one time only"),
    BadInput(
        group="Times", name="an empty time", make=csv(change={300: ",0.1"}), status=2, words='row 300, column "time"'
    ),
    BadInput(group="Times", name="another zone in each row", make=csv(times=MIXED_ZONES), status=0),
    BadInput(
        group="Times",
        name="zones in some rows only",
        make=csv(change={300: "2024-03-05T06:05:00Z,0.1"}),
        status=2,
        words='row 300, column "time": found a time with a zone among times without one',
    ),
    BadInput(
        group="Times",
        name="an hour that daylight saving skips",
        make=csv(times=stamps(600, "2024-03-10 02:10:00")),
        options=("--timezone", "America/Denver"),
        status=0,
        words="local times that don't exist",
    ),
    BadInput(
        group="Times",
        name="an hour that comes twice",
        make=csv(times=stamps(600, "2024-11-03 01:10:00")),
        options=("--timezone", "America/Denver"),
        status=0,
        words="local times that come twice",
    ),
    BadInput(
        group="Times",
        name="day and month that can't be told",
        make=csv(times=[f"03/04/2024 06:{i // 60:02}:{i % 60:02}" for i in range(600)]),
        status=2,
        words="--day-first",
    ),
    BadInput(
        group="Times",
        name="31 years from first to last",
        make=csv(times=["1990-01-01 00:00:00", *stamps(20)]),
        status=2,
        words='row 2, column "time"',
    ),
    BadInput(group="Units", name="no unit", make=csv(header="time,value\n"), status=2, words="--unit"),
    BadInput(
        group="Units", name="an unknown unit", make=csv(), options=("--unit", "pint"), status=2, words="known units"
    ),
    BadInput(
        group="Units",
        name="gallons in the name, litres said",
        make=csv(header="time,volume_gal\n"),
        options=("--unit", "L"),
        status=0,
    ),
    BadInput(
        group="Units",
        name="a rate read as a volume",
        make=csv(header="time,flow_gpm\n"),
        options=("--kind", "volume"),
        status=2,
        words="its unit is a rate",
    ),
    BadInput(
        group="Units",
        name="litres and gallons side by side",
        status=2,
        words="--value-column",
        make=raw(("time,volume_l,volume_gal\n" + "".join(f"{t},1.0,0.3\n" for t in stamps(60))).encode()),
    ),
    BadInput(
        group="Units",
        name="cubic metres said to be litres an hour",
        make=csv(header="time,reading_m3\n"),
        options=("--unit", "L/h"),
        status=0,
    ),
    BadInput(
        group="Names",
        name="HTML in a column's name",
        make=csv(header="time,<script>alert(1)</script> volume_l\n"),
        status=0,
    ),
    BadInput(
        group="Names",
        name="a formula in a column's name",
        make=csv(header="time,=cmd|' /C calc'!A0 volume_l\n"),
        status=0,
    ),
    BadInput(
        group="Names",
        name="terminal commands in a column's name",
        make=csv(header="time,\x1b[2J\x07volume_l\n", change={300: f"{SAME},x"}),
        status=2,
        words="row 300",
    ),
    BadInput(
        group="Names",
        name="two columns of one name",
        status=2,
        words="--value-column",
        make=raw(("time,volume_l,volume_l\n" + "".join(f"{t},1.0,0.3\n" for t in stamps(60))).encode()),
    ),
    BadInput(
        group="Names",
        name="Parquet columns of lists",
        status=2,
        make=parquet({"time": pa.array([[1.0]] * 9), "volume_l": pa.array([[1.0]] * 9)}),
        words='column "time"',
    ),
    BadInput(
        group="Names",
        name="Parquet values inside a structure",
        status=2,
        make=parquet({"time": pd.date_range(SAME, periods=60, freq="s"), "flow": pa.array([{"volume_l": 0.1}] * 60)}),
        words='column "flow"',
    ),
    BadInput(group="Files", name="gzip under the name .csv", make=raw(gzip.compress(good_text().encode())), status=0),
    BadInput(
        group="Files",
        name="CSV under the name .gz",
        make=raw(good_text().encode(), "meter.csv.gz"),
        status=2,
        words="isn't gzip data",
    ),
    BadInput(group="Files", name="no such file", make=lambda _: None, status=2, words="no such file"),
    BadInput(group="Files", name="a folder", make=folder_instead, status=2, words="is a directory"),
    BadInput(group="Files", name="a link to a good file", make=linked("real.csv"), status=0),
    BadInput(group="Files", name="a link to nothing", make=linked("none.csv"), status=2, words="no such file"),
    BadInput(group="Files", name="a link to itself", make=linked("meter.csv"), status=2, words="can't be opened"),
    BadInput(group="Files", name="a pipe nobody writes to", make=pipe, status=2, words="is a pipe or a device"),
    BadInput(group="Files", name="/dev/zero", make=linked("/dev/zero"), status=2, words="is a pipe or a device"),
)


@dataclass(frozen=True)
class Ended:
    """How a run of the command line ended."""

    status: int
    out: str
    err: str


def outcome(case: BadInput, folder: Path) -> Ended:
    """Make an input in an empty folder and run ``flowsift account`` on it."""
    name = case.make(folder) or "meter.csv"
    with scaled(case.group == "Sizes"):
        return run("account", str(folder / name), *case.options)


@contextlib.contextmanager
def scaled(small: bool) -> Iterator[None]:
    """Lower the number of rows held at once."""
    with mock.patch.object(reader_table, "MOST_ROWS", SCALED_ROWS if small else reader_table.MOST_ROWS):
        yield


def run(*arguments: str) -> Ended:
    """Run the command line in this process."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main(arguments)
        except SystemExit as ended:
            return Ended(int(ended.code or 0), out.getvalue(), err.getvalue())
    raise AssertionError("the command line returned")


def table_text() -> str:
    """Return the table of all cases with what each gets."""
    lines = [
        "# Bad inputs",
        "",
        "Written by `python benchmarks/bad_inputs.py`; `tests/robust/test_bad_inputs.py` holds each row. Every input",
        "goes through `flowsift account`. Status 0: answered, and the account says what was done about it; status 2:",
        "one line on standard error, nothing on standard output, no traceback.",
        "",
        f"The bombs are read with {SCALED_ROWS:,} rows held at once at most; 40,000,000 as shipped.",
    ]
    group = ""
    for case in CASES:
        if case.group != group:
            group = case.group
            lines += ["", f"## {group}", "", "| input | status | what it gets |", "| --- | --- | --- |"]
        with tempfile.TemporaryDirectory() as folder:
            ended = outcome(case, Path(folder))
            said = ended.err.strip() if ended.status else finding(ended.out, case.words)
            said = said.removeprefix("flowsift: ").replace(f"{folder}/", "").replace("|", "\\|")
        lines.append(f"| {case.name} | {ended.status} | {said[:230]} |")
    return "\n".join([*lines, "", WRITING, FUZZING])


def finding(account: str, words: str) -> str:
    """Return the line of an account that holds the words."""
    if not words:
        return "answered"
    flat = [" ".join(line.split()) for line in account.splitlines()]
    return next((f"answered: {line}" for line in flat if words in line), "answered")


WRITING = "\n".join(
    [
        "## Writing",
        "",
        "Held by `tests/robust/test_writing.py`.",
        "",
        "| what happens | what it gets |",
        "| --- | --- |",
        "| the disk is full half-way (a real limit on the size of a file, for each kind of file) "
        "| one line; the old file is whole, nothing is left |",
        "| read-only disk, no space, no permission for the folder (simulated: making the folder fails so) | one line |",
        "| Ctrl-C, no memory or an error while writing | the old file is whole, nothing is left |",
        "| the process is killed while writing (a real SIGKILL) "
        "| the old file is whole; a hidden folder `.NAME.*.part` is left |",
        "| the place is a link | what it points to is replaced, the link stays |",
        "| the place is a file that is read or that another option writes, a pipe or a device "
        "| one line before any work |",
        "| a text cell like `=1+1`, `+1`, `-1`, `@SUM(A1)`, or one with a tab, a line end or their wide forms in "
        "front, or such a text after a semicolon within a cell | CSV gets an apostrophe before it |",
        "",
    ]
)

FUZZING = """## Fuzzing

`benchmarks/fuzz.py` looked further; its finds are kept in `tests/robust/cases` and go through the same checks in
`tests/robust/test_fuzz_cases.py`. Processor time counts: the machine was shared, and a clock tells little.

| target | executions before | at 36c2b72 to 01b2ac5 | processor time | at 9b98e8b | processor time | most edges |
| --- | --- | --- | --- | --- | --- | --- |
| text | 135,842 | 221,826 | 923 s | 77,819 | 158 s | 1,520 |
| arrays | 8,760 | 46,988 | 660 s | 13,422 | 295 s | 1,122 |
| answers | 4,680 | 11,937 | 584 s | 3,053 | 277 s | 858 |
| parquet-table | 4,843 | 16,569 | 372 s | 15,316 | 300 s | 1,450 |
| parquet-bytes | 1,428 | 30,122 | 275 s | 2,480 | 57 s | 1,020 |

Those before took 3.0 h by the clock; their processor time wasn't recorded for most. The later ones, 439,532 executions,
took 4.5 h by the clock and 3,901 s (1.08 h) of processor time, fixed costs such as reading the corpus again in each
slice included. They found four faults, all mended: pulses far apart on a grid of a nanosecond were laid over more cells
than any memory holds; a grid as fine took gigabytes in the search for spans (no interval is below a millisecond now);
a register without a row, and a Parquet column whose zone isn't text, ended in errors that weren't flowsift's. The last
1,567 s, from an empty corpus for the most part, ran with all four mended or their inputs refused, and found nothing
new: too little to say that nothing is left.
"""


if __name__ == "__main__":
    Path(__file__).with_name("BAD_INPUTS.md").write_text(table_text(), encoding="utf-8")
    sys.stdout.write("BAD_INPUTS.md\n")
