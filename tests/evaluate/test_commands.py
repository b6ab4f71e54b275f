"""The commands score, rank and simulate."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from tests.evaluate.failing import FailsOnBigHomes

import flowsift as fs
from flowsift.cli import main
from flowsift.evaluate import suites as suites_module
from flowsift.evaluate.homes import SimulatedHome
from flowsift.evaluate.suites import Suite
from flowsift.households import Household, simulate
from flowsift.units import L_PER_GAL


def call(*arguments: str) -> int:
    with pytest.raises(SystemExit) as stop:
        main(list(arguments))
    return int(stop.value.code or 0)


@pytest.fixture
def tiny_suite(monkeypatch: pytest.MonkeyPatch) -> None:
    homes = tuple(
        SimulatedHome(name=f"tiny-{s:g}-{i}", seed=200_000 + i, days=1, options={"interval_s": s, "outdoors": False})
        for s in (1.0, 30.0)
        for i in (0, 1)
    )
    made = Suite(name="tiny", question="", split="test", homes=homes)
    monkeypatch.setattr(suites_module, "suites", lambda: {"tiny": made})


@pytest.mark.usefixtures("tiny_suite")
def test_score_then_rank(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("matplotlib", reason="the bench extra is not installed")
    for method in ("floor", "empty"):
        assert call("score", "--method", method, "--suite", "tiny", "-o", str(tmp_path / method)) == 0
    assert "Suite tiny (4 homes, checksum not frozen)" in capsys.readouterr().out
    folders = [str(tmp_path / name) for name in ("empty", "floor")]
    assert call("rank", *folders, "-o", str(tmp_path / "table")) == 0
    printed = capsys.readouterr().out
    assert printed.index("floor") < printed.index("empty")
    assert (tmp_path / "table" / "ranking.txt").read_text() == printed
    table = pd.read_csv(tmp_path / "table" / "ranking.csv")
    assert set(table["method"]) == {"floor", "empty"}
    assert (tmp_path / "table" / "ranking.md").read_text().count("| --- | --- | --- |") == 1
    assert (tmp_path / "table" / "resolution.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.usefixtures("tiny_suite")
def test_score_takes_the_first_homes_only(tmp_path: Path) -> None:
    assert call("score", "-m", "floor", "-s", "tiny", "--homes", "1", "-o", str(tmp_path)) == 0
    assert [path.name for path in (tmp_path / "homes").iterdir()] == ["tiny-1-0.json"]


@pytest.mark.usefixtures("tiny_suite")
@pytest.mark.parametrize(("largest_l", "status", "failed"), [(1_500.0, 0, 0), (720.0, 3, 2), (0.0, 3, 4)])
def test_a_method_that_fails_on_some_homes_ends_with_status_3(
    largest_l: float,
    status: int,
    failed: int,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(FailsOnBigHomes, "largest_l", largest_l)
    method = f"{FailsOnBigHomes.__module__}:{FailsOnBigHomes.__name__}"
    assert call("score", "-m", method, "-s", "tiny", "-o", str(tmp_path)) == status
    printed = capsys.readouterr()
    assert printed.err.count("too much water") == failed
    assert "Suite tiny (4 homes" in printed.out


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (["--method", "flor"], "unknown method 'flor'"),
        (["--method", "floor", "--suite", "huge"], "unknown suite 'huge'; known suites: quick"),
        (["--method", "floor", "--suite", "quick", "--data", "x"], "give one of --suite, --data and --apartment"),
        (["--method", "floor", "--data", "nowhere"], "expected folders of homes"),
    ],
)
def test_a_bad_option_is_one_line(
    arguments: list[str], problem: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call("score", *arguments, "-o", str(tmp_path / "out")) == 2
    assert problem in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("name", ["nowhere", "a-file", "an-empty-folder"])
def test_rank_names_a_folder_that_holds_no_run(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "a-file").write_text("no run\n")
    (tmp_path / "an-empty-folder").mkdir()
    assert call("rank", str(tmp_path / name)) == 2
    expected = "expected a folder that `flowsift score` wrote, found no run there"
    assert capsys.readouterr().err == f"flowsift: {tmp_path / name}: {expected}\n"


@pytest.mark.parametrize("form", ["parquet", "csv"])
def test_simulate_writes_what_the_reader_and_the_benchmark_read(
    form: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = tmp_path / "homes"
    options = ["--homes", "2", "--days", "1", "--seed", "3", "--interval", "10", "--pulse", "0.1gal"]
    assert call("simulate", *options, "--format", form, "-o", str(data)) == 0
    home = Household.read(data / "home-000003")
    log = data / "home-000003" / ("log.parquet" if form == "parquet" else "log.csv.gz")
    trace = fs.read_trace(log)
    assert trace.metered_l == pytest.approx(home.trace.metered_l, rel=1e-6)
    assert trace.interval_ns == home.trace.interval_ns
    assert home.trace.pulse_l == pytest.approx(0.1 * L_PER_GAL, rel=1e-9)
    assert np.array_equal(trace.cell + (trace.start_ns - home.trace.start_ns) // trace.interval_ns, home.trace.cell)
    capsys.readouterr()
    assert call("score", "-m", "floor", "--data", str(data), "-o", str(tmp_path / "run")) == 0
    assert "Suite homes/ (2 homes" in capsys.readouterr().out


@pytest.mark.parametrize(("folder", "card"), [("apartment", {}), ("quick", {"attribution": "Data: the neighbours."})])
def test_data_of_ones_own_are_known_by_their_card_and_not_by_the_name_of_their_folder(
    folder: str, card: dict[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = simulate(1, days=1)
    own = replace(home, truth=replace(home.truth, card={**home.truth.card, **card}))
    own.write(tmp_path / folder / "quick-000")
    assert call("score", "-m", "floor", "--data", str(tmp_path / folder), "-o", str(tmp_path / "run")) == 0
    printed = capsys.readouterr().out
    assert f"Suite {folder}/ (1 home, checksum not frozen)" in printed
    assert "not as in the frozen suite" not in printed
    assert [line for line in printed.splitlines() if line.startswith("Data: ")] == list(card.values())
