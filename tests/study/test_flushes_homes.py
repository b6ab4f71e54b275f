"""The study over many homes, its text, its picture, and the command."""

import json
import sys

import numpy as np
import pandas as pd
import pytest
from tests.cli.conftest import run  # noqa: F401  (a fixture)
from tests.study.flushing_homes import flushing_home

import flowsift as fs
from flowsift.errors import OptionError
from flowsift.households import simulate
from flowsift.households.labelled_folder import write_labelled_folder
from flowsift.plot.files import save_flush_volumes
from flowsift.report.as_json import json_dict
from flowsift.report.flushes_text import flushes_sections, homes_sections
from flowsift.study import flushes
from flowsift.study.flushes_homes import HOME_TYPES, NOT_TOLD, TOILET_TYPES, homes_study
from flowsift.units import L_PER_GAL


@pytest.fixture(scope="module")
def studies():
    toilets = {"a": [(13.2, 9.0), (6.1, 11.0)], "b": [(6.1, 8.0)], "c": [(4.8, 8.0)], "d": [(6.0, 9.0, 3.1)]}
    made = [(name, flushes(flushing_home(kinds, seed=k))) for k, (name, kinds) in enumerate(toilets.items())]
    return [*made, ("e", flushes(flushing_home([(6.0, 8.0)], label="shower")))]


def test_one_row_a_toilet_and_one_a_home(studies):
    table = homes_study(studies, problems=[("f", "empty file")])
    assert list(table.toilets.columns) == list(TOILET_TYPES)
    assert list(table.homes.columns) == list(HOME_TYPES)
    assert table.toilets["home"].tolist() == ["a", "a", "b", "c", "d"]
    assert table.homes["toilets"].tolist() == [2, 1, 1, 1, 0, 0]
    assert table.homes["problem"].tolist() == ["", "", "", "", "", "empty file"]
    a = table.homes.iloc[0]
    mean = np.average(table.toilets["mean_l"][:2], weights=table.toilets["flushes_per_day"][:2])
    assert a["per_flush_l"] == pytest.approx(mean)
    of_toilets = ["per_flush_l", "flushes_per_day", "toilet_share", "saving_per_year_l"]
    assert table.homes[of_toilets].iloc[4:].isna().all(axis=None)
    assert table.mean("flushes_per_day")[0] == pytest.approx(table.homes["flushes_per_day"][:4].mean())


def test_shares_of_classes_add_up_and_their_intervals_hold_them(studies):
    by_class = homes_study(studies).by_class()
    assert by_class["toilets"].sum() == 5
    assert by_class["share"].sum() == pytest.approx(1.0)
    assert (by_class["low"] <= by_class["share"]).all()
    assert (by_class["share"] <= by_class["high"]).all()
    assert by_class["class"].iloc[0] == "3.5 gpf"
    assert set(by_class["class"]) <= {"3.5 gpf", "1.6 gpf", "1.28 gpf", NOT_TOLD}


def test_nothing_to_study_is_empty_tables():
    table = homes_study([])
    assert len(table.toilets) == len(table.homes) == len(table.by_class()) == 0
    wanted = pd.DataFrame(columns=list(HOME_TYPES)).astype(HOME_TYPES)
    pd.testing.assert_series_equal(table.homes.dtypes, wanted.dtypes)
    assert np.isnan(table.mean("per_flush_l")).all()
    assert homes_sections(table)


@pytest.mark.parametrize("units", ["si", "us"])
def test_text_fits_and_says_what_matters(studies, units):
    text = {
        name: [line for s in flushes_sections(study, units=units) for line in (s.heading, *s.lines)]
        for name, study in studies
    }
    assert max(len(line) for lines in text.values() for line in lines) <= 80
    assert "No toilet could be resolved" in " ".join(text["e"])
    dual = " ".join(text["d"])
    assert "reduced flush:" in dual
    assert "effective volume" in dual
    assert "class 3.5 gpf: 1980 to 1994" in " ".join(text["a"])
    assert "Old valves seize" in " ".join(text["a"])
    many = [line for s in homes_sections(homes_study(studies), units=units) for line in (s.heading, *s.lines)]
    assert max(map(len, many)) <= 80
    assert any("the replacement takes 1.28 gal" in line for line in many)


def test_json_is_in_the_units_asked_for(studies):
    study = studies[0][1]
    si, us = json_dict(study), json_dict(study, units="us")
    json.dumps([si, us], allow_nan=False)
    assert si["toilets"][0]["full"]["volume_l"] == pytest.approx(study.toilets[0].full.volume_l)
    assert us["toilets"][0]["full"]["volume_gal"] * L_PER_GAL == pytest.approx(study.toilets[0].full.volume_l)
    assert us["toilets"][0]["classes"]["classes"][0]["name"] == "3.5 gpf"
    assert "members" not in si


def test_the_picture(studies, tmp_path):
    path = tmp_path / "volumes.png"
    save_flush_volumes(homes_study(studies), path, units="us")
    assert path.read_bytes().startswith(b"\x89PNG")
    save_flush_volumes(homes_study([]), tmp_path / "none.svg")
    with pytest.raises(OptionError, match="png"):
        save_flush_volumes(homes_study(studies), tmp_path / "volumes.txt")


def test_the_picture_needs_a_library(studies, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    with pytest.raises(OptionError, match=r"flowsift\[report\]"):
        save_flush_volumes(homes_study(studies), tmp_path / "volumes.png")


def test_one_file(run, tmp_path):  # noqa: F811
    simulate(100203, days=6, stock="us", leaks=(), unit="gal").write_log(tmp_path / "home.csv.gz")
    ended = run("flushes", tmp_path / "home.csv.gz")
    assert ended.status == 0
    assert "gal a flush" in ended.out
    assert max(map(len, ended.out.splitlines())) <= 80
    record = run("flushes", tmp_path / "home.csv.gz", "--json", "-", "--units", "si", "--replacement", "0.8gal").json
    assert record["units"] == "si"
    assert record["toilets"][0]["saving"]["replacement_l"] == pytest.approx(0.8 * L_PER_GAL)


def test_a_folder_of_homes_one_of_them_broken(run, tmp_path):  # noqa: F811
    homes = tmp_path / "homes"
    for seed in (100203, 100206):
        write_labelled_folder(simulate(seed, days=5, stock="us", leaks=()), homes / f"home-{seed}")
    (homes / "broken.csv").write_text("time,volume_l\n", encoding="utf-8")
    out, picture = tmp_path / "study.parquet", tmp_path / "volumes.png"
    ended = run("flushes", homes, "--table", out, "--figure", picture)
    assert ended.status == 3
    assert "2 homes studied, 1 could not be read" in ended.out
    assert ended.err.count("broken.csv") == 1
    toilets, table = pd.read_parquet(out), pd.read_parquet(tmp_path / "study-homes.parquet")
    assert len(table) == 3
    assert (table["problem"] != "").sum() == 1
    assert set(toilets["home"]) == {f"home-{seed}/log.parquet" for seed in (100203, 100206)}
    assert picture.is_file()


def test_outputs_are_checked_before_the_work(run, tmp_path, monkeypatch):  # noqa: F811
    monkeypatch.setattr(fs, "disaggregate", None)
    assert run("flushes", tmp_path / "x.csv", "--table", tmp_path / "study.txt").status == 2
    assert run("flushes", tmp_path / "x.csv", "--figure", tmp_path / "a.txt").status == 2
    assert run("flushes", tmp_path).status == 2  # an empty folder
