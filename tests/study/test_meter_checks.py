"""Zero, register and bucket tests: verdicts, factors with bounds, a correction only when asked for."""

from dataclasses import replace

import numpy as np
import pytest
from tests.study.traces import pulsed, with_use

import flowsift as fs
from flowsift.errors import NotEnoughDataError, OptionError
from flowsift.report.checks_text import checks_sections
from flowsift.standards import minimum_test_flow
from flowsift.study.meter_checks import bucket_test, corrected, recorded_l, register_check, zero_test
from flowsift.study.meter_checks_report import meter_report
from flowsift.units import L_PER_GAL


@pytest.mark.parametrize(("seconds", "verdict"), [(2, "can't tell"), (300, "can't tell"), (3600, "sound")])
def test_nothing_read_tells_nothing_where_nothing_could_have_shown(seconds, verdict):
    test = zero_test(pulsed(np.zeros(3600), pulse_l=10.0), start_s=0, end_s=seconds)
    assert test.verdict == verdict


def test_a_closed_supply_reads_zero():
    test = zero_test(pulsed(np.zeros(1800), pulse_l=0.1), start_s=0, end_s=1800)
    assert (test.verdict, test.volume_l, test.rate_lpm) == ("sound", 0.0, 0.0)
    assert test.high_lpm == pytest.approx(0.1 / 30)


def test_one_pulse_proves_nothing_and_a_flow_is_wrong():
    one = with_use(np.zeros(1800), at_s=900, lasting_s=10, lpm=0.5)
    assert zero_test(pulsed(one, pulse_l=0.1), start_s=0, end_s=1800).verdict == "can't tell"
    test = zero_test(pulsed(np.full(1800, 0.2), pulse_l=0.1), start_s=0, end_s=1800)
    assert test.verdict == "wrong"
    assert test.low_lpm <= 0.2 <= test.high_lpm


def readings(trace, true_l, *, least=1.0):
    return register_check(
        trace, start_s=0, end_s=trace.duration_s, first_l=1000.0, last_l=1000.0 + true_l, least_count_l=least
    )


@pytest.mark.parametrize(
    ("ratio", "verdict"),
    [(1.0, "sound"), (1.012, "sound"), (1.0152, "doubtful"), (1.05, "wrong"), (0.9, "wrong"), (10.0, "wrong")],
)
def test_register_against_record(ratio, verdict):
    trace = pulsed(np.full(86_400 // 60, 1.0), pulse_l=0.1, interval_s=60.0)
    factor = readings(trace, ratio * 1440.0)
    assert factor.low <= ratio <= factor.high
    assert factor.verdict == verdict


def test_a_log_that_leaves_its_register_lost_pulses_even_within_the_meters_limits():
    trace = pulsed(np.full(86_400 // 60, 1.0), pulse_l=0.1, interval_s=60.0)
    assert "lost or counted twice" in readings(trace, 1.012 * 1440.0).reason
    assert "lost" not in readings(trace, 1440.0).reason


def test_a_wrong_unit_is_named():
    trace = pulsed(np.full(1440, 1.0), pulse_l=0.1, interval_s=60.0)
    assert "1 gal read as 1 L" in readings(trace, L_PER_GAL * 1440.0).reason
    assert "10 times" in readings(trace, 14_400.0).reason


def test_too_small_a_volume_cannot_tell():
    trace = pulsed(np.full(60, 1.0), pulse_l=1.0, interval_s=60.0)
    assert readings(trace, 60.0, least=10.0).verdict == "can't tell"


def test_bounds_hold_for_true_readings_rounded_to_the_least_count():
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(200):
        true = float(rng.uniform(900, 1100))
        flow = np.full(600, true / 10.0)
        trace = pulsed(flow, pulse_l=1.0, phase=float(rng.random()))
        first = float(rng.uniform(0, 1000))
        a, b = (10.0 * round(r / 10.0) for r in (first, first + true))
        factor = register_check(trace, start_s=0, end_s=600, first_l=a, last_l=b, least_count_l=10.0)
        inside += factor.low <= 1.0 <= factor.high
    assert inside >= 190


def test_bucket_with_a_leak_running():
    flow = with_use(np.full(600, 0.5), at_s=100, lasting_s=120, lpm=5.0)
    trace = pulsed(flow, pulse_l=0.01)
    spans = [(90.0, 230.0)]
    good = bucket_test(trace, spans_s=spans, volumes_l=[10.0], resolution_l=0.05, background_lpm=0.5)
    assert good.low <= 1.0 <= good.high
    assert good.source == "bucket"
    assert bucket_test(trace, spans_s=spans, volumes_l=[10.0], resolution_l=0.05, background_lpm=0.0).verdict == "wrong"
    untold = bucket_test(trace, spans_s=spans, volumes_l=[10.0], resolution_l=0.05)
    assert untold.verdict == "can't tell"
    assert untold.steady_lpm == pytest.approx(0.5, rel=0.02)
    said = " ".join(
        line.strip() for s in checks_sections(meter_report(trace, bucket=untold), units="us") for line in s.lines
    )
    assert "steady flow around it: 0.132 gal/min; --background 0.132gpm takes it off" in said


def test_a_bucket_with_little_or_no_leak_is_judged():
    for leak_lpm, volume_l in ((0.0, 10.0), (0.01, 10.0), (0.0, 5.0)):
        trace = pulsed(with_use(np.full(3600, leak_lpm), at_s=1800, lasting_s=120, lpm=5.0), pulse_l=0.01)
        found = bucket_test(trace, spans_s=[(1790.0, 1930.0)], volumes_l=[volume_l], resolution_l=0.05)
        assert found.verdict == ("sound" if volume_l == 10.0 else "wrong")
        assert found.steady_lpm == 0.0


def test_errors_say_what_is_missing():
    trace = pulsed(np.zeros(600), pulse_l=0.1)
    with pytest.raises(NotEnoughDataError, match="nothing was recorded"):
        bucket_test(trace, spans_s=[(0, 60)], volumes_l=[10.0], resolution_l=0.1)
    with pytest.raises(NotEnoughDataError, match="not inside"):
        recorded_l(trace, start_s=0, end_s=5000)
    gappy = replace(trace, gaps=np.array([[100, 200]]), gap_volume_l=np.zeros(1))
    with pytest.raises(NotEnoughDataError, match="missing"):
        recorded_l(gappy, start_s=50, end_s=300)
    assert recorded_l(replace(gappy, gap_volume_l=np.array([7.0])), start_s=50, end_s=300) == 7.0
    for wrong in (
        {"first_l": 5.0, "last_l": 4.0, "least_count_l": 1.0},
        {"first_l": 1.0, "last_l": 4.0, "least_count_l": 0.0},
    ):
        with pytest.raises(OptionError):
            register_check(pulsed(np.ones(600), pulse_l=0.1), start_s=0, end_s=600, **wrong)
    with pytest.raises(OptionError, match=r"as many|one or more"):
        bucket_test(trace, spans_s=[], volumes_l=[], resolution_l=0.1)
    for background in (float("nan"), -1.0):
        with pytest.raises(OptionError, match="background_lpm"):
            bucket_test(trace, spans_s=[(0, 60)], volumes_l=[10.0], resolution_l=0.1, background_lpm=background)


def test_readings_across_an_exchange_are_told_of_it_in_the_files_unit():
    reading = np.concatenate([1234.5 + 0.01 * np.arange(60), 0.012 + 0.01 * np.arange(60)])
    trace = fs.Trace.from_register(60.0 * np.arange(120), reading, unit="m3")
    across = {"first_l": 1_234_600.0, "last_l": 212.0, "least_count_l": 1.0}
    words = r"1234\.6 and 0\.212 m3, .*at 1970-01-01 01:00, the counter started anew"
    with pytest.raises(OptionError, match=words):
        register_check(trace, start_s=600.0, end_s=4800.0, **across)
    with pytest.raises(OptionError, match=r"to be the larger$"):
        register_check(trace, start_s=4000.0, end_s=4800.0, **across)


def test_a_correction_scales_everything_and_leaves_its_trace():
    trace = pulsed(np.full(1440, 1.0), pulse_l=0.1, interval_s=60.0)
    before = trace.volume_l.copy()
    factor = readings(trace, 1.05 * 1440.0)
    scaled = corrected(trace, factor)
    assert scaled.metered_l == pytest.approx(1.05 * 1440.0, rel=1e-3)
    assert scaled.findings[-1].what == "meter correction"
    assert "1.05" in scaled.findings[-1].treatment
    np.testing.assert_array_equal(trace.volume_l, before)


def test_the_report_gives_smallest_leaks_and_published_test_flows():
    report = meter_report(pulsed(np.ones(600), pulse_l=0.5), starting_lpm=0.1)
    assert [v.rate_lpm for v in report.visible] == sorted((v.rate_lpm for v in report.visible), reverse=True)
    assert report.visible[-1].rate_lpm == 0.1
    assert report.test_flows_lpm["5/8 in"] == minimum_test_flow("5/8 in").value_lpm == pytest.approx(0.25 * L_PER_GAL)
    assert report.best is None
