"""The example service of the documentation, where its framework is installed."""

import errno
from importlib import import_module
from pathlib import Path

import pandas as pd
import pytest

from flowsift.stream import Sifter, home_to_json

pytest.importorskip("fastapi", reason="the example service needs fastapi")
pytest.importorskip("httpx", reason="the test client of fastapi needs httpx")
pytestmark = pytest.mark.filterwarnings("ignore")  # warnings here are the framework's own

EXAMPLES = Path(__file__).parents[2] / "docs" / "examples"


@pytest.fixture
def folder(tmp_path, home):
    (tmp_path / "oak.home.json").write_text(home_to_json(home))
    return tmp_path


@pytest.fixture
def service(folder, monkeypatch):
    from fastapi.testclient import TestClient

    monkeypatch.syspath_prepend(EXAMPLES)
    module = import_module("live_service")
    return lambda **options: TestClient(module.make_app(folder), **options)


def test_samples_in_notices_out_and_restarts_do_no_harm(service, home, morning):
    at, volume = morning
    expected = [n.record() for n in Sifter(home).feed_ns(at, volume)]
    times = pd.DatetimeIndex(at.view("M8[ns]")).strftime("%Y-%m-%dT%H:%M:%SZ")
    samples = [{"time": t, "volume_l": v} for t, v in zip(times, volume.tolist(), strict=True)]
    given = []
    for first in range(0, len(samples), 3000):
        client = service()  # a new process each time, as it were
        client.post("/homes/oak/samples", json=samples[max(first - 500, 0) : first])  # sent again
        answer = client.post("/homes/oak/samples", json=samples[first : first + 3000])
        assert answer.status_code == 200
        given += answer.json()["notices"]
    client = service()
    assert given == client.get("/homes/oak/notices").json() == expected
    assert len(expected) > 3
    assert client.get("/homes/oak/notices", params={"after": 2}).json() == expected[2:]
    assert client.get("/homes/oak").json()["balance"]["metered_l"] == pytest.approx(volume[:-60].sum())


@pytest.mark.parametrize("fails", ["fsync", "write_text"])
def test_a_full_disk_loses_and_doubles_nothing(service, home, morning, monkeypatch, fails):
    at, volume = morning
    times = pd.DatetimeIndex(at.view("M8[ns]")).strftime("%Y-%m-%dT%H:%M:%SZ")
    samples = [{"time": t, "volume_l": v} for t, v in zip(times, volume.tolist(), strict=True)]

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    client = service(raise_server_exceptions=False)
    client.post("/homes/oak/samples", json=samples[:9000])
    before = client.get("/homes/oak/notices").json()
    with monkeypatch.context() as broken:
        module = import_module("live_service")
        broken.setattr(*((module.os, "fsync") if fails == "fsync" else (module, "write_text")), full)
        assert client.post("/homes/oak/samples", json=samples[9000:15_000]).status_code == 500
    assert client.get("/homes/oak/notices").json() == before
    assert client.post("/homes/oak/samples", json=samples[9000:]).status_code == 200
    expected = [n.record() for n in Sifter(home).feed_ns(at, volume)]
    assert client.get("/homes/oak/notices").json() == service().get("/homes/oak/notices").json() == expected
    assert len(expected) > len(before) > 0


@pytest.mark.parametrize("name", ["17", "b-17", "oak.2", "ahorn_ä"])
def test_a_home_may_have_any_safe_name(service, folder, name):
    (folder / f"{name}.home.json").write_bytes((folder / "oak.home.json").read_bytes())
    assert service().get(f"/homes/{name}").status_code == 200


@pytest.mark.parametrize("name", ["..%2Foak", "-oak", ".oak", "oak home"])
def test_no_other_file_is_read(service, folder, name):
    (folder / "-oak.home.json").write_bytes((folder / "oak.home.json").read_bytes())
    assert service().get(f"/homes/{name}").status_code == 404


@pytest.mark.parametrize("content", ["", "{}", "[]", '{"sifter": "{}", "notices_bytes": 0}'])
def test_a_state_that_is_none_is_named(service, folder, content):
    (folder / "oak.state.json").write_text(content)
    answer = service().post("/homes/oak/samples", json=[])
    assert answer.status_code == 500
    assert "oak.state.json" in answer.json()["detail"]


def test_wrong_requests_are_refused(service):
    client = service()
    assert client.post("/homes/elm/samples", json=[]).status_code == 404
    assert client.post("/homes/oak/samples", json=[{"time": "noon", "volume_l": 1.0}]).status_code == 422
    assert client.get("/homes/oak/notices", params={"after": -1}).status_code == 422
