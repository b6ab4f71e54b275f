"""The open apartment, where its data lie beside the repository: reality as a check, never as a lesson.

Data: A. Di Mauro, S. Venticinque, G. F. Santonastaso, A. Di Nardo, open residential end-use data of one apartment,
described in "An IoT system for monitoring and data collection of residential water end-use consumption", ICCCN 2019,
CC BY 4.0. The bounds are the aims set before the first run; `benchmarks/score_open_home.py` prints all figures.
"""

import io
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import flowsift as fs
from flowsift.evaluate.open_data import read_apartment
from flowsift.evaluate.scores import score_home

FOLDER = Path(__file__).parents[2] / "shared" / "open-data" / "apartment"

pytestmark = pytest.mark.skipif(not FOLDER.is_dir(), reason="the open apartment's data are not beside the repository")


@pytest.fixture(scope="module")
def home():
    trace, truth = read_apartment(FOLDER)
    return trace, truth, fs.disaggregate(trace)


def test_four_fifths_of_the_volume_is_on_the_right_label_at_the_right_second(home):
    _, truth, answer = home
    scores = score_home(answer, truth)
    assert scores.figures["volume.share"] >= 0.80


@pytest.mark.parametrize("label", ["flush", "shower", "faucet", "clothes_washer"])
def test_each_label_is_within_a_fifth_of_its_volume(home, label):
    _, truth, answer = home
    true = truth.events.groupby("label")["volume_l"].sum()[label]
    found = answer.events.groupby("label", observed=True)["volume_l"].sum()[label]
    assert found == pytest.approx(true, rel=0.20)


def test_the_balance_closes(home):
    trace, _, answer = home
    b = answer.balance
    assert b.metered_l == pytest.approx(b.events_l + b.trickle_l + b.unexplained_l, rel=1e-9)
    total = answer.flow_by_label().to_numpy().sum() / 60
    assert total == pytest.approx(trace.metered_l, rel=1e-9)


def test_disaggregating_costs_no_more_than_five_times_reading(home):
    trace, _, _ = home
    days = 20
    rows = days * 86_400
    volume = np.zeros(rows)
    inside = trace.cell < rows
    volume[trace.cell[inside]] = trace.volume_l[inside]
    times = trace.time_of(np.arange(rows))
    text = pd.DataFrame({"time": times, "volume_l": volume}).to_csv(index=False)
    part = fs.Trace.from_volumes(times, volume, trace.pulse_l)
    fs.disaggregate(part)

    def seconds(call):
        began = time.perf_counter()
        call()
        return time.perf_counter() - began

    reading = min(seconds(lambda: pd.read_csv(io.StringIO(text), parse_dates=["time"])) for _ in range(3))
    telling = min(seconds(lambda: fs.disaggregate(part)) for _ in range(3))
    assert telling <= 5 * reading, f"{telling:.2f} s against {reading:.2f} s"
