"""The harness itself: full marks for the truth, none for nothing, and less for every kind of mistake."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from sklearn.calibration import calibration_curve
from sklearn.metrics import accuracy_score, brier_score_loss, f1_score

from flowsift.errors import InputError
from flowsift.evaluate.account import account_of_answer, account_of_truth
from flowsift.evaluate.calibration import BINS
from flowsift.evaluate.comparison import Comparison
from flowsift.evaluate.confusion import confusion_table
from flowsift.evaluate.precut import count_labels
from flowsift.evaluate.precut import figures as figures_of
from flowsift.evaluate.references import EmptyMethod, Oracle
from flowsift.evaluate.scores import DEFINITIONS, score_home
from flowsift.evaluate.totals import Totals
from flowsift.households import simulate

from .tiny import Use, answer, home

MORNING = (
    Use(1_000, 1_060, "flush", "toilet-1"),
    Use(1_030, 1_050, "faucet"),
    Use(2_000, 2_400, "shower"),
    Use(5_000, 5_060, "flush", "toilet-2"),
    Use(7_000, 7_100, "clothes_washer", cycle=1),
    Use(8_000, 8_100, "clothes_washer", cycle=1),
)

PERFECT = {
    "volume.share": 1.0,
    "volume.home_share": 1.0,
    "volume.period_share": 1.0,
    "events.macro_f1": 1.0,
    "events.strict_macro_f1": 1.0,
    "events.micro_f1": 1.0,
    "events.weighted_f1": 1.0,
    "events.volume_f1": 1.0,
    "events.accuracy_isolated": 1.0,
    "events.accuracy_overlapping": 1.0,
    "steps.macro_f1": 1.0,
    "minute.share": 1.0,
    "minute.nrmse": 0.0,
    "fixtures.right": 1.0,
    "flush.metered_rmse_l": 0.0,
    "flush.toilet_found": 1.0,
    "loads.f1": 1.0,
    "calibration.brier": 0.0,
    "calibration.ece": 0.0,
} | {f"boundaries.f1[{rule},all]": 1.0 for rule in ("time", "edges", "volume")}


@pytest.fixture(scope="module")
def simulated():
    return simulate(7, days=4, pulse_l=0.01)


def test_oracle_is_perfect_on_a_hand_made_home() -> None:
    trace, truth = home(MORNING, trickle=(0, 86_400, 0.001))
    figures = score_home(Oracle().answer(trace, truth), truth).figures
    assert {name: figures[name] for name in PERFECT} == pytest.approx(PERFECT, abs=1e-9)
    assert figures["trickle.found"] == 1.0
    assert figures["trickle.rate_error"] == pytest.approx(0.0, abs=1e-9)
    assert figures["trickle.false_alarms_per_year"] == 0.0


@pytest.mark.parametrize(("interval_s", "pulse_l"), [(1.0, 0.01), (10.0, 0.1), (60.0, 1.0)])
def test_oracle_is_perfect_at_every_resolution(interval_s: float, pulse_l: float) -> None:
    made = simulate(11, days=3, interval_s=interval_s, pulse_l=pulse_l)
    figures = score_home(Oracle().answer(made.trace, made.truth), made.truth).figures
    seen = {name: value for name, value in PERFECT.items() if not np.isnan(figures[name])}
    assert len(seen) > 15
    assert {name: figures[name] for name in seen} == pytest.approx(seen, abs=1e-6)


def test_an_empty_answer_is_the_floor(simulated) -> None:
    figures = score_home(EmptyMethod().disaggregate(simulated.trace), simulated.truth).figures
    for name in (
        "volume.share",
        "events.macro_f1",
        "events.micro_f1",
        "events.volume_f1",
        "minute.share",
        "steps.macro_f1",
    ):
        assert figures[name] == 0.0, name
    assert figures["volume.unexplained"] == 1.0
    assert np.isnan(figures["events.precision[flush]"])
    assert np.isnan(figures["calibration.brier"])


def test_swapped_labels_hurt_labels_and_not_boundaries(simulated) -> None:
    swap = {"flush": "faucet", "faucet": "flush"}
    answered = Oracle().answer(simulated.trace, simulated.truth)
    swapped = replace(answered, events=answered.events.assign(label=answered.events["label"].replace(swap)))
    before, after = (score_home(a, simulated.truth).figures for a in (answered, swapped))
    assert after["events.f1[flush]"] == after["events.f1[faucet]"] == 0.0
    assert after["volume.share"] < before["volume.share"] - 0.1
    assert after["events.f1[shower]"] == before["events.f1[shower]"]
    assert after["boundaries.f1[time,all]"] == 1.0


def test_shifted_boundaries_hurt_boundaries() -> None:
    trace, truth = home(MORNING)
    late = [replace(u, start=u.start + 20, end=u.end + 20) for u in MORNING]
    figures = score_home(answer(trace, late), truth).figures
    assert figures["boundaries.f1[edges,all]"] == 0.0
    # Only the faucet of 20 s is lost altogether; the other events start and end 20 s off.
    assert figures["boundaries.start_error_s[isolated]"] == pytest.approx(20.0)
    assert figures["boundaries.end_error_s[isolated]"] == pytest.approx(20.0)
    assert figures["volume.share"] < 1.0


def test_volume_at_the_right_second_by_hand() -> None:
    # 10 L of shower; the answer gives its first 4 L to a faucet and leaves the last 1 L unexplained: 5 of 10 are right.
    trace, truth = home([Use(100, 200, "shower")])
    figures = score_home(answer(trace, [Use(100, 140, "faucet"), Use(140, 190, "shower")]), truth).figures
    assert figures["volume.share"] == pytest.approx(0.5)
    assert figures["volume.precision[shower]"] == pytest.approx(1.0)
    assert figures["volume.precision[faucet]"] == 0.0
    assert figures["volume.unexplained"] == pytest.approx(0.1)
    assert figures["volume.bias[shower]"] == pytest.approx(-0.5)


def test_right_volume_at_the_wrong_time_counts_over_the_period_only() -> None:
    trace, truth = home([Use(100, 200, "shower"), Use(900, 1_000, "bathtub")])
    figures = score_home(answer(trace, [Use(100, 200, "bathtub"), Use(900, 1_000, "shower")]), truth).figures
    assert figures["volume.period_share"] == pytest.approx(1.0)
    assert figures["volume.share"] == 0.0
    assert figures["volume.day_error[shower]"] == pytest.approx(0.0)


@pytest.mark.parametrize(("end", "within"), [(191, 1.0), (189, 0.0)])
def test_a_period_within_a_tenth(end, within) -> None:
    trace, truth = home([Use(100, 200, "shower")])
    figures = score_home(answer(trace, [Use(100, end, "shower")]), truth).figures
    assert figures["volume.period_within[shower]"] == within
    assert np.isnan(figures["volume.period_within[faucet]"])


def test_water_of_unknown_truth_is_left_out_of_the_share() -> None:
    trace, truth = home([Use(100, 200, "shower")], stray={5_000: 0.5})
    figures = score_home(
        answer(trace, [Use(100, 200, "shower"), Use(5_000, 5_001, "faucet", litres_per_cell=0.5)]), truth
    ).figures
    assert figures["volume.share"] == pytest.approx(1.0)
    assert figures["volume.precision[faucet]"] == 0.0


def test_events_that_the_meter_hardly_saw_are_neither_missed_nor_invented() -> None:
    drop = Use(300, 301, "faucet", litres_per_cell=0.01)
    trace, truth = home([Use(100, 200, "shower"), drop])
    without = score_home(answer(trace, [Use(100, 200, "shower")]), truth).figures
    with_it = score_home(answer(trace, [Use(100, 200, "shower"), drop]), truth).figures
    assert without["events.macro_f1"] == with_it["events.macro_f1"] == 1.0
    assert without["events.counted"] == pytest.approx(0.5)
    assert without["volume.share"] < with_it["volume.share"] == pytest.approx(1.0)


def test_no_truth_and_no_answer_are_defined() -> None:
    trace, truth = home([])
    nothing = score_home(EmptyMethod().disaggregate(trace), truth).figures
    assert set(nothing) == set(score_home(Oracle().answer(*home(MORNING)), home(MORNING)[1]).figures)
    assert np.isnan(nothing["volume.share"])
    assert np.isnan(nothing["events.f1[flush]"])
    trace, truth = home([], stray={100: 5.0})
    invented = score_home(answer(trace, [Use(100, 101, "flush", litres_per_cell=5.0)]), truth).figures
    assert invented["events.f1[flush]"] == 0.0
    assert invented["events.volume_f1"] == 0.0


def test_an_answer_for_another_trace_is_refused() -> None:
    _, truth = home(MORNING)
    other, _ = home(MORNING[:1])
    with pytest.raises(InputError, match="different traces"):
        Comparison(
            truth=account_of_truth(truth, home(MORNING)[0]), answer=account_of_answer(EmptyMethod().disaggregate(other))
        )


def mistaken(seed: int):
    """A home and an answer with wrong, missing and invented labels, one event apart from the next."""
    rng = np.random.default_rng(seed)
    labels = ["flush", "faucet", "shower", "hose"]
    true = [Use(1_000 * i, 1_000 * i + 50, str(rng.choice(labels))) for i in range(1, 60)]
    said = [
        replace(u, label=str(rng.choice(labels)), probability=float(rng.uniform(0.2, 1.0)))
        if rng.random() < 0.5
        else replace(u, probability=float(rng.uniform(0.2, 1.0)))
        for u in true
    ]
    trace, truth = home(true)
    return true, said, trace, truth


def test_f1_agrees_with_scikit_learn() -> None:
    true, said, trace, truth = mistaken(3)
    scores = score_home(answer(trace, said), truth)
    y_true, y_said = [u.label for u in true], [u.label for u in said]
    for average in ("macro", "micro", "weighted"):
        assert scores.figures[f"events.{average}_f1"] == pytest.approx(f1_score(y_true, y_said, average=average))
    for label, expected in zip(sorted(set(y_true)), f1_score(y_true, y_said, average=None), strict=True):
        assert scores.figures[f"events.f1[{label}]"] == pytest.approx(expected)


def test_calibration_agrees_with_scikit_learn() -> None:
    true, said, trace, truth = mistaken(4)
    scores = score_home(answer(trace, said), truth)
    right = np.array([t.label == s.label for t, s in zip(true, said, strict=True)])
    stated = np.array([s.probability for s in said])
    assert scores.figures["calibration.brier"] == pytest.approx(brier_score_loss(right, stated))
    events, claimed, kept = (
        scores.totals.over(f"calibration.{part}", BINS)[0] for part in ("events", "stated", "right")
    )
    filled = events > 0
    share_right, mean_stated = calibration_curve(right, stated, n_bins=10)
    assert kept[filled] / events[filled] == pytest.approx(share_right)
    assert claimed[filled] / events[filled] == pytest.approx(mean_stated)


def test_confusion_rows_are_true_volumes_and_columns_answered_ones(simulated) -> None:
    answered = Oracle().answer(simulated.trace, simulated.truth)
    events = answered.events.copy()
    events.loc[::3, "label"] = "other"
    scores = score_home(replace(answered, events=events), simulated.truth)
    table = confusion_table(scores.totals, by="litres")
    by_label = scores.by_label()
    assert table.sum(axis=1).to_numpy() == pytest.approx(by_label["true_l"].to_numpy(), abs=1e-6)
    assert table.sum(axis=0).to_numpy() == pytest.approx(by_label["answered_l"].to_numpy(), abs=1e-6)
    counts = confusion_table(scores.totals, by="events")
    assert counts.drop(index="invented").sum(axis=1).to_numpy() == pytest.approx(
        scores.totals.over("events.true", counts.columns[:-1])[0]
    )


def test_missed_and_invented_events_have_their_column_and_row() -> None:
    trace, truth = home([Use(100, 200, "shower"), Use(1_000, 1_050, "flush")], stray={5_000: 1.0})
    said = [Use(100, 200, "bathtub"), Use(5_000, 5_001, "faucet", litres_per_cell=1.0)]
    table = confusion_table(score_home(answer(trace, said), truth).totals, by="events")
    assert table.loc["shower", "bathtub"] == table.loc["flush", "missed"] == table.loc["invented", "faucet"] == 1.0
    assert table.to_numpy().sum() == 3.0


def test_overlapping_uses_are_told_apart_by_volume() -> None:
    # Both run over exactly the same seconds: only the volumes say which is which.
    uses = [Use(100, 160, "flush", litres_per_cell=0.15), Use(100, 160, "shower", litres_per_cell=0.05)]
    trace, truth = home(uses)
    figures = score_home(answer(trace, list(reversed(uses))), truth).figures
    assert figures["events.accuracy_overlapping"] == 1.0
    assert np.isnan(figures["events.accuracy_isolated"])


def test_names_of_fixtures_mean_nothing_and_their_grouping_everything() -> None:
    flushes = [Use(1_000 * i, 1_000 * i + 60, "flush", f"toilet-{i % 2}") for i in range(1, 21)]
    trace, truth = home(flushes)
    renamed = [replace(u, fixture={"toilet-0": "b", "toilet-1": "a"}[u.fixture]) for u in flushes]
    merged = [replace(u, fixture="toilet") for u in flushes]
    assert score_home(answer(trace, renamed), truth).figures["fixtures.right[flush]"] == 1.0
    one = score_home(answer(trace, merged), truth).figures
    assert one["fixtures.right[flush]"] == pytest.approx(0.5)
    assert one["fixtures.number_error[flush]"] == 1.0
    assert one["flush.toilet_found"] == pytest.approx(0.5)


def test_flush_volumes_are_compared_with_what_flowed() -> None:
    trace, truth = home([Use(1_000 * i, 1_000 * i + 60, "flush") for i in range(1, 11)])
    # The meter booked 6 L of each; 6.3 flowed.
    truth = replace(truth, events=truth.events.assign(volume_l=6.3))
    figures = score_home(Oracle().answer(trace, truth), truth).figures
    assert figures["flush.bias_l"] == pytest.approx(-0.3)
    assert figures["flush.rmse_l"] == pytest.approx(0.3)
    assert figures["flush.metered_rmse_l"] == pytest.approx(0.0, abs=1e-9)
    assert figures["flush.toilet_error"] == pytest.approx(0.3 / 6.3)
    assert figures["flush.coverage"] == 0.0


def test_loads_are_cycles_in_time_not_events() -> None:
    fills = [Use(1_000 + 400 * i, 1_100 + 400 * i, "clothes_washer", cycle=0) for i in range(4)]
    trace, truth = home(fills)
    split = [replace(u, cycle=i // 2) for i, u in enumerate(fills)]
    assert score_home(answer(trace, fills), truth).figures["loads.f1[clothes_washer]"] == 1.0
    assert score_home(answer(trace, split), truth).figures["loads.f1[clothes_washer]"] == 0.0


def test_minute_error_by_hand() -> None:
    # One minute of 6 L/min in an hour, all of it missed: root of 36/60, over the largest 6.
    trace, truth = home([Use(0, 60, "shower")], n_cells=3_600)
    figures = score_home(EmptyMethod().disaggregate(trace), truth).figures
    assert figures["minute.nrmse[shower]"] == pytest.approx(np.sqrt(36 / 60) / 6)


def test_every_figure_has_a_definition_and_every_definition_a_figure() -> None:
    trace, truth = home(MORNING)
    stems = {name.split("[")[0] for name in score_home(Oracle().answer(trace, truth), truth).figures}
    assert stems == set(DEFINITIONS)
    assert all(d.meaning and d.title for d in DEFINITIONS.values())


def test_counts_add_up_over_homes() -> None:
    parts = [score_home(answer(t, said), truth).counts for _, said, t, truth in (mistaken(5), mistaken(6))]
    both = Totals.of_homes(parts).weighted(np.ones((1, 2)))
    for name in ("events.true[flush]", "volume.shared[shower]", "calibration.squared"):
        assert both[name][0] == pytest.approx(sum(part.get(name, 0.0) for part in parts))


def test_a_match_of_an_event_that_the_meter_hardly_saw_is_not_invented() -> None:
    # The answer puts stray water on the event and so passes the limit that the true event misses.
    trace, truth = home([Use(300, 302, "faucet", litres_per_cell=0.008)], stray={301: 0.02})
    figures = score_home(answer(trace, [Use(300, 302, "faucet", litres_per_cell=0.02)]), truth).figures
    assert np.isnan(figures["events.precision[faucet]"])
    assert np.isnan(figures["events.f1[faucet]"])


def test_less_than_a_pulse_is_not_seen() -> None:
    uses = [Use(300, 305, "faucet"), Use(1_000, 1_100, "shower")]
    for pulse_l, counted in ((0.5, 1.0), (0.6, 0.5)):
        trace, truth = home(uses, pulse_l=pulse_l)
        assert score_home(EmptyMethod().disaggregate(trace), truth).figures["events.counted"] == counted


def test_true_times_are_rounded_outward_to_cells() -> None:
    trace, truth = home([Use(100, 200, "shower")])
    nudge = pd.Timedelta(milliseconds=400)
    events = truth.events.assign(start=truth.events["start"] + nudge, end=truth.events["end"] - nudge)
    account = account_of_truth(replace(truth, events=events), trace)
    assert (account.start.tolist(), account.end.tolist()) == ([100], [200])


def test_boundaries_are_scored_apart_where_uses_overlap() -> None:
    alone, first, second = Use(100, 200, "shower"), Use(1_000, 1_100, "shower"), Use(1_060, 1_160, "faucet")
    trace, truth = home([alone, first, second])
    # The overlap is answered as one event that fits neither; a lone event is invented far from everything.
    merged = answer(trace, [alone, Use(1_000, 1_400, "hose", litres_per_cell=0.2)])
    figures = score_home(merged, truth).figures
    assert figures["boundaries.f1[time,isolated]"] == 1.0
    assert figures["boundaries.f1[time,overlapping]"] == 0.0
    # What does match an overlapping event counts on its side of the sum.
    whole = score_home(answer(trace, [alone, first, second]), truth)
    assert whole.totals["boundaries.answered[time,overlapping]"][0] == 2.0
    assert whole.totals["boundaries.answered[time,isolated]"][0] == 1.0


class FirstLetters:
    """Labels true cuts by their length alone, and keeps what it was shown."""

    def __init__(self) -> None:
        self.seen = pd.DataFrame()

    def label_events(self, trace, uses: pd.DataFrame) -> list[str]:  # noqa: ARG002
        self.seen = uses
        return ["shower" if seconds > 60 else "flush" for seconds in uses["duration_s"]]


def test_labels_on_true_cuts_agree_with_scikit_learn() -> None:
    rng = np.random.default_rng(8)
    uses = [
        Use(1_000 * i, 1_000 * i + int(rng.integers(30, 90)), str(rng.choice(["flush", "shower", "hose"])))
        for i in range(1, 50)
    ]
    trace, truth = home([*uses, Use(70_000, 70_001, "faucet", litres_per_cell=0.001)])
    method = FirstLetters()
    counts = count_labels(method, account_of_truth(truth, trace), smallest_event_l=0.02)
    made = {name: value[0] for name, value in figures_of(Totals.of_homes([counts])).items()}
    said, true = method.label_events(trace, method.seen), [u.label for u in uses]
    assert made["precut.macro_f1"] == pytest.approx(f1_score(true, said, labels=sorted(set(true)), average="macro"))
    assert made["precut.accuracy"] == pytest.approx(accuracy_score(true, said))
    assert "label" not in method.seen
    assert method.seen["volume_l"].to_numpy() == pytest.approx([0.1 * (u.end - u.start) for u in uses])


def test_wrong_labels_on_true_cuts_are_refused() -> None:
    trace, truth = home(MORNING)
    account = account_of_truth(truth, trace)

    class Lazy:
        def __init__(self, labels: list[str]) -> None:
            self.labels = labels

        def label_events(self, trace, uses: pd.DataFrame) -> list[str]:  # noqa: ARG002
            return self.labels

    with pytest.raises(InputError, match="returned 1 labels for 6 events"):
        count_labels(Lazy(["flush"]), account, smallest_event_l=0.02)
    with pytest.raises(InputError, match="found 'sauna', expected one of flush"):
        count_labels(Lazy(["sauna"] * 6), account, smallest_event_l=0.02)
