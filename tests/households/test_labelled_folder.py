"""Homes of one's own in a folder: what is written reads back, and what can't be true is named by file, row, column."""

from __future__ import annotations

import json
from dataclasses import replace

import pandas as pd
import pytest

from flowsift.errors import InputError
from flowsift.households import Household, simulate


@pytest.fixture(scope="module")
def home():
    return simulate(11, days=1, people=2, interval_s=10.0)


def test_a_home_of_ones_own_reads_back(home, tmp_path):
    Household(trace=home.trace, truth=replace(home.truth, card={"home": "mine"})).write(tmp_path)
    back = Household.read(tmp_path)
    assert (back.trace.start_ns, back.trace.n_cells) == (home.trace.start_ns, home.trace.n_cells)
    assert back.trace.metered_l == pytest.approx(home.trace.metered_l)
    assert back.truth.card["home"] == "mine"


def test_a_trace_that_was_cut_no_longer_fits_its_truth(home, tmp_path):
    replace(home, trace=home.trace.between("2024-06-03", "2024-06-03 12:00")).write(tmp_path)
    with pytest.raises(InputError, match=r'shares\.csv\.gz, row \d+, column "cell": found \d+, expected a cell of the'):
        Household.read(tmp_path)


@pytest.mark.parametrize(
    ("file", "column", "change"),
    [
        ("events.csv", "start", "junk"),
        ("events.csv", "start", 1_717_372_800),
        ("events.csv", "end", lambda rows: rows["end"].where(rows.index != 3)),
        ("events.csv", "end", "2024-06-02T00:00:00Z"),
        ("events.csv", "label", "toilet"),
        ("events.csv", "fixture", None),
        ("events.csv", "cycle", 1.5),
        ("events.csv", "volume_l", "a"),
        ("events.csv", "metered_l", float("inf")),
        ("events.csv", "overlaps", "perhaps"),
        ("shares.csv.gz", "event", -1),
        ("shares.csv.gz", "event", lambda rows: rows["event"] + 0.5),
        ("shares.csv.gz", "event", lambda rows: rows["event"] + 100_000),
        ("shares.csv.gz", "cell", lambda rows: rows["cell"] + 10_000_000),
        ("shares.csv.gz", "volume_l", lambda rows: 3 * rows["volume_l"]),
        ("shares.csv.gz", "volume_l", None),
        ("flow.csv.gz", "cell", lambda rows: rows["cell"][::-1].to_numpy()),
        ("flow.csv.gz", "cell", lambda rows: rows["cell"] + 10_000_000),
        ("flow.csv.gz", "volume_l", lambda rows: -rows["volume_l"]),
    ],
)
def test_what_cannot_be_true_is_named(home, tmp_path, file, column, change):
    home.write(tmp_path)
    rows = pd.read_csv(tmp_path / file)
    rows.assign(**{column: change}).to_csv(tmp_path / file, index=False)
    with pytest.raises(InputError, match=rf'{file}, row \d+, column "{column}": found'):
        Household.read(tmp_path)


@pytest.mark.parametrize(
    "change",
    [
        {"timezone": "Mars"},
        {"unit": "pint"},
        {"interval_ns": 0},
        {"n_cells": -1},
        {"pulse_l": None},
        {"start_ns": 1e30},
    ],
)
def test_a_grid_that_is_none_is_named(home, tmp_path, change):
    home.write(tmp_path)
    path = tmp_path / "card.json"
    card = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps({**card, "trace": {**card["trace"], **change}}), encoding="utf-8")
    with pytest.raises(InputError, match=r'card\.json: expected an entry "trace"'):
        Household.read(tmp_path)


@pytest.mark.parametrize("text", ["{oops", "[]", ""])
def test_a_broken_card_is_named(home, tmp_path, text):
    home.write(tmp_path)
    (tmp_path / "card.json").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=r"card\.json: expected a card in JSON"):
        Household.read(tmp_path)


def test_a_broken_file_is_named(home, tmp_path):
    home.write(tmp_path)
    (tmp_path / "shares.csv.gz").write_bytes(b"no gzip")
    with pytest.raises(InputError, match=r"shares\.csv\.gz: expected a table"):
        Household.read(tmp_path)


def test_a_log_that_begins_elsewhere_is_refused(home, tmp_path):
    home.truth.write(tmp_path)
    late = replace(home, trace=replace(home.trace, start_ns=home.trace.start_ns + 3600 * 10**9))
    late.write_log(tmp_path / "trace.csv.gz")
    with pytest.raises(InputError, match="expected the start_ns of the card"):
        Household.read(tmp_path)
