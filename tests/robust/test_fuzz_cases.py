"""Inputs that once broke something, found by `benchmarks/fuzz.py`, go through the same checks again.

The name of a case says which target takes it, and what it did when it was found.
"""

import dataclasses
import importlib.util
from pathlib import Path

import numpy as np
import pytest

import flowsift as fs

SCRIPT = Path(__file__).parents[2] / "benchmarks" / "fuzz.py"
CASES = sorted((Path(__file__).parent / "cases").glob("*.bin"))


@pytest.fixture(scope="module")
def fuzz():
    spec = importlib.util.spec_from_file_location("fuzz_targets", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    yield module
    module.SCRATCH.cleanup()


def target_of(fuzz, path):
    (target,) = [name for name in fuzz.TARGETS if path.name.startswith(f"{name}-")]
    return target


@pytest.mark.parametrize("path", CASES, ids=lambda path: path.stem)
def test_a_kept_case_keeps_the_promises(fuzz, path):
    fuzz.TARGETS[target_of(fuzz, path)][0](path.read_bytes())


@pytest.mark.parametrize("target", ["text", "arrays", "answers", "parquet-table", "parquet-bytes"])
def test_every_target_runs_on_its_seeds(fuzz, target):
    for seed in fuzz.seeds(target)[:6]:
        fuzz.TARGETS[target][0](seed)


def test_the_harness_notices_a_trace_that_is_not_sound(fuzz):
    trace = fs.Trace.from_volumes([0, 1, 2], [1.0, 0.0, 1.0], interval_s=1.0)
    fuzz.check_trace(trace)
    broken = dataclasses.replace(trace, gaps=np.array([[0, 1]]), gap_volume_l=np.zeros(1))
    with pytest.raises(fuzz.BrokenPromiseError, match="flow inside a gap"):
        fuzz.check_trace(broken)
