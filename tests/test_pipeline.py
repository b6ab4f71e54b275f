"""What `disaggregate` is given is checked at its door."""

import pytest

import flowsift as fs

TRACE = fs.Trace.from_volumes([0.0, 1.0, 2.0], [0.1, 0.3, 0.0], 0.01)


@pytest.mark.parametrize(
    ("trace", "options", "problem"),
    [
        ("meter.csv", {}, r"trace is a str, expected a Trace, such as read_trace\(file\) gives"),
        (TRACE, {"labels": "walk.csv"}, "labels is a str, expected a DataFrame with the columns time and label"),
        (TRACE, {"household": {}}, r"household is a dict, expected HomeFacts\(\.\.\.\)"),
        (TRACE, {"random_state": 1.5}, "random_state is a float, expected a whole number"),
        (TRACE, {"random_state": -1}, "random_state is -1, expected 0 or more"),
    ],
)
def test_what_is_of_another_kind_is_one_line(trace, options, problem):
    with pytest.raises(fs.OptionError, match=f"^{problem}$"):
        fs.disaggregate(trace, **options)
