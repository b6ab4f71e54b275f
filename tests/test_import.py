"""Importing the library is cheap, and its public names are there all the same."""

import subprocess
import sys

import pytest

import flowsift as fs

IMPORT_LIMIT_S = 0.5
"""What ``import flowsift`` may take; a loaded machine is given a few tries to meet it."""

HEAVY = ("numpy", "pandas", "scipy", "sklearn", "hmmlearn", "pyarrow", "matplotlib", "bokeh", "dask")


def answer(code):
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=120)
    return ended.stdout.strip()


def test_import_is_quick():
    clocked = "import time; begin = time.perf_counter(); import flowsift; print(time.perf_counter() - begin)"
    tries = (float(answer(clocked)) for _ in range(5))
    assert any(took < IMPORT_LIMIT_S for took in tries)


def test_import_loads_nothing_heavy():
    assert answer(f"import sys, flowsift; print(*[name for name in {HEAVY!r} if name in sys.modules])") == ""


def test_every_public_name_is_there_at_first_asking():
    code = "import flowsift as fs; print(*[name for name in fs.__all__ if getattr(fs, name, None) is None])"
    assert answer(code) == ""
    assert set(fs.__all__) <= set(dir(fs))


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'disagregate'"):
        _ = fs.disagregate
