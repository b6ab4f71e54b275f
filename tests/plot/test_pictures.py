"""The single pictures: drawn on the axes given, in the unit asked for, and what they hold."""

import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

import flowsift as fs
from flowsift.cli import main
from flowsift.errors import OptionError
from flowsift.households.household import LOG_FILE
from flowsift.households.shipped import read_shipped, shipped_folder
from flowsift.units import L_PER_GAL

figure = pytest.importorskip("matplotlib.figure", reason="the report extra is not installed")

WHAT = ("account", "day", "flushes", "trace", "trickle", "week")


@pytest.fixture(scope="module")
def demo():
    return fs.disaggregate(read_shipped("demo").trace)


def axes():
    return figure.Figure().add_subplot()


@pytest.mark.parametrize("what", WHAT)
@pytest.mark.parametrize(("units", "unit"), [("si", "L"), ("us", "gal")])
def test_drawn_on_the_axes_given(demo, what, units, unit):
    given = axes()
    assert getattr(fs.plot, what)(demo, given, units=units) is given
    assert given.has_data()
    words = given.get_xlabel() + given.get_ylabel() + "".join(a.get_ylabel() for a in given.figure.axes)
    assert f"[{unit}" in words


@pytest.mark.parametrize(("units", "litres"), [("si", 1.0), ("us", L_PER_GAL)])
def test_the_days_add_up(demo, units, litres):
    bars = fs.plot.day(demo, axes(), units=units).patches
    assert sum(bar.get_height() for bar in bars) * litres == pytest.approx(demo.balance.metered_l)


def test_nothing_touches_the_top(demo):
    days, trickle = fs.plot.day(demo, axes()), fs.plot.trickle(demo, axes())
    assert 1.02 * max(bar.get_y() + bar.get_height() for bar in days.patches) < days.get_ylim()[1]
    assert 1.02 * max(line.get_ydata().max() for line in trickle.lines) < trickle.get_ylim()[1]


def test_days_are_named_where_there_are_few():
    hour = fs.disaggregate(fs.Trace.from_volumes(np.arange(360) * 10, np.where(np.arange(360) < 5, 1.0, 0.0), 0.1))
    assert [tick.get_text() for tick in fs.plot.day(hour, axes()).get_xticklabels()] == ["1970-01-01"]


def test_the_account_of_an_hour_is_no_day(demo):
    hour = fs.disaggregate(fs.Trace.from_volumes(np.arange(360) * 10, np.where(np.arange(360) < 5, 1.0, 0.0), 0.1))
    drawn = fs.plot.account(hour, axes())
    assert drawn.get_xlabel() == "volume in 60 min [L]"
    assert sum(bar.get_width() for bar in drawn.patches) == pytest.approx(5.0)
    assert fs.plot.account(demo, axes()).get_xlabel() == "volume a day [L]"


def test_the_trace_between_two_times(demo):
    drawn = fs.plot.trace(demo, axes(), start="2024-06-12 06:00", end="2024-06-12 09:00")
    low, high = drawn.get_xlim()
    assert (high - low) * 24 == pytest.approx(3.0)
    assert 10 < sum(len(c.get_paths()) for c in drawn.collections) < 3_000


@pytest.mark.parametrize(("zone", "date"), [("America/Santiago", "2024-09-08"), ("America/Havana", "2024-11-03")])
def test_the_trace_from_a_midnight_that_is_skipped_or_comes_twice(zone, date):
    hours = pd.date_range(pd.Timestamp(date) - pd.Timedelta("6h"), periods=72, freq="h", tz="UTC")
    result = fs.disaggregate(fs.Trace.from_volumes(hours, np.ones(72), 0.1, timezone=zone))
    assert fs.plot.trace(result, axes(), start=date).has_data()


@pytest.mark.parametrize(("start", "end"), [("2024-06-13", "2024-06-12"), ("soon", None)])
def test_times_that_make_no_part(demo, start, end):
    with pytest.raises(OptionError):
        fs.plot.trace(demo, axes(), start=start, end=end)


@pytest.mark.parametrize("suffix", [".png", ".svg", ".pdf"])
def test_saved(demo, tmp_path, suffix):
    path = tmp_path / f"picture{suffix}"
    fs.plot.save_picture(demo, "account", path)
    assert path.read_bytes()[:5] == {".png": b"\x89PNG\r", ".svg": b"<?xml", ".pdf": b"%PDF-"}[suffix]


@pytest.mark.parametrize(("what", "name"), [("pie", "a.png"), ("day", "a.docx"), ("day", "no-folder/a.png")])
def test_what_cannot_be_saved(demo, tmp_path, what, name):
    with pytest.raises(OptionError):
        fs.plot.save_picture(demo, what, tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_the_import_stays_light():
    code = "import flowsift, sys; assert not {'matplotlib', 'bokeh', 'flowsift.plot'} & set(sys.modules); flowsift.plot"
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


@pytest.mark.parametrize(
    ("command", "output"), [(["plot", "--what", "week"], "week.svg"), (["report", "--units", "us"], "report.html")]
)
def test_commands(tmp_path, command, output):
    log = shipped_folder("coarse") / LOG_FILE
    with pytest.raises(SystemExit) as ended:
        main([command[0], str(log), *command[1:], "-o", str(tmp_path / output)])
    assert ended.value.code == 0
    assert (tmp_path / output).stat().st_size > 10_000


def test_a_part_is_for_the_trace_only(tmp_path, capsys):
    with pytest.raises(SystemExit) as ended:
        main(["plot", "nothing.csv", "--what", "day", "--start", "2024-06-12", "-o", str(tmp_path / "a.png")])
    assert ended.value.code == 2
    assert "--start" in capsys.readouterr().err


def test_an_empty_home(tmp_path):
    times = np.arange(1000) * 10
    empty = fs.disaggregate(fs.Trace.from_volumes(times, np.zeros(1000), 0.1))
    for what in WHAT:
        fs.plot.save_picture(empty, what, tmp_path / f"{what}.svg")
    assert "can't be told" in fs.plot.trickle(empty, axes()).texts[0].get_text()
    assert "no toilet" in fs.plot.flushes(empty, axes()).texts[0].get_text()
