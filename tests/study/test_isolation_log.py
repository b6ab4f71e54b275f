"""Written steps: read as they are meant, refused where they can't be."""

import numpy as np
import pytest
from tests.study.traces import pulsed

from flowsift.errors import InputError
from flowsift.study.isolation_log import USUAL_STEP_S, is_off, read_steps

TRACE = pulsed(np.ones(6 * 3600 // 10), pulse_l=0.1, interval_s=10.0, timezone="America/Denver")
"""Six hours from 18:00 local time on 2 June 2024."""


def steps_of(tmp_path, *lines, **options):
    path = tmp_path / "steps.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return read_steps(path, TRACE, **options)


def test_rows_become_steps(tmp_path):
    steps = steps_of(
        tmp_path,
        "time,action,branch,note",
        "2024-06-02 18:30,start,,",
        "2024-06-02 19:00,Close,garden,stiff",
        "2024-06-02 19:30,closed,house/kitchen,",
        "",
        "2024-06-02 20:00,open,garden,",
        "2024-06-02 20:30,end,,",
    )
    assert [(s.start_s, s.end_s) for s in steps] == [(1800, 3600), (3600, 5400), (5400, 7200), (7200, 9000)]
    assert [sorted(s.closed) for s in steps] == [[], ["garden"], ["garden", "house/kitchen"], ["house/kitchen"]]
    assert [sorted(s.opened) for s in steps] == [[], [], [], ["garden"]]


def test_a_test_may_begin_in_the_minute_in_which_another_ended(tmp_path):
    steps = steps_of(
        tmp_path,
        "time,action,branch",
        "2024-06-02 18:30,start,",
        "2024-06-02 19:00,close,a",
        "2024-06-02 19:30,open,a",
        "2024-06-02 19:50,end,",
        "2024-06-02 19:50,start,",
        "2024-06-02 20:10,close,b",
        "2024-06-02 20:30,end,",
    )
    assert [(s.start_s, s.end_s) for s in steps][2:] == [(5400, 6600), (6600, 7800), (7800, 9000)]
    assert [sorted(s.closed) for s in steps] == [[], ["a"], [], [], ["b"]]


def test_open_ends_are_bounded(tmp_path):
    steps = steps_of(tmp_path, "when,did,valve", "2024-06-02 20:00,close,a", "2024-06-02 20:20,open,a")
    assert steps[0].start_s == 7200 - USUAL_STEP_S
    assert steps[-1].end_s == 8400 + USUAL_STEP_S


def test_clock_times_need_a_day_or_a_trace_of_one(tmp_path):
    rows = ("time,action,branch", "19:00,close,a", "19:30,open,a")
    assert steps_of(tmp_path, *rows)[1].start_s == 3600
    assert steps_of(tmp_path, *rows, date="2024-06-02")[1].start_s == 3600
    with pytest.raises(InputError, match="which the trace covers"):
        steps_of(tmp_path, *rows, date="2024-06-03")


@pytest.mark.parametrize(
    ("lines", "row", "column"),
    [
        (["time,branch", "19:00,a"], 1, None),
        (["time,action,branch", "19:00,shake,a"], 2, "action"),
        (["time,action,branch", "soon,close,a"], 2, "time"),
        (["time,action,branch", "19:00,close,"], 2, "branch"),
        (["time,action,branch", "19:00,close,a//b"], 2, "branch"),
        (["time,action,branch", "19:00,open,a"], 2, "branch"),
        (["time,action,branch", "19:00,close,a", "19:10,close,a"], 3, "branch"),
        (["time,action,branch", "19:00,close,a", "18:50,open,a"], 3, "time"),
        (["time,action,branch", "2020-01-01 19:00,close,a"], 2, "time"),
        (["time,action,branch", "19:00,start,"], None, None),
    ],
)
def test_errors_name_row_and_column(tmp_path, lines, row, column):
    with pytest.raises(InputError) as caught:
        steps_of(tmp_path, *lines)
    assert (caught.value.row, caught.value.column) == (row, column)
    assert "steps.csv" in str(caught.value)


def test_an_empty_or_binary_file_is_refused(tmp_path):
    path = tmp_path / "steps.csv"
    path.write_bytes(b"")
    with pytest.raises(InputError, match="empty"):
        read_steps(path, TRACE)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="UTF-8"):
        read_steps(path, TRACE)


def test_what_lies_behind_a_closed_branch_is_off():
    assert is_off("house/kitchen", frozenset({"house"}))
    assert is_off("house/kitchen", frozenset({"house/kitchen"}))
    assert not is_off("house", frozenset({"house/kitchen"}))
    assert not is_off("housekeeping", frozenset({"house"}))
