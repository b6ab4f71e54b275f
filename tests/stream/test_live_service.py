"""The example service of the documentation, where its framework is installed."""

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
def service(tmp_path, home, monkeypatch):
    from fastapi.testclient import TestClient

    monkeypatch.syspath_prepend(EXAMPLES)
    module = import_module("live_service")
    (tmp_path / "oak.home.json").write_text(home_to_json(home))
    return lambda: TestClient(module.make_app(tmp_path))


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


def test_wrong_requests_are_refused(service):
    client = service()
    assert client.post("/homes/elm/samples", json=[]).status_code == 404
    assert client.post("/homes/oak/samples", json=[{"time": "noon", "volume_l": 1.0}]).status_code == 422
    assert client.get("/homes/oak/notices", params={"after": -1}).status_code == 422
