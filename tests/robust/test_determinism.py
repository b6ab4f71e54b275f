"""The same file gives the same answer, to the byte, whatever the process around it is like."""

import os
import subprocess
import sys
from io import StringIO
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import flowsift as fs
from flowsift.households import simulate

CODE = (
    "import sys, flowsift as fs\n"
    "from pathlib import Path\n"
    "answer = fs.disaggregate(fs.read_trace(sys.argv[1]))\n"
    "from flowsift.report.account import water_account\n"
    "from flowsift.report.as_json import json_dict\n"
    "import json\n"
    "print(answer.events.to_csv(index=False))\n"
    "print(json.dumps(json_dict(water_account(answer), units='us')))\n"
)


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    """A file of two days of a home."""
    trace = simulate(7, days=2).trace
    volume = np.zeros(trace.n_cells)
    volume[trace.cell] = trace.volume_l
    path = tmp_path_factory.mktemp("log") / "meter.csv"
    times = trace.time_of(np.arange(trace.n_cells))
    pd.DataFrame({"time": times, "volume_l": volume.round(6)}).to_csv(path, index=False)
    return path


def answered(path, **environment):
    done = subprocess.run(
        [sys.executable, "-c", CODE, str(path)],
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=True,
        timeout=300,
    )
    return done.stdout


def test_hash_seed_locale_zone_and_threads_change_nothing(log):
    first = answered(log, PYTHONHASHSEED="0", TZ="UTC", LC_ALL="C", OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")
    other = answered(
        log,
        PYTHONHASHSEED="12345",
        TZ="Asia/Kathmandu",
        LC_ALL="C.UTF-8",
        OMP_NUM_THREADS="2",
        OPENBLAS_NUM_THREADS="2",
    )
    assert len(first) > 5_000
    assert first == other


def test_a_processor_with_fewer_instructions_gives_the_same_uses(log):
    # Without the wide instructions found here, numpy and OpenBLAS add in another order, as on another machine.
    found = np.show_config(mode="dicts")["SIMD Extensions"]["found"]
    wide, narrow = (
        pd.read_csv(StringIO(answered(log, **environment).partition("\n\n")[0]))
        for environment in ({}, {"NPY_DISABLE_CPU_FEATURES": " ".join(found), "OPENBLAS_CORETYPE": "Prescott"})
    )
    assert len(wide) > 50
    np.testing.assert_allclose(narrow.pop("probability"), wide.pop("probability"), rtol=0, atol=1e-6)
    pd.testing.assert_frame_equal(narrow, wide, rtol=1e-9, atol=0)


def test_the_global_random_state_is_neither_used_nor_changed(log):
    trace = fs.read_trace(log)
    np.random.seed(1)  # noqa: NPY002  (what a caller may do)
    one = fs.disaggregate(trace).events
    left = np.random.random()  # noqa: NPY002
    np.random.seed(2)  # noqa: NPY002
    two = fs.disaggregate(trace).events
    pd.testing.assert_frame_equal(one, two, check_exact=True)
    np.random.seed(1)  # noqa: NPY002
    assert left == np.random.random()  # noqa: NPY002


def test_reading_leaves_the_file_and_its_folder_as_they_were(log):
    before = log.read_bytes(), log.stat().st_mtime_ns
    fs.disaggregate(fs.read_trace(log))
    assert (log.read_bytes(), log.stat().st_mtime_ns) == before
    assert [p.name for p in Path(log).parent.iterdir()] == ["meter.csv"]
