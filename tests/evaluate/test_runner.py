"""The runner: resumes, keeps going past a failing home, and gives the same with any number of workers."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from flowsift.errors import InputError, OptionError
from flowsift.evaluate import plots
from flowsift.evaluate.homes import RecordedHome, SimulatedHome
from flowsift.evaluate.ranking import by_condition, rank, read_run
from flowsift.evaluate.record import read_manifest
from flowsift.evaluate.runner import run_suite
from flowsift.evaluate.tables import comparison_table, ranking_text
from flowsift.households import simulate

from . import failing

HOMES = [
    SimulatedHome(name=f"home-{i}", seed=i, days=2, options={"people": people, "outdoors": False})
    for i, people in enumerate((1, 2, 3, 2))
]
FAILING = f"{failing.__name__}:"


def run(method: str, folder: Path, **options):
    return run_suite(method, HOMES, folder, suite="tiny", **options)


def counts(records) -> list[dict[str, float]]:
    return [{k: v for k, v in r.counts.items() if not k.startswith("cost.")} for r in records]


def test_number_of_workers_changes_nothing(tmp_path: Path) -> None:
    one, two = run("floor", tmp_path / "one"), run("floor", tmp_path / "two", workers=2)
    assert [r.home for r in one] == [r.home for r in two] == [home.name for home in HOMES]
    assert counts(one) == counts(two)


def test_an_interrupted_run_resumes(tmp_path: Path) -> None:
    failing.Interrupted.calls = 0
    with pytest.raises(KeyboardInterrupt):
        run(f"{FAILING}Interrupted", tmp_path)
    assert len(list((tmp_path / "homes").glob("home-*.json"))) == 2
    with pytest.raises(InputError, match="2 of 4 homes are missing; run it again to resume"):
        read_run(tmp_path)
    done = []
    records = run(f"{FAILING}Interrupted", tmp_path, report=done.append)
    assert failing.Interrupted.calls == 3 + 2
    assert len(done) == len(records) == 4
    assert counts(records) == counts(run("floor", tmp_path / "whole"))


def test_nothing_half_written_is_left(tmp_path: Path) -> None:
    run("floor", tmp_path)
    assert all(json.loads(path.read_text()) for path in tmp_path.rglob("*.json"))
    assert {path.suffix for path in tmp_path.rglob("*") if path.is_file()} == {".json"}


def test_a_failing_home_is_a_row_with_its_error_and_counts_as_unanswered(tmp_path: Path) -> None:
    homes = [*HOMES[:2], SimulatedHome(name="big", seed=3, days=4, options={"people": 6})]
    records = run_suite(f"{FAILING}FailsOnBigHomes", homes, tmp_path, suite="tiny")
    assert [r.error for r in records] == ["", "", "ZeroDivisionError: too much water"]
    big = records[2].counts
    assert sum(v for k, v in big.items() if k.startswith("events.true[")) > 50
    assert not any(k.startswith("events.found[") for k in big)
    runs = [read_run(tmp_path)]
    assert "failed on 1 home: what failed there counts as unanswered" in ranking_text(runs, rank(runs), style="text")


def test_a_home_that_failed_is_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(failing.FailsOnBigHomes, "largest_l", 0.0)
    assert all(record.error for record in run(f"{FAILING}FailsOnBigHomes", tmp_path))
    monkeypatch.setattr(failing.FailsOnBigHomes, "largest_l", np.inf)
    assert not any(record.error for record in run(f"{FAILING}FailsOnBigHomes", tmp_path))


def test_a_process_that_dies_is_a_row_too(tmp_path: Path) -> None:
    records = run(f"{FAILING}Dies", tmp_path, workers=2)
    assert {r.error for r in records} == {"the process died (out of memory?)"}


def test_an_answer_that_makes_water_is_an_error(tmp_path: Path) -> None:
    records = run(f"{FAILING}MakesWater", tmp_path)
    assert all("cells hold more than was metered" in r.error for r in records)


def test_an_answer_that_can_not_be_scored_is_an_error(tmp_path: Path) -> None:
    records = run(f"{FAILING}ForgetsCycles", tmp_path)
    assert {r.error for r in records} == {"KeyError: 'cycle'"}
    assert counts(records) == counts(run("empty", tmp_path / "unanswered"))


def test_a_method_can_not_write_to_the_trace_it_is_scored_on(tmp_path: Path) -> None:
    assert {r.error for r in run(f"{FAILING}Writes", tmp_path)} == {"ValueError: assignment destination is read-only"}


def test_a_folder_with_another_run_is_refused(tmp_path: Path) -> None:
    run("floor", tmp_path)
    with pytest.raises(OptionError, match="holds another run \\(method floor instead of empty\\)"):
        run("empty", tmp_path)


@pytest.mark.parametrize("workers", [1, 2])
def test_a_method_that_can_not_prepare_stops_the_run(tmp_path: Path, workers: int) -> None:
    with pytest.raises(OptionError, match=r"NoWeights\.prepare failed: FileNotFoundError: no weights"):
        run(f"{FAILING}NoWeights", tmp_path, workers=workers)


def test_a_home_whose_labels_fail_is_no_home_less_to_label(tmp_path: Path) -> None:
    records, whole = run(f"{FAILING}LabelsOneHome", tmp_path / "a"), run("floor", tmp_path / "b")
    assert [bool(record.error) for record in records] == [False, True, True, True]
    for record, right in zip(records, whole, strict=True):
        asked = {name: n for name, n in right.counts.items() if name.startswith("precut.true[")}
        assert {name: n for name, n in record.counts.items() if name.startswith("precut.true[")} == asked
    assert not any(name.startswith("precut.found[") for name in records[-1].counts)


def test_a_changed_method_is_another_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    module = tmp_path / "changing_method.py"
    source = "from flowsift.evaluate.references import EmptyMethod\nclass Changing(EmptyMethod): pass\n"
    module.write_text(source)
    monkeypatch.syspath_prepend(tmp_path)
    run_suite("changing_method:Changing", HOMES[:1], tmp_path / "run", suite="tiny")
    run_suite("changing_method:Changing", HOMES[:1], tmp_path / "run", suite="tiny")
    module.write_text(source + "# better\n")
    with pytest.raises(OptionError, match="holds another run \\(method code"):
        run_suite("changing_method:Changing", HOMES[:1], tmp_path / "run", suite="tiny")


def test_a_changed_maker_of_a_method_of_another_module_is_another_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    module = tmp_path / "tuning_method.py"
    module.write_text("from flowsift.evaluate.references import EmptyMethod\ntuned = EmptyMethod()\n")
    monkeypatch.syspath_prepend(tmp_path)
    run_suite("tuning_method:tuned", HOMES[:1], tmp_path / "run", suite="tiny")
    module.write_text(module.read_text() + "tuned.reach_s = 5\n")
    with pytest.raises(OptionError, match="holds another run \\(method code"):
        run_suite("tuning_method:tuned", HOMES[:1], tmp_path / "run", suite="tiny")


def test_the_record_says_what_was_run(tmp_path: Path) -> None:
    run("floor", tmp_path)
    manifest = read_manifest(tmp_path)
    assert manifest.method_class == "flowsift.methods.floor:FloorMethod"
    assert manifest.training_data.startswith("none")
    assert list(manifest.seeds) == [0, 1, 2, 3]
    assert {"python", "numpy", "flowsift"} <= set(manifest.versions)
    assert len(manifest.code) == 16


def test_the_oracle_leads_and_is_no_reference(tmp_path: Path) -> None:
    for method in ("oracle", "floor", "empty"):
        run(method, tmp_path / method)
    runs = [read_run(tmp_path / m) for m in ("empty", "floor", "oracle")]
    ranking = rank(runs)
    assert list(dict.fromkeys(ranking["method"])) == ["oracle", "floor", "empty"]
    assert set(ranking["reference"]) == {"floor"}
    row = ranking[ranking["figure"] == "volume.share"].set_index("method")
    assert row.loc["oracle", "value"] == pytest.approx(1.0)
    assert row.loc["oracle", "difference_low"] > 0 > row.loc["empty", "difference_high"]
    table = comparison_table(ranking)
    assert table.iloc[0]["oracle"].endswith("*")
    assert not table.iloc[0]["floor"].endswith("*")
    assert ranking_text(runs, ranking, style="markdown").count("| ---") == 4
    assert rank(runs, by="minute.nrmse")["method"].iloc[0] == "oracle"


def test_runs_of_other_homes_do_not_rank(tmp_path: Path) -> None:
    run("floor", tmp_path / "a")
    run_suite("empty", HOMES[:3], tmp_path / "b", suite="tiny")
    runs = [read_run(tmp_path / name) for name in ("a", "b")]
    with pytest.raises(InputError, match="not the same homes"):
        rank(runs)
    with pytest.raises(OptionError, match=r"unknown figure 'f1'; known figures: .*volume.share"):
        rank(runs[:1], by="f1")
    with pytest.raises(OptionError, match="no run of method 'x'; runs: floor"):
        rank(runs[:1], against="x")


def test_figures_by_condition(tmp_path: Path) -> None:
    homes = [
        SimulatedHome(name=f"h-{s:g}-{i}", seed=i, days=2, options={"interval_s": s, "outdoors": False})
        for s in (1.0, 30.0)
        for i in (0, 1)
    ]
    run_suite("floor", homes, tmp_path, suite="two intervals")
    table = by_condition(read_run(tmp_path), figure="volume.share")
    assert table["interval_s"].tolist() == [1.0, 30.0]
    assert table["homes"].tolist() == [2, 2]
    assert table["value"].between(0.05, 1.0).all()


@pytest.mark.parametrize("figure", ["volume.share", "volume.bias[faucet]"])
def test_the_picture_holds_all_that_is_drawn(figure: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("matplotlib", reason="the bench extra is not installed")
    homes = [SimulatedHome(name=f"h-{s:g}", seed=0, days=2, options={"interval_s": s}) for s in (1.0, 30.0)]
    run_suite("floor", homes, tmp_path, suite="two intervals")
    runs, panels_of, made = [read_run(tmp_path)], plots._panels, []
    monkeypatch.setattr(plots, "_panels", lambda n: made.append(panels_of(n)) or made[-1])
    assert plots.plot_resolution(runs, tmp_path / "picture.png", figure=figure)
    low, high = made[0][1][0].get_ylim()
    value = by_condition(runs[0], figure=figure)["value"]
    assert low <= value.min() <= value.max() <= high
    assert ((low, high) == (0.0, 1.0)) == (figure == "volume.share")


def test_a_recorded_home_that_changed_is_scored_anew(tmp_path: Path) -> None:
    home = RecordedHome(folder=tmp_path / "home-0")
    simulate(0, days=1).write(home.folder)
    first = run_suite("floor", [home], tmp_path / "run", suite="own")
    simulate(1, days=1).write(home.folder)
    again = run_suite("floor", [home], tmp_path / "run", suite="own")
    assert first[0].checksum != again[0].checksum
    assert run_suite("floor", [home], tmp_path / "run", suite="own") == again


def test_recorded_homes_score_as_the_simulated_ones(tmp_path: Path) -> None:
    simulate(2, days=2, people=3, outdoors=False).write(tmp_path / "data" / "home-2")
    recorded = run_suite("floor", [RecordedHome(folder=tmp_path / "data" / "home-2")], tmp_path / "a", suite="own")
    direct = run_suite("floor", HOMES[2:3], tmp_path / "b", suite="tiny")
    a, b = counts(recorded)[0], counts(direct)[0]
    assert a.keys() == b.keys()
    assert a == pytest.approx(b, rel=1e-6, abs=1e-6)
