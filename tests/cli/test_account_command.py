"""``flowsift account``: options, files, units, and plain text."""

import io

import pandas as pd
import pytest
from tests.cli.conftest import small_answer, small_trace

import flowsift as fs
from flowsift.units import L_PER_FT3, L_PER_GAL


@pytest.mark.usefixtures("canned")
def test_prints_the_whole_account(run):
    ended = run("account", "meter.csv")
    assert ended.status == 0
    assert ended.err == ""
    for words in ("Water account", "toilet flush", "toilet-1", "6.00 L", "Not explained", "missing intervals (360)"):
        assert words in ended.out


@pytest.mark.usefixtures("canned")
@pytest.mark.parametrize("units", ["si", "us"])
def test_every_line_fits_80_columns_without_colour(run, units):
    lines = run("account", "meter.csv", "--units", units).out.splitlines()
    assert len(lines) > 15
    assert max(map(len, lines)) <= 80
    assert not any("\x1b" in line for line in lines)


def test_options_reach_the_reader(run, canned):
    run("account", "x.csv")
    assert {value for name, value in canned.items() if name != "path"} == {None}
    run(
        "account",
        "x.csv",
        "--unit",
        "gal",
        "--kind",
        "flow",
        "--time-column",
        "t",
        "--value-column",
        "v",
        "--day-first",
    )
    assert {name: canned[name] for name in ("unit", "kind", "time_column", "value_column", "day_first")} == {
        "unit": "gal",
        "kind": "flow",
        "time_column": "t",
        "value_column": "v",
        "day_first": True,
    }


@pytest.mark.parametrize(
    ("written", "litres"),
    [("10L", 10.0), ("0.1 gal", 0.1 * L_PER_GAL), ("1ft3", L_PER_FT3), ("5e2mL", 0.5), ("0.001m3", 1.0)],
)
def test_a_pulse_is_given_with_its_unit(run, canned, written, litres):
    assert run("account", "x.csv", "--pulse", written).status == 0
    assert canned["pulse_l"] == pytest.approx(litres)


@pytest.mark.usefixtures("canned")
@pytest.mark.parametrize("written", ["10", "L", "10 pints", "1.2.3L", "-1L"])
def test_a_pulse_without_a_sound_volume_is_refused(run, written):
    ended = run("account", "x.csv", "--pulse", written)
    assert ended.status == 2
    assert len(ended.err.splitlines()) == 1
    assert "0.1gal" in ended.err


@pytest.mark.usefixtures("canned")
def test_answers_in_the_units_of_the_input_unless_told(run):
    assert "gal a day" in run("account", "x.csv", "--unit", "gal").out
    assert "gal" not in run("account", "x.csv", "--unit", "gal", "--units", "si").out
    assert "L a day" in run("account", "x.csv").out


@pytest.mark.usefixtures("canned")
def test_json_to_standard_output_is_json_only(run):
    account = run("account", "x.csv", "--json", "-").json
    assert account["units"] == "si"
    assert account["metered_l"] == pytest.approx(sum(use["volume_l"] for use in account["uses"]))
    us = run("account", "x.csv", "--json", "-", "--units", "us").json
    assert us["metered_gal"] == pytest.approx(account["metered_l"] / L_PER_GAL)
    assert us["toilets"][0]["per_flush_gal"] == pytest.approx(6.0 / L_PER_GAL, rel=1e-3)
    assert not any(name.endswith(("_l", "_lpm")) for name in [*us, *us["uses"][0], *us["toilets"][0]])


@pytest.mark.usefixtures("canned")
@pytest.mark.parametrize("ending", [".csv", ".csv.gz", ".parquet"])
def test_tables_are_written_by_their_ending(run, tmp_path, ending):
    events, fixtures = tmp_path / f"events{ending}", tmp_path / f"fixtures{ending}"
    ended = run("account", "x.csv", "--events", events, "--fixtures", fixtures, "--units", "us")
    assert ended.status == 0, ended.err
    read = pd.read_parquet if ending == ".parquet" else pd.read_csv
    table = read(events)
    assert len(table) == len(small_answer(small_trace()).events)
    assert table["volume_gal"].iloc[0] == pytest.approx(6.0 / L_PER_GAL)
    assert read(fixtures)["fixture"].tolist() == ["toilet-1"]
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([events.name, fixtures.name])


def test_formulas_in_text_cells_are_defused(run, tmp_path, canned, monkeypatch):
    monkeypatch.setattr(fs, "disaggregate", lambda trace, **_: small_answer(trace, fixture="=HYPERLINK(1)"))
    path = tmp_path / "events.csv"
    assert run("account", "x.csv", "--events", path).status == 0
    assert set(pd.read_csv(path)["fixture"]) == {"'=HYPERLINK(1)"}
    assert canned["path"].name == "x.csv"


@pytest.mark.usefixtures("canned")
def test_a_file_that_cannot_be_written_is_found_before_the_work(run, tmp_path, monkeypatch):
    def never(_):
        raise AssertionError("worked first")

    monkeypatch.setattr(fs, "disaggregate", never)
    for arguments in (
        ("--events", tmp_path / "events.xlsx"),
        ("--fixtures", tmp_path / "none" / "f.csv"),
        ("--json", tmp_path),
    ):
        ended = run("account", "x.csv", *arguments)
        assert ended.status == 2
        assert len(ended.err.splitlines()) == 1
        assert ended.out == ""


@pytest.mark.usefixtures("canned")
def test_an_old_file_stays_when_writing_fails(run, tmp_path, monkeypatch):
    path = tmp_path / "events.csv"
    path.write_text("old")

    def fail(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(pd.DataFrame, "to_csv", fail)
    ended = run("account", "x.csv", "--events", path)
    assert ended.status == 2
    assert "No space left" in ended.err
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["events.csv"]


@pytest.mark.usefixtures("canned")
def test_headings_are_bold_on_a_terminal_only(run, monkeypatch):
    class Screen(io.StringIO):
        def isatty(self):
            return True

    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)
    plain = run("account", "x.csv").out
    screen = Screen()
    monkeypatch.setattr("sys.stdout", screen)
    run("account", "x.csv")
    assert "\x1b[1mWater account\x1b[0m" in screen.getvalue()
    monkeypatch.setenv("NO_COLOR", "1")
    quiet = Screen()
    monkeypatch.setattr("sys.stdout", quiet)
    run("account", "x.csv")
    assert quiet.getvalue() == plain
