"""A folder like that of a reader, and answers worked out once for all pages."""

import functools
from pathlib import Path

import pytest

import flowsift as fs

TOP = Path(__file__).parents[2]

_ANSWERS = {}
DISAGGREGATE, LEARN_HOME = fs.disaggregate, fs.stream.learn_home
READ_SHIPPED = functools.cache(fs.households.read_shipped)


def kept(work_out):
    """Give the answer of a trace that was asked about before again: many examples look at the same home."""

    def answer(trace, **options):
        samples = (trace.volume_l.tobytes(), trace.cell.tobytes())
        key = (work_out, repr(trace), *samples, trace.timezone, trace.unit, trace.findings, repr(options))
        if key not in _ANSWERS:
            _ANSWERS[key] = work_out(trace, **options)
        return _ANSWERS[key]

    return answer


@pytest.fixture
def answers_kept(monkeypatch):
    monkeypatch.setattr(fs, "disaggregate", kept(DISAGGREGATE))
    monkeypatch.setattr(fs.stream, "learn_home", kept(LEARN_HOME))
    monkeypatch.setattr(fs.households, "read_shipped", READ_SHIPPED)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """An empty folder beside the repository's data, as pages are read from its top."""
    for name in ("data", "docs", "src", "README.md"):
        (tmp_path / name).symlink_to(TOP / name)
    monkeypatch.chdir(tmp_path)
    return tmp_path
