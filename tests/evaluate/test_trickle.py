"""The trickle's scores, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from flowsift.evaluate.references import EmptyMethod
from flowsift.evaluate.scores import figures, score_home
from flowsift.evaluate.totals import Totals

from .tiny import DAY, Use, answer, home

LITRES = 0.02 / 60.0  # 0.02 L/min


def test_onset_end_and_rate() -> None:
    trace, truth = home([], n_cells=4 * DAY, trickle=(DAY, 3 * DAY, LITRES))
    said = answer(trace, [], trickle=(DAY + 600, 3 * DAY - 300, LITRES))
    result = score_home(said, truth).figures
    assert result["trickle.found[0.02 to 0.05]"] == 1.0
    assert result["trickle.smallest_lpm"] == pytest.approx(0.02)
    assert result["trickle.onset_error_s"] == pytest.approx(600.0)
    assert result["trickle.end_error_s"] == pytest.approx(300.0)
    assert result["trickle.rate_error"] == pytest.approx(900.0 / (2 * DAY))


def test_a_trickle_at_a_third_of_its_rate_is_not_found() -> None:
    trace, truth = home([], n_cells=DAY, trickle=(0, DAY, LITRES))
    result = score_home(answer(trace, [], trickle=(0, DAY, LITRES / 3.0)), truth).figures
    assert result["trickle.found"] == 0.0
    assert np.isnan(result["trickle.smallest_lpm"])
    assert result["trickle.rate_error"] == pytest.approx(2.0 / 3.0)


def test_false_alarms_by_the_year() -> None:
    uses = [Use(1_000, 1_300, "shower")]
    trace, truth = home(uses, n_cells=73 * DAY)
    result = score_home(answer(trace, uses, trickle=(1_000, 1_300, 0.001)), truth).figures
    assert result["trickle.false_alarms_per_year"] == pytest.approx(5.0)
    assert np.isnan(result["trickle.found"])


def test_the_smallest_found_needs_all_larger_ones_to_be_found() -> None:
    homes = []
    for rate_lpm, found in ((0.007, True), (0.03, False), (0.15, True), (0.7, True)):
        trace, truth = home([], n_cells=DAY, trickle=(0, DAY, rate_lpm / 60.0))
        said = answer(trace, [], trickle=(0, DAY, rate_lpm / 60.0)) if found else EmptyMethod().disaggregate(trace)
        homes.append(score_home(said, truth).counts)
    whole = figures(Totals.of_homes(homes).weighted(np.ones((1, 4))))
    assert whole["trickle.smallest_lpm"][0] == pytest.approx(0.1)
    assert whole["trickle.found"][0] == pytest.approx(0.75)
