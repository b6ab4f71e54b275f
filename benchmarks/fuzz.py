"""Coverage-guided fuzzing of the readers, the constructors of `Trace` and `disaggregate`.

    pip install atheris
    python benchmarks/fuzz.py --seconds 3600 --work FOLDER

Each target takes bytes, makes an input of them, and checks what comes out: a sound trace whose answer keeps the mass
balance, or one error of flowsift's own in one line; nothing else. A failure is kept in ``FOLDER/found`` (one file for
each place and kind) and fuzzing goes on; ``FOLDER/log.jsonl`` gets a line per slice with its seconds, executions and
coverage, and ``--report`` adds them up. The corpus in ``FOLDER/corpus`` carries over from one run to the next.

Slices and the limit on one input are counted in processor time, so that a busy machine neither starves a target nor
calls a sound input slow; ``--seconds`` is by the clock.

`tests/robust/test_fuzz_cases.py` replays the kept cases through the same targets.
"""

from __future__ import annotations

import argparse
import functools
import gzip
import json
import os
import re
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

try:
    import atheris
except ImportError:
    atheris = None

# only a process that fuzzes needs the package with its branches counted
with atheris.instrument_imports(include=["flowsift"]) if atheris and "--one" in sys.argv else nullcontext():
    import flowsift as fs
    import flowsift.pipeline
    from flowsift.evaluate.contract import broken_invariant
    from flowsift.readers.read import KINDS

SLICE_S = 300
"""Seconds of processor time of one process: the next one loads the code as it is then."""

SLICE_CLOCK_S = 3600
"""Seconds of one process by the clock, however little of the processor it got."""

MAX_BYTES = 4096
"""Longest input."""

MAX_CELLS = 8192
"""Longest trace that the target `answers` makes."""

MAX_FLOW = 2000
"""Cells with flow up to which an answer is asked for: more would only slow the search down."""

MEMORY_MB = 3000
"""Resident memory at which a run counts as a failure."""

RENEWAL_MB = 2200
"""Resident memory at which a slice ends: what counts branches keeps a little for each, as flowsift alone does not."""

SLOW_S = 30
"""Seconds of processor time after which one input counts as a failure."""

HANG_S = 1200
"""Seconds by the clock after which an input that doesn't end counts as one."""

UNITS = (None, "L", "gal", "m3", "L/min", "gpm", "CCF")
ZONES = (None, "UTC", "America/Denver", "Australia/Lord_Howe", "Africa/Monrovia")


class BrokenPromiseError(AssertionError):
    """What came out is neither a sound answer nor a clear error."""


class Feed:
    """Bytes taken from the front, as choices and numbers; zeros when they run out."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.at = 0

    def bytes(self, n: int) -> bytes:
        """Return the next n bytes, padded with zeros."""
        taken = self.data[self.at : self.at + n]
        self.at += n
        return taken.ljust(n, b"\0")

    def pick(self, choices: tuple) -> object:
        """Return one of the choices."""
        return choices[self.bytes(1)[0] % len(choices)]

    def whole(self) -> int:
        """Return an int64."""
        return int.from_bytes(self.bytes(8), "little", signed=True)

    def rest(self) -> bytes:
        """Return what is left."""
        return self.data[self.at :]

    @property
    def left(self) -> int:
        """Bytes left."""
        return len(self.data) - self.at


def check_trace(trace: fs.Trace) -> None:
    """Check that a trace is sound, and that its answer keeps the contract."""
    cell, volume, gaps = trace.cell, trace.volume_l, trace.gaps
    if trace.interval_ns < 1 or trace.n_cells < 1:
        raise BrokenPromiseError(f"{trace.n_cells} cells of {trace.interval_ns} ns")
    if cell.size and not (cell[0] >= 0 and cell[-1] < trace.n_cells and (np.diff(cell) > 0).all()):
        raise BrokenPromiseError("cells out of order or outside")
    if not (np.isfinite(volume).all() and (volume > 0).all() and np.isfinite(trace.gap_volume_l).all()):
        raise BrokenPromiseError("a volume that isn't positive and finite")
    if not ((trace.gap_volume_l >= 0).all() and len(gaps) == trace.gap_volume_l.size):
        raise BrokenPromiseError("gap volumes")
    if len(gaps):
        flat = gaps.ravel()
        touching_is_fine = (gaps[:, 1] > gaps[:, 0]).all() and (gaps[1:, 0] >= gaps[:-1, 1]).all()
        if not (touching_is_fine and flat[0] >= 0 and flat[-1] <= trace.n_cells):
            raise BrokenPromiseError("gaps out of order or outside")
        inside = np.searchsorted(gaps[:, 0], cell, side="right") - 1
        if ((inside >= 0) & (cell < gaps[inside, 1])).any():
            raise BrokenPromiseError("flow inside a gap")
    if not (np.isfinite(trace.pulse_l) and trace.pulse_l >= 0 and np.isfinite(trace.metered_l)):
        raise BrokenPromiseError("pulse or total that isn't finite")
    repr(trace)
    if trace.n_flow > MAX_FLOW:
        return
    try:
        answer = fs.disaggregate(trace)
    except fs.FlowsiftError as error:
        # intervals of less than a second may be too many between two pulses; nothing else of a sound trace is refused
        if trace.interval_s >= 1.0:
            raise BrokenPromiseError("no answer for a sound trace") from error
        check_error(error)
        return
    broken = broken_invariant(answer, trace)
    if broken:
        raise BrokenPromiseError(broken)
    repr(answer)
    len(answer.fixtures)
    len(answer.quality)
    if float((gaps[:, 1] - gaps[:, 0])[trace.gap_volume_l > 0].sum()) < 1e5:
        flow = answer.flow_by_label().to_numpy()
        total = float(flow.sum()) * trace.interval_s / 60.0
        if not (np.isfinite(flow).all() and (flow >= 0).all()):
            raise BrokenPromiseError("flow by label that is negative or not finite")
        if abs(total - trace.metered_l) > 1e-9 * trace.metered_l + 1e-12:
            raise BrokenPromiseError(f"flow by label adds up to {total}, metered {trace.metered_l}")


def check_error(error: fs.FlowsiftError) -> None:
    """Check that an error is one clear line."""
    text = str(error)
    if not text.strip() or "\n" in text or "\r" in text or len(text) > 4000:
        raise BrokenPromiseError(f"an error of {len(text)} characters in {len(text.splitlines())} lines") from error


def fuzz_text(data: bytes) -> None:
    """Take the bytes as a text file, read with options that the first few of them choose."""
    feed = Feed(data)
    options = {
        "unit": feed.pick(UNITS),
        "kind": feed.pick((None, None, *KINDS)),
        "timezone": feed.pick(ZONES),
        "absent": feed.pick((None, "missing", "zero")),
        "day_first": feed.pick((None, True, False)),
        "interval_s": feed.pick((None, None, None, 1.0, 0.001, 86400.0)),
        "pulse_l": feed.pick((None, None, 0.1, 10.0, 1e-9)),
    }
    read(feed.rest(), "meter.csv", options)


def fuzz_parquet_bytes(data: bytes) -> None:
    """Take the bytes as a Parquet file, or as damage done to a good one.

    What parses Parquet is no Python, so coverage doesn't lead through it: bytes changed anywhere hardly ever leave a
    file that opens. The first byte picks a good file (or, 255, none), then four bytes each are one change to it.
    """
    feed = Feed(data)
    first = feed.bytes(1)[0]
    if first == 255 or data[:4] == b"PAR1":
        read(data if data[:4] == b"PAR1" else feed.rest(), "meter.parquet", {"unit": "L"})
        return
    whole = bytearray(good_parquet()[first % len(good_parquet())])
    while feed.left >= 4:
        # most places are counted from the end: there stand the schema and the places of the columns
        back, place = feed.pick((True, True, False)), int.from_bytes(feed.bytes(2), "little") % len(whole)
        change = feed.bytes(1)[0]
        at = len(whole) - 1 - place if back else place
        if change < 8:
            whole[at] ^= 1 << change
        elif change == 8:
            del whole[at : at + 4]
        elif change == 9:
            whole[at:at] = whole[at : at + 4]
        else:
            whole[at] = change
        if len(whole) < 12:
            return
    read(bytes(whole), "meter.parquet", {"unit": "L"})


@functools.cache
def good_parquet() -> list[bytes]:
    """Return small Parquet files of every layout: compressions, versions, dictionaries, nulls, row groups, zones."""
    stamps = pd.date_range("2024-03-05 06:00", periods=30, freq="s")
    values = [0.1 * (i % 5) for i in range(30)]
    holes = [None if i % 7 == 0 else v for i, v in enumerate(values)]
    frames = [
        pa.table({"time": stamps, "volume_l": values}),
        pa.table({"time": stamps.tz_localize("America/Denver"), "volume_l": holes}),
        pa.table({"time": stamps.strftime("%Y-%m-%d %H:%M:%S"), "reading_l": np.cumsum(values)}),
        pa.table({"time": stamps.as_unit("s"), "volume_l": pa.array([1, 2, 3] * 10, pa.int8()).dictionary_encode()}),
        pa.Table.from_pandas(pd.DataFrame({"volume_l": values}, index=stamps.rename("time"))),
    ]
    layouts = (
        {"compression": "none"},
        {"compression": "snappy", "row_group_size": 7},
        {"compression": "zstd", "data_page_version": "2.0", "use_dictionary": False},
        {"compression": "gzip", "version": "1.0", "write_statistics": False},
        {"compression": "none", "use_dictionary": False, "column_encoding": None, "store_schema": False},
    )
    found = []
    for table in frames:
        for layout in layouts:
            sink = pa.BufferOutputStream()
            pq.write_table(table, sink, **layout)
            found.append(sink.getvalue().to_pybytes())
    return found


PARQUET_TYPES = (
    pa.timestamp("ns"), pa.timestamp("us", tz="UTC"), pa.timestamp("s"), pa.timestamp("ms", tz="America/Denver"),
    pa.int64(), pa.int8(), pa.uint64(), pa.float64(), pa.float32(), pa.float16(), pa.date32(), pa.date64(),
    pa.time64("ns"), pa.duration("s"), pa.string(), pa.large_string(), pa.dictionary(pa.int8(), pa.string()),
    pa.binary(),
    pa.bool_(),
    pa.decimal128(20, 4), pa.list_(pa.float64()), pa.struct([("a", pa.int64())]),
    pa.null(),
)  # fmt: skip


def fuzz_parquet_table(data: bytes) -> None:
    """Make a Parquet file of columns of any type from the bytes."""
    feed = Feed(data)
    options = {
        "unit": feed.pick(UNITS),
        "kind": feed.pick((None, None, *KINDS)),
        "timezone": feed.pick(ZONES),
        "absent": feed.pick((None, "missing", "zero")),
        "pulse_l": feed.pick((None, 0.1)),
    }
    names = [str(feed.pick(("time", "volume_l", "reading", "flow_gpm", "x", "", "pulses"))) for _ in range(2)]
    kinds = [feed.pick(PARQUET_TYPES) for _ in names]
    n = feed.bytes(1)[0]
    columns = []
    for kind in kinds:
        raw = _numbers(feed, n)
        try:
            columns.append(_column(raw, kind))
        except (pa.ArrowInvalid, pa.ArrowNotImplementedError, pa.ArrowTypeError, OverflowError, ValueError, TypeError):
            columns.append(pa.array(raw.astype(np.float64)))
    table = pa.Table.from_arrays(columns, names=names)
    sink = pa.BufferOutputStream()
    try:
        pq.write_table(table, sink, row_group_size=max(1, feed.bytes(1)[0]))
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
        return
    read(sink.getvalue().to_pybytes(), "meter.parquet", options)


def _column(raw: np.ndarray, kind: pa.DataType) -> pa.Array:
    if pa.types.is_list(kind) or pa.types.is_struct(kind) or pa.types.is_null(kind):
        sample = {"a": 1} if pa.types.is_struct(kind) else [1.0] if pa.types.is_list(kind) else None
        return pa.array([sample] * raw.size, kind)
    if pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_dictionary(kind):
        texts = [str(pd.Timestamp(int(r) * 10**9)) if abs(r) < 9e9 else str(r) for r in raw]
        return pa.array(texts).cast(kind) if not pa.types.is_dictionary(kind) else pa.array(texts).dictionary_encode()
    if pa.types.is_binary(kind):
        return pa.array([str(r).encode() for r in raw], kind)
    whole = pa.array(raw if raw.dtype.kind == "i" else raw.astype(np.float64))
    if pa.types.is_temporal(kind) and raw.dtype.kind != "i":
        whole = pa.array(np.clip(np.nan_to_num(raw), -9e18, 9e18).astype(np.int64))
    if pa.types.is_date32(kind) or kind in (pa.time32("s"),):
        whole = whole.cast(pa.int32())
    return whole.cast(kind, safe=False)


def _numbers(feed: Feed, n: int) -> np.ndarray:
    """Return n numbers of a shape that the bytes choose: steps, steps with jitter, raw doubles, few values."""
    shape = feed.pick(("steps", "jitter", "doubles", "palette", "whole"))
    if shape == "doubles":
        return np.frombuffer(feed.bytes(8 * n), "<f8").copy()
    if shape == "whole":
        return np.frombuffer(feed.bytes(8 * n), "<i8").copy()
    start = feed.pick((0, 1_700_000_000, 1_710_054_000, 1_699_167_600, -9_223_372_036, 9_223_372_036, 1.7e18, 4e8))
    if shape == "palette":
        values = np.array(
            [0.0, 0.1, 0.2, 1.0, np.nan, np.inf, -1.0, 1e300, 5e-324, 1e-9, 1e9, 12.5, -0.0, 2.0, 3.0, 7.5]
        )
        return values[np.frombuffer(feed.bytes(n), np.uint8) % values.size]
    step = feed.pick((1, 5, 10, 60, 900, 3600, 0, -1, 86_400 * 400))
    noise = np.frombuffer(feed.bytes(n), np.int8).astype(np.float64)
    if shape == "steps":
        # a few bytes far from zero are rows out of place
        return start + step * (np.arange(n) + np.where(np.abs(noise) > 100, noise, 0.0))
    return start + step * (np.arange(n) + noise / 256.0)


def read(content: bytes, name: str, options: dict) -> None:
    """Write a file, read it, and check what comes out."""
    path = Path(SCRATCH.name) / name
    path.write_bytes(content)
    try:
        trace = fs.read_trace(path, **options)
    except fs.FlowsiftError as error:
        check_error(error)
        if SCRATCH.name in str(error):
            raise BrokenPromiseError("an error with the whole path") from error
        return
    check_trace(trace)


def fuzz_arrays(data: bytes) -> None:
    """Give arrays to the constructors; what comes out doesn't depend on the week or on the order of rows."""
    feed = Feed(data)
    build = feed.pick(("from_volumes", "from_flow", "from_register", "from_pulses"))
    unit = feed.pick(("L", "gal", "m3"))
    pulse_l = feed.pick((None, 0.0, 0.01, 0.1, 10.0, 1e-300, 1e300, float("nan")))
    interval_s = feed.pick((None, None, None, 1.0, 10.0, 0.001, 1e-9, 3600.0, 1e18))
    absent = feed.pick(("missing", "zero"))
    n = min(feed.bytes(1)[0] * int(feed.pick((1, 1, 4))), 1000)
    times, values = _numbers(feed, n), _numbers(feed, n)
    if feed.pick((False, True)):
        values = np.cumsum(values) if build == "from_register" else np.abs(values)
    try:
        trace = _built(str(build), times, values, pulse_l, interval_s, unit, absent)
    except fs.FlowsiftError as error:
        check_error(error)
        return
    check_trace(trace)
    if trace.n_flow > MAX_FLOW or times.dtype.kind != "f" or abs(times).max() > 8e9:
        return
    week = 7 * 86_400.0
    moved = _built(str(build), times + week, values, pulse_l, interval_s, unit, absent)
    # doubles of another week round their fractions otherwise: only whole seconds have to come out the same
    if (times == np.rint(times)).all():
        same = trace.start_ns + 7 * 86_400 * 10**9 == moved.start_ns and np.array_equal(trace.cell, moved.cell)
        if not (same and np.array_equal(trace.volume_l, moved.volume_l) and np.array_equal(trace.gaps, moved.gaps)):
            raise BrokenPromiseError("a shift by a week changes the trace")


def _built(
    build: str, times: np.ndarray, values: np.ndarray, pulse_l: object, interval_s: object, unit: object, absent: object
) -> fs.Trace:
    if build == "from_pulses":
        return fs.Trace.from_pulses(times, 0.1 if pulse_l is None else pulse_l, interval_s=interval_s or 1.0, unit=unit)
    return getattr(fs.Trace, build)(
        times, values, pulse_l=pulse_l, interval_s=interval_s, unit=unit, absent=absent, timezone="America/Denver"
    )


def fuzz_answers(data: bytes) -> None:
    """Give sound traces of every shape to `disaggregate`: spans of flow, trickles, pulses of any size, gaps."""
    feed = Feed(data)
    interval_s = float(feed.pick((1.0, 2.0, 5.0, 10.0, 30.0, 60.0, 300.0, 900.0, 3600.0, 86_400.0)))
    pulse_l = float(feed.pick((0.0, 0.001, 0.01, 0.1, 0.5, 1.0, 10.0, 1e-12)))
    n = 1 + int.from_bytes(feed.bytes(2), "little") % MAX_CELLS
    volume = np.zeros(n)
    volume += float(feed.pick((0.0, 0.0, 0.01, 0.2, 3.0))) * interval_s / 60.0
    missing = np.zeros(n, bool)
    while feed.left > 5:
        shape = feed.pick(("flat", "ragged", "taper", "missing", "alternating", "pulse"))
        start = int.from_bytes(feed.bytes(2), "little") % n
        stop = min(n, start + 1 + feed.bytes(1)[0] * (1 if shape != "missing" else 16))
        level = 2.0 ** (feed.bytes(1)[0] / 16.0 - 8.0) * interval_s / 60.0
        k = np.arange(stop - start)
        if shape == "missing":
            missing[start:stop] = True
            continue
        seed = np.random.default_rng(start)
        volume[start:stop] += (
            level
            * {
                "flat": np.ones(k.size),
                "ragged": seed.random(k.size),
                "taper": 1.0 / (1.0 + k),
                "alternating": (k % 2).astype(float),
                "pulse": (k % 17 == 0).astype(float),
            }[str(shape)]
        )
    if pulse_l:
        volume = np.diff(np.floor(np.cumsum(volume) / pulse_l + 1e-9), prepend=0.0) * pulse_l
    present = np.flatnonzero(~missing)
    try:
        trace = fs.Trace.from_volumes(
            1_709_510_400 + present * interval_s, volume[present], pulse_l or None, interval_s=interval_s
        )
    except fs.FlowsiftError as error:
        check_error(error)
        return
    check_trace(trace)


TARGETS: dict[str, tuple[Callable[[bytes], None], int]] = {
    "text": (fuzz_text, 3),
    "arrays": (fuzz_arrays, 2),
    "answers": (fuzz_answers, 2),
    "parquet-table": (fuzz_parquet_table, 1),
    "parquet-bytes": (fuzz_parquet_bytes, 1),
}
"""Each target with its share of the time."""

SCRATCH = tempfile.TemporaryDirectory(prefix="flowsift-fuzz-", dir="/dev/shm" if os.path.isdir("/dev/shm") else None)


def seeds(target: str) -> list[bytes]:
    """Return inputs to start from."""
    stamps = pd.date_range("2024-03-05 06:00", periods=30, freq="s")
    values = [0.1 * (i % 5) for i in range(30)]
    if target == "text":
        layouts = ["%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%SZ", "%d.%m.%Y %H:%M:%S", "%m/%d/%Y %I:%M:%S %p",
                   "%b %d %Y %H:%M", "%Y%m%d%H%M%S"]  # fmt: skip
        bodies = [
            head + "".join(f"{t.strftime(layout)}{sep}{v:g}\n" for t, v in zip(stamps, values, strict=True))
            for layout in layouts
            for head, sep in (("time,volume_l\n", ","), ("time;reading [m3]\n", ";"), ("# log\n\n", "\t"))
        ]
        bodies += ["date,time,gpm\n" + "".join(f"2024-03-05,06:00:{i:02},{v:g}\n" for i, v in enumerate(values))]
        bodies += ["t,pulses\n" + "".join(f"{1_700_000_000 + i},{i % 3}\n" for i in range(30))]
        bodies += ["pulse\n" + "".join(f"2024-03-05T06:00:{i:02}.{i:03}+01:00\n" for i in range(30))]
        bodies += [
            '"time","x","value"\r\n' + "".join(f'"2024-11-03 01:{i:02}:00","a ""b""","{i},5"\r\n' for i in range(30))
        ]
        packed = [b"\x01\0\0\0\0\0\0" + gzip.compress(bodies[0].encode())]
        wide = [b"\x01\0\0\0\0\0\0" + bodies[0].encode("utf-16")]
        return [b"\x01\0\0\0\0\0\0" + b.encode() for b in bodies] + packed + wide
    if target == "parquet-bytes":
        return [bytes([k]) for k in range(len(good_parquet()))] + [b"\xff" + good_parquet()[0]]
    rng = np.random.default_rng(5)
    return [bytes([i]) + rng.integers(0, 256, 40 * (i + 1), dtype=np.uint8).tobytes() for i in range(24)]


WORDS = (
    "2024-03-05 06:00:00", "2024-03-10 02:30:00", "2024-11-03 01:30:00", "T06:00:00Z", "+01:00", "-07:00", "23:59:60",
    "24:00:00", "0001-01-01", "9999-12-31",
    "1677-09-21", "2262-04-11", "12/31/2024", "31.12.2024", "NaN", "inf", "-inf", "1e308",
    "1e-320", "1,000", "0x10", "-1", "-", "--", "null", "time", "volume_l", "reading", "pulses", "flow_gpm", "date",
    ",", ";", "\\x09",
    "|", "\\x22", "\\x22\\x22", "\\x0d\\x0a", "\\x00", "\\xef\\xbb\\xbf", "\\xff\\xfe", "\\x1f\\x8b", "PAR1",
    "1700000000",    "1700000000000", "9223372036854775807", "99999999999999999999",
)  # fmt: skip


def fuzz_one(target: str, work: Path, seconds: int) -> None:
    """Fuzz one target in this process until the time is up."""
    corpus, found = work / "corpus" / target, work / "found"
    corpus.mkdir(parents=True, exist_ok=True)
    found.mkdir(parents=True, exist_ok=True)
    for k, seed in enumerate(seeds(target)):
        (corpus / f"seed-{k:03}").write_bytes(seed[: MAX_BYTES * 4])
    words = work / "words.dict"
    words.write_text("".join(f'"{word}"\n' for word in WORDS))
    run = TARGETS[target][0]
    counted = work / f"executions-{target}"
    n = 0

    def one_input(data: bytes) -> None:
        nonlocal n
        n += 1
        if n % 10 == 0:
            counted.write_text(str(n))
        began = time.process_time()
        try:
            run(data)
            if (took := time.process_time() - began) > SLOW_S:
                raise BrokenPromiseError(f"an input took {took:.0f} s")
        except Exception as error:
            keep(error, target, data, found)
        if time.process_time() > SLICE_S or peak_mb() > RENEWAL_MB:
            counted.write_text(str(n))
            os._exit(0)

    atheris.Setup(
        [
            "fuzz", str(corpus), f"-max_total_time={seconds}", f"-max_len={MAX_BYTES}", f"-dict={words}",
            f"-timeout={HANG_S}", f"-report_slow_units={HANG_S}", f"-rss_limit_mb={MEMORY_MB}",
            f"-artifact_prefix={found}/{target}-",
        ],
        one_input,
    )  # fmt: skip
    atheris.Fuzz()


def keep(error: Exception, target: str, data: bytes, found: Path) -> None:
    """Keep the shortest input of each failure, told apart by target, kind and innermost line of flowsift."""
    frames = [
        f for f in traceback.extract_tb(error.__traceback__) if "flowsift" in f.filename or "fuzz.py" in f.filename
    ]
    where = f"{Path(frames[-1].filename).stem}-{frames[-1].lineno}" if frames else "elsewhere"
    words = re.sub(r"\d+(\.\d+)?(e[+-]?\d+)?", "0", str(error))[:40] if isinstance(error, BrokenPromiseError) else ""
    name = re.sub(r"[^A-Za-z0-9-]+", "_", f"{target}-{type(error).__name__}-{where}-{words}")
    path = found / f"{name}.bin"
    if not path.exists() or len(data) < path.stat().st_size:
        path.write_bytes(data)
        text = "".join(traceback.format_exception(error))
        path.with_suffix(".txt").write_text(text, encoding="utf-8", errors="replace")


def fuzz_all(work: Path, seconds: int, targets: list[str]) -> None:
    """Fuzz the targets in slices, each in a process of its own, until the time is up."""
    until = time.monotonic() + seconds
    spent_s = dict.fromkeys(targets, 0.0)
    while (left := until - time.monotonic()) > 20:
        # whose processor time is furthest below its share: slices end early where memory runs out
        target = min(targets, key=lambda name: spent_s[name] / TARGETS[name][1])
        span = int(min(SLICE_CLOCK_S, left))
        began, cpu_s = time.monotonic(), children_cpu_s()
        counted = work / f"executions-{target}"
        counted.write_text("0")
        done = subprocess.run(
            [sys.executable, __file__, "--one", target, "--work", str(work), "--seconds", str(span)],
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, errors="replace", check=False,
        )  # fmt: skip
        spent_s[target] += children_cpu_s() - cpu_s
        cover = re.findall(r"cov: (\d+)", done.stderr)
        line = {
            "target": target,
            "seconds": round(time.monotonic() - began, 1),
            "cpu_seconds": round(children_cpu_s() - cpu_s, 1),
            "executions": int(counted.read_text()),
            "coverage": int(cover[-1]) if cover else 0,
            "status": done.returncode,
            "end": done.stderr.splitlines()[-1][:200] if done.returncode and done.stderr else "",
        }
        with (work / "log.jsonl").open("a") as log:
            log.write(json.dumps(line) + "\n")
        if done.returncode:
            (work / f"stopped-{int(time.time())}.txt").write_text(done.stderr[-20_000:])


def children_cpu_s() -> float:
    """Return the processor time of the processes that have ended [s]: on a busy machine it is far below the clock's."""
    times = os.times()
    return times.children_user + times.children_system


def peak_mb() -> float:
    """Return the most memory that this process has held so far [MB]."""
    import resource  # Unix only, as fuzzing is; the tests load this module anywhere

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def report(work: Path) -> str:
    """Return hours, executions and coverage of each target."""
    lines = pd.read_json(work / "log.jsonl", lines=True)
    table = lines.groupby("target").agg(
        hours=("seconds", lambda s: round(s.sum() / 3600, 2)),
        cpu_hours=("cpu_seconds", lambda s: round(s.sum() / 3600, 2)),
        executions=("executions", "sum"),
        coverage=("coverage", "max"),
    )
    whole = (
        f"all: {lines['seconds'].sum() / 3600:.2f} h by the clock, {lines['cpu_seconds'].sum() / 3600:.2f} h of "
        f"processor time, {lines['executions'].sum():,} executions"
    )
    return table.to_string() + "\n" + whole + "\n"


def main() -> None:
    """Run what the command line asks for."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--work", type=Path, required=True, help="folder for corpus, findings and log")
    options.add_argument("--seconds", type=int, default=3600)
    options.add_argument("--target", choices=list(TARGETS), action="append")
    options.add_argument("--one", choices=list(TARGETS), help=argparse.SUPPRESS)
    options.add_argument("--report", action="store_true", help="only add up the log")
    asked = options.parse_args()
    asked.work.mkdir(parents=True, exist_ok=True)
    if asked.report:
        sys.stdout.write(report(asked.work))
    elif asked.one:
        fuzz_one(asked.one, asked.work, asked.seconds)
    else:
        fuzz_all(asked.work, asked.seconds, asked.target or list(TARGETS))
        sys.stdout.write(report(asked.work))


if __name__ == "__main__":
    main()
