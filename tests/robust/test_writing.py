"""What is written is there whole or not at all, and a spreadsheet finds no formula in it."""

import errno
import os
import re
import signal
import stat
import subprocess
import sys
import tempfile

import numpy as np
import pandas as pd
import pytest

import flowsift as fs
from flowsift.files import check_table_path, guard_formulas, replace_file, write_table, write_text
from flowsift.households.reproducible_files import write_reproducible_text

resource = pytest.importorskip("resource", reason="the size of a file can't be limited here")

OLD, NEW = "old\n", "new " * 2_000
WRITERS = {
    "text": lambda path: write_text(NEW, path),
    "csv": lambda path: write_table(pd.DataFrame({"a": np.arange(5_000)}), path.with_suffix(".csv")),
    "csv.gz": lambda path: write_table(pd.DataFrame({"a": np.random.default_rng(1).random(5_000)}), path),
    "parquet": lambda path: write_table(pd.DataFrame({"a": np.random.default_rng(1).random(5_000)}), path),
    "truth": lambda path: write_reproducible_text(NEW, path),
}


def names(folder):
    return sorted(p.name for p in folder.iterdir())


@pytest.mark.parametrize("form", WRITERS)
def test_a_disk_that_fills_up_leaves_the_old_file(tmp_path, form):
    path = tmp_path / f"answer.{form if '.' in form or form in ('csv', 'parquet') else 'txt'}"
    path.write_text(OLD, encoding="utf-8")
    # a limit on the size of a file ends a write half-way, as a full disk does
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (2_000, before[1]))
    try:
        with pytest.raises(fs.OptionError, match=r"answer\..*: can't be written \(.*File too large"):
            WRITERS[form](path)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, handler)
    assert path.read_text(encoding="utf-8") == OLD
    assert names(tmp_path) == [path.name]


@pytest.mark.parametrize(
    ("code", "words"),
    [(errno.EROFS, "Read-only file system"), (errno.ENOSPC, "No space left"), (errno.EACCES, "Permission denied")],
)
def test_a_folder_that_takes_nothing_is_one_line(tmp_path, monkeypatch, code, words):
    def refuse(*_, **__):
        raise OSError(code, os.strerror(code), "/somewhere/temporary")

    monkeypatch.setattr(tempfile, "mkdtemp", refuse)
    with pytest.raises(fs.OptionError, match=words) as error:
        write_text(NEW, tmp_path / "answer.txt")
    assert "temporary" not in str(error.value)
    assert names(tmp_path) == []


@pytest.mark.parametrize("stop", [KeyboardInterrupt, MemoryError, ValueError])
def test_an_interrupted_write_leaves_the_old_file(tmp_path, stop):
    path = tmp_path / "answer.json"
    path.write_text(OLD, encoding="utf-8")

    def half(temporary):
        temporary.write_text("ha", encoding="utf-8")
        assert list(tmp_path.glob("*.json")) == [path]
        raise stop

    with pytest.raises(stop):
        replace_file(path, half)
    assert path.read_text(encoding="utf-8") == OLD
    assert names(tmp_path) == ["answer.json"]


def test_a_killed_process_leaves_the_old_file_and_nothing_that_looks_like_one(tmp_path):
    path = tmp_path / "answer.json"
    path.write_text(OLD, encoding="utf-8")
    code = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "from flowsift.files import replace_file\n"
        "def half(temporary):\n"
        "    temporary.write_text('ha')\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
        "replace_file(Path(sys.argv[1]), half)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path)], check=False, timeout=120)
    assert done.returncode == -signal.SIGKILL
    assert path.read_text(encoding="utf-8") == OLD
    assert list(tmp_path.glob("*.json")) == [path]
    write_text(NEW, path)
    assert path.read_text(encoding="utf-8") == NEW


def test_a_link_is_followed_and_permissions_stay(tmp_path):
    (tmp_path / "real").mkdir()
    real, link = tmp_path / "real" / "answer.txt", tmp_path / "link.txt"
    real.write_text(OLD, encoding="utf-8")
    real.chmod(0o640)
    link.symlink_to(real)
    write_text(NEW, link)
    assert link.is_symlink()
    assert real.read_text(encoding="utf-8") == NEW
    assert real.stat().st_mode & 0o777 == 0o640
    assert names(tmp_path / "real") == ["answer.txt"]


def test_a_new_file_has_the_usual_permissions(tmp_path):
    write_text(NEW, tmp_path / "ours.txt")
    (tmp_path / "usual.txt").write_text(NEW, encoding="utf-8")
    assert (tmp_path / "ours.txt").stat().st_mode == (tmp_path / "usual.txt").stat().st_mode


@pytest.mark.parametrize("kind", ["str", "object", "category"])
def test_no_formula_reaches_a_spreadsheet(tmp_path, kind):
    risky = ["=1+1", "+1", "-1", "@SUM(A1)", "\tx", "\r=1", " =1", "=a\r=b", "＝1", "＋1", "－1", "＠1"]
    fine = ["toilet-1", "'=1", "1=1", "", "a\tb", "a; b", "a-b"]
    table = pd.DataFrame({"fixture": pd.Series(risky + fine, dtype=kind), "volume_l": -1.5})
    guarded = guard_formulas(table)
    assert guarded["fixture"].tolist() == ["'" + cell.replace("\r", " ") for cell in risky] + fine
    assert table["fixture"].tolist() == risky + fine
    write_table(table, tmp_path / "t.csv")
    written = pd.read_csv(tmp_path / "t.csv", keep_default_na=False)
    assert not written["fixture"].str.startswith(tuple("=+-@\t\r\n＝＋－＠")).any()
    assert (written["volume_l"] == -1.5).all()


def test_no_formula_reaches_a_spreadsheet_that_splits_at_semicolons(tmp_path):
    table = pd.DataFrame({"fixture": ["a;=1+1", "a; @b;c", "a\n=1+1", "\t=1", "a;;+1", "a\t-1"], "volume_l": 1.5})
    write_table(table, tmp_path / "t.csv")
    pieces = re.split(r"[;\t\n]", (tmp_path / "t.csv").read_text(encoding="utf-8"))
    assert not [piece for piece in pieces if piece.strip(' "').startswith(tuple("=+-@"))]


def test_a_pipe_is_not_replaced(tmp_path):
    # a pipe and not a device: this runs as root too, and would take the device from the machine
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "link.csv").symlink_to("pipe.csv")
    for name in ("pipe.csv", "link.csv"):
        for write in (lambda path: write_table(pd.DataFrame({"a": [1]}), path), lambda path: write_text(NEW, path)):
            with pytest.raises(fs.OptionError, match="is a pipe or a device"):
                write(tmp_path / name)
    assert stat.S_ISFIFO((tmp_path / "pipe.csv").stat().st_mode)


def test_a_link_to_itself_is_replaced(tmp_path):
    (tmp_path / "loop.txt").symlink_to("loop.txt")
    write_text(NEW, tmp_path / "loop.txt")
    assert (tmp_path / "loop.txt").read_text(encoding="utf-8") == NEW


def test_a_file_that_is_read_is_not_written(tmp_path):
    read, link, other = tmp_path / "meter.csv", tmp_path / "link.csv", tmp_path / "new.csv"
    read.write_text(OLD, encoding="utf-8")
    link.symlink_to(read)
    check_table_path(other, read, None)
    for path, taken in ((read, read), (link, read), (tmp_path / "." / "meter.csv", read), (other, other)):
        with pytest.raises(fs.OptionError, match="is read, or written by another option too"):
            check_table_path(path, taken)
