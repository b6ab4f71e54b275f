"""The study commands end to end, on files: plain text in 80 columns, JSON, tables, units and one-line errors."""

import io
import json

import numpy as np
import pandas as pd
import pytest
from tests.study.answers import answer, home_uses
from tests.study.test_isolation import NESTED, RATES, hunt

import flowsift as fs
from flowsift.cli import main
from flowsift.study.isolation_log import Step
from flowsift.study.tariff import example_tariff_text
from flowsift.units import L_PER_GAL


@pytest.fixture
def run(capsys):
    """Run the command line; answers with exit status, standard output and standard error."""

    def run_once(*arguments):
        with pytest.raises(SystemExit) as ended:
            main([str(a) for a in arguments])
        captured = capsys.readouterr()
        return ended.value.code, captured.out, captured.err

    return run_once


@pytest.fixture
def home(monkeypatch):
    """Answer for every file: four weeks with a trickle in the first two, a hose left on, irrigation and laundry."""
    uses = home_uses(28)
    uses += [(5, 1200, 600, 15.0, "hose", "hose-1")]
    uses += [(d, 300, 20, 40.0 if d < 20 else 55.0, "irrigation", "zone-1") for d in range(28)]
    uses += [(d, 700, 5, 6.0, "faucet", "faucet-1") for d in range(28)]
    uses += [(d, 30 * k, 1, 1.5, "toilet_leak", "toilet-2") for d in range(28) for k in range(9)]
    result = answer(28, uses=uses, trickle=[(0, 14, 0.28 * L_PER_GAL)], unit="gal")
    monkeypatch.setattr(fs, "read_trace", lambda *_, **__: result.trace)
    monkeypatch.setattr(fs, "disaggregate", lambda _: result)
    return result


@pytest.fixture
def tariff(tmp_path):
    path = tmp_path / "tariff.toml"
    path.write_text(example_tariff_text(), encoding="utf-8")
    return path


@pytest.fixture
def hunted(tmp_path):
    """A file of flow and one of written steps, two minutes late."""
    trace, steps = hunt(RATES, NESTED, surges=(3, 4), uses=[(400, 120, 6.0), (2500, 240, 8.0)])
    volume = np.zeros(trace.n_cells)
    volume[trace.cell] = trace.volume_l
    flow = tmp_path / "flow.csv"
    pd.DataFrame({"time": trace.time_of(np.arange(trace.n_cells)), "volume_l": volume}).to_csv(flow, index=False)
    return flow, _log(tmp_path, trace, steps, late_s=120.0)


def _log(folder, trace, steps: tuple[Step, ...], late_s):
    def clock(seconds):
        return (trace.start + pd.Timedelta(seconds, "s")).strftime("%H:%M:%S")

    rows, before = ["time,action,branch", f"{clock(0)},start,"], frozenset()
    for step in steps:
        moved = [("close", name) for name in sorted(step.closed - before)]
        moved += [("open", name) for name in sorted(before - step.closed)]
        rows += [f"{clock(step.start_s + late_s)},{kind},{name}" for kind, name in moved]
        before = step.closed
    rows.append(f"{clock(steps[-1].end_s)},end,")
    path = folder / "steps.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


COMMANDS = {
    "leaks": ("leaks", "x.csv"),
    "compare": ("compare", "x.csv", "--at", "2024-06-17"),
    "alerts": ("alerts", "x.csv"),
    "budget": ("budget", "x.csv", "--eto", "51.1in/yr", "--area", "650ft2", "--bedrooms", "3"),
    "checks": ("checks", "x.csv", "--zero", "2024-06-03 01:00", "2024-06-03 02:00"),
}


@pytest.mark.usefixtures("home")
@pytest.mark.parametrize("units", ["si", "us"])
@pytest.mark.parametrize("command", COMMANDS.values(), ids=COMMANDS)
def test_plain_text_fits_80_columns(run, command, units):
    status, out, err = run(*command, "--units", units)
    assert (status, err) == (0, "")
    assert len(out.splitlines()) > 10
    assert max(map(len, out.splitlines())) <= 80
    assert "\x1b" not in out
    assert ("gal" in out) == (units == "us")


@pytest.mark.usefixtures("home")
@pytest.mark.parametrize("command", COMMANDS.values(), ids=COMMANDS)
def test_json_is_json_in_the_unit_asked_for(run, command):
    def names(content):
        if isinstance(content, dict):
            return set(content).union(*map(names, content.values()))
        return set().union(*map(names, content)) if isinstance(content, list) else set()

    us, si = (json.loads(run(*command, "--json", "-", "--units", units)[1]) for units in ("us", "si"))
    assert (us["units"], si["units"]) == ("us", "si")
    assert not [name for name in names(us) if name.endswith(("_l", "_lpm"))]
    assert not [name for name in names(si) if name.endswith(("_gal", "_gpm"))]


@pytest.mark.usefixtures("home")
@pytest.mark.parametrize("ending", [".csv", ".parquet"])
@pytest.mark.parametrize("name", ["leaks", "compare", "alerts", "budget"])
def test_tables_are_written(run, tmp_path, name, ending):
    path = tmp_path / f"table{ending}"
    assert run(*COMMANDS[name], "--table", path, "--units", "us")[0] == 0
    table = pd.read_parquet(path) if ending == ".parquet" else pd.read_csv(path)
    assert len(table) >= 2
    assert any(column.endswith(("_gal", "_gpm")) for column in table.columns)


@pytest.mark.usefixtures("home")
def test_the_ledger_names_its_losses_costs_and_cautions(run, tariff):
    out = run("leaks", "x.csv", "--tariff", tariff)[1]
    for words in (
        "constant trickle",
        "403 gal a day",
        "left running, hose-1",
        "toilet refills, toilet-2",
        "zone above its history, zone-1",
        "USD a year",
        "look first at",
        "Before you go",
        "licensed trades come first",
    ):
        assert words in out
    parts = [
        float(line.split()[-2].replace(",", ""))
        for line in out.splitlines()
        if line.startswith(("  losses above", "  uses ", "  not explained"))
    ]
    whole = next(float(line.split()[1].replace(",", "")) for line in out.splitlines() if line.startswith("  metered"))
    assert sum(parts) == pytest.approx(whole, abs=0.05)


@pytest.mark.usefixtures("home")
def test_a_comparison_gives_verdict_saving_and_payback(run, tariff):
    out = run("compare", "x.csv", "--at", "2024-06-17", "--tariff", tariff, "--cost", "200")[1]
    assert "did part of it" in out or "held" in out
    assert "pays back in" in out
    assert run("compare", "x.csv", "y.csv")[0] == 0


def test_an_isolation_test_finds_the_branches(run, hunted):
    flow, log = hunted
    status, out, err = run("isolate", flow, "--log", log, "--units", "us")
    assert (status, err) == (0, "")
    assert max(map(len, out.splitlines())) <= 80
    for words in ("irrigation", "softener", "not located", "whole", "refill surge", "moved to fit", "fire sprinklers"):
        assert words in out
    record = json.loads(run("isolate", flow, "--log", log, "--json", "-")[1])
    found = {leak["branches"][0] if leak["branches"] else "": leak for leak in (*record["branches"], record["rest"])}
    for name, rate in RATES.items():
        assert found[name]["low_lpm"] <= rate <= found[name]["high_lpm"]
    assert sum(leak["rate_lpm"] for leak in found.values()) == pytest.approx(record["total_lpm"])


def test_times_are_proposed(run, hunted):
    out = run("isolate", hunted[0], "--propose", "00:00", "01:30")[1]
    assert sum("->" in line for line in out.splitlines()) == 2


def test_a_plan_needs_no_file(run):
    status, out, _ = run("isolate", "--plan", "--rate", "0.05gpm", "--pulse", "0.3L", "--meter-size", "5/8 in")
    assert status == 0
    assert "minutes from valve to valve" in out
    assert "0.946 L/min" in out
    plan = json.loads(run("isolate", "--plan", "--rate", "0.05 gal/min", "--pulse", "0.3L", "--json", "-")[1])
    assert plan["rate_lpm"] == pytest.approx(0.05 * L_PER_GAL)
    in_words = run("isolate", "--plan", "--rate", "0.05 gallons per minute", "--pulse", "0.3 litres", "--json", "-")[1]
    assert json.loads(in_words) == plan


def test_a_plan_for_a_meter_without_a_pulse_takes_its_least_step(run, tmp_path):
    rng = np.random.default_rng(3)
    volume = np.where(rng.random(7200) < 0.1, rng.uniform(0.01, 0.2, 7200), 0.0)
    times = pd.date_range("2024-03-05", periods=7200, freq="1s").strftime("%Y-%m-%dT%H:%M:%SZ")
    pd.DataFrame({"time": times, "volume_l": volume}).to_csv(tmp_path / "meter.csv", index=False)
    status, out, err = run("isolate", str(tmp_path / "meter.csv"), "--plan", "--rate", "0.2L/min")
    assert status == 0, err
    assert "minutes" in out


def test_a_plan_answers_in_the_unit_of_its_pulse(run):
    assert "0.0500 gal/min" in run("isolate", "--plan", "--rate", "0.05gpm", "--pulse", "1gal")[1]
    assert "0.189 L/min" in run("isolate", "--plan", "--rate", "0.05gpm", "--pulse", "1gal", "--units", "si")[1]


def test_counts_and_pulses_answer_in_the_unit_of_the_pulse_and_volumes_in_their_own(run, tmp_path):
    second = np.flatnonzero(np.arange(4 * 3600) % 60 == 0)
    time = pd.Timestamp("2024-06-03T00:00Z") + pd.to_timedelta(second, unit="s")
    pulses, counts, volumes = tmp_path / "pulses.csv", tmp_path / "counts.csv", tmp_path / "volumes.csv"
    pd.DataFrame({"time": time}).to_csv(pulses, index=False)
    pd.DataFrame({"time": time, "pulses": 1}).to_csv(counts, index=False)
    pd.DataFrame({"time": time, "volume_l": 1.0}).to_csv(volumes, index=False)
    asked = ("--zero", "2024-06-03 01:00", "2024-06-03 02:00", "--json", "-")
    for path, system in ((pulses, "us"), (counts, "us"), (volumes, "si")):
        assert json.loads(run("checks", path, "--pulse", "1gal", *asked)[1])["units"] == system
    assert json.loads(run("checks", counts, "--pulse", "1L", *asked)[1])["units"] == "si"


def test_a_register_check_writes_a_corrected_flow(run, hunted, tmp_path):
    flow = hunted[0]
    volume = pd.read_csv(flow)["volume_l"]
    true_l = 1.1 * volume[3600:7200].sum()
    path = tmp_path / "corrected.csv"
    arguments = (
        "checks",
        flow,
        "--register",
        "01:00",
        "100L",
        "02:00",
        f"{100 + true_l:.2f}L",
        "--least-count",
        "0.1L",
    )
    status, out, _ = run(*arguments, "--corrected", path)
    assert status == 0
    assert "wrong" in out
    assert pd.read_csv(path)["volume_l"].sum() == pytest.approx(1.1 * volume.sum(), rel=2e-3)
    assert fs.read_trace(path).metered_l == pytest.approx(1.1 * volume.sum(), rel=2e-3)


@pytest.mark.usefixtures("home")
@pytest.mark.parametrize(
    "arguments",
    [
        ("isolate",),
        ("isolate", "x.csv"),
        ("isolate", "--plan"),
        ("isolate", "--plan", "--rate", "0.05gpm"),
        ("isolate", "--plan", "--rate", "much", "--pulse", "0.1L"),
        ("isolate", "--plan", "--rate", "0.05gpm", "--pulse", "0.1L", "--meter-size", "9 in"),
        ("isolate", "x.csv", "--log", "none.csv"),
        ("compare", "x.csv"),
        ("compare", "x.csv", "y.csv", "--at", "2024-06-17"),
        ("compare", "x.csv", "--at", "someday"),
        ("compare", "x.csv", "--at", "2024-06-17", "--cost", "5"),
        ("budget", "x.csv", "--eto", "5mm/day"),
        ("budget", "x.csv", "--eto", "5mm/day", "--area", "5 acres"),
        ("budget", "x.csv", "--eto", "wet", "--area", "50m2"),
        ("leaks", "x.csv", "--tariff", "none.toml"),
        ("leaks", "x.csv", "--table", "leaks.xlsx"),
        ("checks", "x.csv", "--corrected", "c.csv"),
        ("checks", "x.csv", "--zero", "2020-01-01", "2020-01-02"),
        ("alerts", "x.csv", "--false-alarms", "-1"),
    ],
)
def test_errors_are_one_line_and_exit_status_2(run, arguments):
    status, out, err = run(*arguments)
    assert status == 2
    assert out == ""
    assert len(err.splitlines()) == 1


@pytest.mark.usefixtures("home")
@pytest.mark.parametrize(
    ("command", "options", "needed"),
    [
        ("checks", ("--background", "0.1gpm"), "--bucket"),
        ("checks", ("--resolution", "0.1L"), "--bucket"),
        ("checks", ("--least-count", "1L"), "--register"),
        ("checks", ("--corrected", "c.csv"), "--register or --bucket"),
        ("checks", ("--table", "t.csv"), "--register or --bucket"),
        ("isolate", ("--rate", "0.05gpm"), "--plan"),
        ("isolate", ("--meter-size", "5/8 in"), "--plan"),
        ("isolate", ("--date", "2024-06-17"), "--log or --propose"),
        ("isolate", ("--plan", "--table", "t.csv"), "--log"),
        ("report", ("--date", "2024-06-17"), "--log"),
        ("compare", ("--at", "2024-06-17", "--cost", "5"), "--tariff"),
    ],
)
def test_an_option_that_would_do_nothing_is_refused(run, command, options, needed):
    status, out, err = run(command, "x.csv", *options)
    assert (status, out) == (2, "")
    assert err.startswith(f"flowsift: {options[-2]} needs {needed}")


def test_a_closed_pipe_ends_quietly(run, home, monkeypatch):
    class Closed(io.StringIO):
        def write(self, _):
            raise BrokenPipeError

        def fileno(self):
            return 1

    monkeypatch.setattr("os.dup2", lambda *_: None)
    monkeypatch.setattr("sys.stdout", Closed())
    assert run("leaks", "x.csv")[0] == 141
    assert home.trace.n_flow > 0
