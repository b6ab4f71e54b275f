"""``flowsift fleet``: what it prints, what it writes, how it ends."""

import ast
import sys
from pathlib import Path

import pandas as pd
import pytest

from flowsift import fleet

pytest.importorskip("distributed")


def test_prints_a_summary_and_ends_with_0(run, write_homes, tmp_path, cluster):
    source = write_homes("a", "b")
    ended = run("fleet", source, "--out", tmp_path / "out", "--scheduler", cluster)
    assert (ended.status, ended.err) == (0, "")
    assert max(map(len, ended.out.splitlines())) <= 80 + len(str(tmp_path))
    metered = pd.read_parquet(tmp_path / "out" / "summary.parquet")["metered_l"].sum()
    for words in ("2 homes: 2 answered", "toilet flush", "in all", f"{metered:,.1f}", "home-days"):
        assert words in ended.out
    again = run("fleet", source, "--out", tmp_path / "out", "--scheduler", cluster, "--units", "us")
    assert again.status == 0
    assert "2 answered (2 of them before)" in again.out
    assert f"{metered / 3.785411784:,.1f}" in again.out
    assert "gal a home a day" in again.out


def test_failed_homes_are_told_and_end_with_3(run, write_homes, tmp_path, cluster):
    source = write_homes("a", "b")
    (source / "home=b" / "part-0.parquet").write_bytes(b"PAR1 and nothing")
    ended = run("fleet", source, "--out", tmp_path / "out", "--scheduler", cluster)
    assert ended.status == 3
    assert ended.err.startswith("flowsift: b: part-0.parquet: is damaged Parquet")
    assert "1 answered, 1 failed" in ended.out
    assert "run again" in " ".join(ended.out.split())
    assert list(pd.read_csv(tmp_path / "out" / "failed.csv")["home"]) == ["b"]


def test_wrong_source_ends_with_2(run, tmp_path):
    ended = run("fleet", tmp_path / "nowhere", "--out", tmp_path / "out")
    assert (ended.status, len(ended.err.splitlines())) == (2, 1)
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("package", ["fsspec.core", "distributed"])
def test_without_the_extra_one_line_says_which(run, write_homes, tmp_path, monkeypatch, package):
    source = write_homes("a")
    monkeypatch.setitem(sys.modules, package, None)
    ended = run("fleet", source, "--out", tmp_path / "out")
    assert (ended.status, len(ended.err.splitlines())) == (2, 1)
    assert "install flowsift[fleet]" in ended.err


def test_dask_is_imported_where_it_is_used():
    # The command line loads this room at its start, with or without the extra.
    for path in Path(fleet.__file__).parent.glob("*.py"):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            names = (
                [a.name for a in node.names] if isinstance(node, ast.Import) else [getattr(node, "module", "") or ""]
            )
            assert {name.split(".")[0] for name in names} & {"dask", "distributed", "fsspec"} == set(), path.name
