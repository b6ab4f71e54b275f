"""The study over many homes, its text, its picture, and the command."""

import json
import os
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
from flowsift.plot.flush_volumes import flush_volumes
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


@pytest.mark.parametrize("units", ["si", "us"])
def test_names_of_classes_do_not_touch(studies, units):
    figure = pytest.importorskip("matplotlib.figure", reason="the report extra is not installed")
    canvas = figure.Figure(figsize=(8.0, 4.5), layout="constrained")
    axes = flush_volumes(homes_study(studies), canvas.add_subplot(), units=units)
    canvas.draw_without_rendering()
    names = axes.child_axes[0].get_xticklabels()
    assert len(names) >= 3
    angle = np.deg2rad(names[0].get_rotation())
    at = np.array([name.get_transform().transform(name.get_position())[0] for name in names])
    height = names[0].get_fontsize() * canvas.dpi / 72.0
    assert (np.diff(np.sort(at)) * np.sin(angle)).min() > height


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


@pytest.fixture(scope="module")
def log():
    """Rows of a home of two days."""
    home = simulate(100203, days=2, stock="us", leaks=()).trace
    times, volume_l = home.rows()
    return pd.DataFrame({"time": times, "volume_l": volume_l})


def test_every_file_named_as_flow_data_is_a_home_and_others_are_told(run, log, tmp_path):  # noqa: F811
    homes = tmp_path / "homes"
    homes.mkdir()
    for name in ("a.csv", "b.tsv", "c.TXT", "d.csv.gz", "e.tsv.gz", "f.txt.gz"):
        log.to_csv(homes / name, index=False, sep="\t" if "tsv" in name else ",", compression="infer")
    log.to_parquet(homes / "g.pq")
    for name in ("notes.pdf", "photo.jpg", ".hidden.csv", "_SUCCESS"):
        (homes / name).write_text("x")
    ended = run("flushes", homes, "--json", "-")
    assert ended.status == 0
    assert [home["home"] for home in ended.json["homes"]] == [
        *("a.csv", "b.tsv", "c.TXT", "d.csv.gz", "e.tsv.gz", "f.txt.gz", "g.pq")
    ]
    assert ended.err == f"flowsift: {homes}: files left out, not named as flow data: 2, such as notes.pdf\n"
    assert sum(one["toilets"] for one in ended.json["classes"]) == sum(len(h["toilets"]) for h in ended.json["homes"])
    flushes_per_day = ended.json["means_over_homes"]["flushes_per_day"]
    assert flushes_per_day["low"] <= flushes_per_day["mean"] <= flushes_per_day["high"]


@pytest.mark.parametrize("option", [("--replacement", "4.8"), ("--unit", "foo"), ("--delimiter", "ab")])
def test_a_wrong_option_is_no_fault_of_each_home(run, log, tmp_path, option):  # noqa: F811
    for name in ("a.csv", "b.csv"):
        log.to_csv(tmp_path / name, index=False)
    ended = run("flushes", tmp_path, *option)
    assert ended.status == 2
    assert len(ended.err.splitlines()) == 1


def test_a_partition_is_one_home(run, log, tmp_path):  # noqa: F811
    homes = tmp_path / "homes"
    for name in ("account=000", "account=001"):
        (homes / name).mkdir(parents=True)
        log.iloc[50_000:].to_parquet(homes / name / "part-0.parquet")
        log.iloc[:50_000].to_parquet(homes / name / "part-1.parquet")
        (homes / name / "_SUCCESS").touch()
    log.to_parquet(tmp_path / "whole.parquet")
    (homes / "account=002").mkdir()
    ended = run("flushes", homes, "--json", "-")
    assert ended.status == 3
    assert ended.err == "flowsift: account=002: found no file\n"
    whole = run("flushes", tmp_path / "whole.parquet", "--json", "-").json
    found = ended.json["homes"]
    assert [home["home"] for home in found] == ["account=000", "account=001"]
    assert all(home["metered_l"] == whole["metered_l"] for home in found)
    assert all(home["toilets"] == whole["toilets"] for home in found)
    alone = run("flushes", homes / "account=001", "--json", "-")
    assert [home["home"] for home in alone.json["homes"]] == ["account=001"]
    # A part is read too: it must not be written over, nor given twice.
    part = homes / "account=000" / "part-1.parquet"
    assert run("flushes", homes, "--table", part).status == 2
    assert "given twice" in run("flushes", homes, part).err


def test_a_name_that_is_no_utf8_is_escaped(run, log, tmp_path):  # noqa: F811
    home = tmp_path / os.fsdecode(b"caf\xe9.csv")
    log.to_csv(home, index=False)
    (tmp_path / os.fsdecode(b"empty\xe9.csv")).touch()
    ended = run("flushes", tmp_path, "--json", "-")
    assert ended.status == 3
    assert [one["home"] for one in (*ended.json["homes"], *ended.json["problems"])] == [
        "caf\\udce9.csv",
        "empty\\udce9.csv",
    ]
    assert run("flushes", home).status == 0


def test_partitions_in_a_partition_are_joined_only_where_the_outer_is_the_home(run, log, tmp_path):  # noqa: F811
    for place, rows in (("by-home/home=7/month=5", log.iloc[:50_000]), ("by-home/home=7/month=6", log.iloc[50_000:])):
        (tmp_path / place).mkdir(parents=True)
        rows.to_parquet(tmp_path / place / "part-0.parquet")
    ended = run("flushes", tmp_path / "by-home", "--json", "-")
    assert [home["home"] for home in ended.json["homes"]] == ["home=7"]
    (tmp_path / "by-year" / "year=2024" / "account=7").mkdir(parents=True)
    ended = run("flushes", tmp_path / "by-year")
    assert ended.status == 2
    assert "year=2024: found the partition account=7 in it, where either may be the home" in ended.err


def test_outputs_are_checked_before_the_work(run, tmp_path, monkeypatch):  # noqa: F811
    monkeypatch.setattr(fs, "disaggregate", None)
    assert run("flushes", tmp_path / "x.csv", "--table", tmp_path / "study.txt").status == 2
    assert run("flushes", tmp_path / "x.csv", "--figure", tmp_path / "a.txt").status == 2
    assert run("flushes", tmp_path).status == 2  # an empty folder
