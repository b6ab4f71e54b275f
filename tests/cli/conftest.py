"""A command line run in this process, on a small made-up trace and answer."""

import json
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest

import flowsift as fs
from flowsift.cli import main
from flowsift.disaggregation import from_uses
from flowsift.quality import Finding

DAY_S = 86_400


@dataclass
class Ended:
    status: int
    out: str
    err: str

    @property
    def json(self):
        return json.loads(self.out)


@pytest.fixture
def run(capsys):
    """Run the command line; answers with exit status, standard output and standard error."""

    def run_once(*arguments):
        with pytest.raises(SystemExit) as ended:
            main([str(a) for a in arguments])
        captured = capsys.readouterr()
        return Ended(ended.value.code, captured.out, captured.err)

    return run_once


def small_trace(unit="L", findings=()):
    """Three days at 10 s: a flush of 6 L every two hours, a gap, and a volume known over it."""
    per_day = DAY_S // 10
    starts = np.arange(60, 3 * per_day, 720)
    starts = starts[(starts < 9_000) | (starts >= 9_360)]
    cell = (starts[:, None] + np.arange(6)).ravel().astype(np.int64)
    return fs.Trace(
        start_ns=pd.Timestamp("2024-05-01T06:00Z").value,
        interval_ns=10 * 10**9,
        n_cells=3 * per_day,
        cell=cell,
        volume_l=np.ones(cell.size),
        gaps=np.array([[9_000, 9_360]], np.int64),
        gap_volume_l=np.array([7.5]),
        pulse_l=0.1,
        timezone="America/Denver",
        unit=unit,
        findings=findings,
    )


def small_answer(trace, label="flush", fixture="toilet-1", **_):
    """Every flush but the last is found; the last stays unexplained."""
    starts = trace.time_of(trace.cell[::6][:-1])
    uses = pd.DataFrame(
        {
            "start": starts,
            "end": starts + pd.Timedelta(60, "s"),
            "label": label,
            "probability": 0.9,
            "fixture": fixture,
        }
    )
    return from_uses(trace, uses)


@pytest.fixture
def canned(monkeypatch):
    """Put a canned trace and a canned answer in the place of the reader and the method."""
    given = {}
    finding = Finding(
        kind="fault",
        what="missing intervals",
        count=360,
        treatment="A missing interval is not zero flow; " * 4,
        first_ns=pd.Timestamp("2024-05-02T07:00Z").value,
    )

    def read_trace(path, **options):
        given.update(options, path=path)
        return small_trace(unit=options["unit"] or "L", findings=(finding,))

    monkeypatch.setattr(fs, "read_trace", read_trace)
    monkeypatch.setattr(fs, "disaggregate", small_answer)
    return given
