"""The open apartment: the loader on a made-up folder of the same form, and on the real one where it is at hand."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from flowsift.errors import InputError
from flowsift.evaluate.contract import broken_invariant
from flowsift.evaluate.homes import OpenApartment
from flowsift.evaluate.open_data import APARTMENT_ATTRIBUTION, read_apartment
from flowsift.evaluate.references import EmptyMethod, Oracle
from flowsift.evaluate.runner import score_labelled_home
from flowsift.evaluate.scores import score_home

REAL = Path(__file__).parents[3] / "shared" / "open-data" / "apartment"
DAY_S = 1_551_052_800  # 2019-02-25, UTC


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two flushes of one toilet that overlap, a faucet within the first, and a stray pulse."""
    toilet = [*range(100, 460), *range(400, 760)]
    samples = pd.DataFrame({"t": toilet, "ml": 100.0 / 3.0, "fixture": "toilet"})
    faucet = pd.DataFrame({"t": range(200, 210), "ml": 50.0, "fixture": "kitchen"})
    stray = pd.DataFrame({"t": [5_000], "ml": [2.0], "fixture": ["bidet"]})
    samples = pd.concat([samples, faucet, stray]).assign(t=lambda d: d["t"] + DAY_S)
    samples.assign(fixture=samples["fixture"].astype("category")).to_parquet(tmp_path / "fixture_samples.parquet")
    samples.groupby("t", as_index=False)["ml"].sum().to_parquet(tmp_path / "whole_house_1s.parquet")
    draws = pd.DataFrame(
        [
            ("toilet", "toilet", 100, 460, 12_000.0, 33.3, None),
            ("kitchen", "faucet", 200, 210, 500.0, 50.0, None),
            ("toilet", "toilet", 400, 760, 12_000.0, 33.3, None),
        ],
        columns=["fixture", "kind", "start", "end", "volume_ml", "peak_ml_s", "cycle"],
    )
    draws[["start", "end"]] += DAY_S
    draws.to_csv(tmp_path / "draws.csv", index=False)
    return tmp_path


def test_overlapping_flushes_share_their_seconds(folder: Path) -> None:
    trace, truth = read_apartment(folder)
    assert truth.events["label"].tolist() == ["flush", "faucet", "flush"]
    assert truth.events["metered_l"].tolist() == pytest.approx([12.0, 0.5, 12.0])
    assert trace.start == pd.Timestamp("2019-02-25", tz="UTC")
    assert trace.metered_l == pytest.approx(24.502)
    assert truth.metered_l == pytest.approx(24.5)
    assert len(truth.trickle) == 0
    figures = score_home(Oracle().answer(trace, truth), truth).figures
    assert figures["volume.share"] == pytest.approx(1.0)
    assert figures["volume.unexplained"] == pytest.approx(0.002 / 24.502)


def test_an_unknown_kind_names_its_row(folder: Path) -> None:
    draws = pd.read_csv(folder / "draws.csv")
    draws.loc[1, "kind"] = "sauna"
    draws.to_csv(folder / "draws.csv", index=False)
    with pytest.raises(InputError, match=r"draws\.csv, row 3, column \"kind\": found 'sauna', expected one of faucet"):
        read_apartment(folder)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"whole_house_1s\.parquet: no such file"):
        read_apartment(tmp_path)


def test_attribution_is_kept(folder: Path) -> None:
    assert "CC BY 4.0" in APARTMENT_ATTRIBUTION
    assert "Di Mauro" in APARTMENT_ATTRIBUTION
    assert score_labelled_home(EmptyMethod(), OpenApartment(folder=folder)).attribution == APARTMENT_ATTRIBUTION


@pytest.mark.skipif(not REAL.is_dir(), reason="the open apartment is not beside the repository")
def test_the_real_apartment_accounts_for_its_water() -> None:
    trace, truth = read_apartment(REAL)
    draws = pd.read_csv(REAL / "draws.csv").sort_values(["start", "end"], ignore_index=True)
    assert truth.events["metered_l"].to_numpy() == pytest.approx(draws["volume_ml"].to_numpy() / 1e3, abs=1e-3)
    assert truth.metered_l == pytest.approx(trace.metered_l, rel=1e-3)
    answer = Oracle().answer(trace, truth)
    assert broken_invariant(answer, trace) == ""
    assert score_home(answer, truth).figures["volume.share"] == pytest.approx(1.0)
