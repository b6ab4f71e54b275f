"""A folder like that of a reader, and answers worked out once for all pages."""

from pathlib import Path

import pytest

import flowsift as fs

TOP = Path(__file__).parents[2]

_ANSWERS = {}


@pytest.fixture
def answers_kept(monkeypatch):
    """Give the answer of a trace that was asked about before again: many examples look at the same home."""
    work_out = fs.disaggregate

    def disaggregate(trace, **options):
        content = (trace.start_ns, trace.interval_ns, trace.n_cells, trace.timezone, trace.unit, trace.findings)
        key = (content, trace.cell.tobytes(), trace.volume_l.tobytes(), trace.gaps.tobytes(), repr(options))
        if key not in _ANSWERS:
            _ANSWERS[key] = work_out(trace, **options)
        return _ANSWERS[key]

    monkeypatch.setattr(fs, "disaggregate", disaggregate)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """An empty folder beside the repository's data, as pages are read from its top."""
    for name in ("data", "docs", "src", "README.md"):
        (tmp_path / name).symlink_to(TOP / name)
    monkeypatch.chdir(tmp_path)
    return tmp_path
