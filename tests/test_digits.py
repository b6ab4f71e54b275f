"""Numbers in words: digits that count, bounds that can be told apart."""

import pytest

from flowsift.digits import plain, plain_pair


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (0, "0"),
        (1234.5, "1,234"),
        (12.345, "12.3"),
        (1.2345, "1.23"),
        (0.12345, "0.123"),
        (0.012345, "0.0123"),
        (0.0012345, "0.0012"),
        (0.000012345, "0.000012"),
        (1e-17, "0"),
    ],
)
def test_three_digits_count(value, words):
    assert plain(value) == words


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (0.1, 0.2, ("0.100", "0.200")),
        (0.11672, 0.11688, ("0.1167", "0.1169")),
        (10.231, 10.234, ("10.231", "10.234")),
        (5.0, 5.0, ("5.00", "5.00")),
        (float("nan"), 1.0, ("-", "1.00")),
    ],
)
def test_bounds_can_be_told_apart(low, high, words):
    assert plain_pair(low, high) == words
