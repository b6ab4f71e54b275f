"""Counting in boxes against looking at every point."""

import numpy as np
import pytest

from flowsift.neighbours import count_in_boxes, count_within


@pytest.mark.parametrize("n", [0, 1, 2, 3, 8, 9, 500])
def test_counts_are_those_of_looking_at_every_point(n):
    rng = np.random.default_rng(n)
    points = rng.integers(0, 30, (n, 2)).astype(float)  # whole numbers: many lie on a rim
    at = rng.integers(-5, 35, (60, 2)).astype(float)
    near = np.abs(points[None] - at[:, None]) <= (3.0, 2.0)
    assert count_in_boxes(points, at, reach=(3.0, 2.0)).tolist() == near.all(axis=2).sum(axis=1).tolist()
    assert count_within(points[:, 0], at[:, 0], reach=3.0).tolist() == near[..., 0].sum(axis=1).tolist()


def test_arguments_stay_as_they_are():
    points = np.random.default_rng(1).random((50, 2))
    points.setflags(write=False)
    assert count_in_boxes(points, points, reach=(2.0, 2.0)).tolist() == [50] * 50
