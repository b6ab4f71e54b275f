"""An example: a small web service that takes meters' samples and gives out settled events and alerts.

    pip install flowsift fastapi uvicorn
    flowsift learn meter.csv -o homes/oak.home.json
    uvicorn live_service:app          # with FLOWSIFT_HOMES=homes

    curl -X POST localhost:8000/homes/oak/samples -H 'content-type: application/json' \
         -d '[{"time": "2024-06-20T07:00:00Z", "volume_l": 0.12}, {"time": "2024-06-20T07:00:01Z", "volume_l": 0.11}]'
    curl localhost:8000/homes/oak/notices?after=0

A sender that got no answer sends the same samples again: rows that were taken do no harm. A client that reads notices
remembers the greatest number it has seen and asks for those after it: it gets each one once, whatever was restarted.
For each home the folder holds the learned home, the state, and the notices; the state is written after the notices and
counts their bytes, so that lines of a request that was cut short are dropped and come again with the same numbers. A
home whose request failed, say on a full disk, is read from disk again with the next one.
"""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from threading import Lock
from typing import Annotated, Any

from fastapi import FastAPI, HTTPException, Query
from pydantic import AwareDatetime, BaseModel

from flowsift.errors import FlowsiftError
from flowsift.files import write_text
from flowsift.stream import Sifter, home_from_json


class Sample(BaseModel):
    """The volume of one interval; none where the meter gave none."""

    time: AwareDatetime
    volume_l: float | None


class LiveHome:
    """One home on disk: ``NAME.home.json``, ``NAME.state.json`` and ``NAME.notices.jsonl``."""

    def __init__(self, folder: Path, name: str) -> None:
        self._home = folder / f"{name}.home.json"
        self._state = folder / f"{name}.state.json"
        self._notices = folder / f"{name}.notices.jsonl"
        self._lock = Lock()
        self._sifter: Sifter | None = None
        self._n_bytes = 0

    def _taken_up(self) -> Sifter:
        """Return the sifter, read from disk at first and after a request that failed."""
        if self._sifter is not None:
            return self._sifter
        try:
            home = home_from_json(self._home.read_text(encoding="utf-8"))
            sifter, n_bytes = Sifter(home), 0
            if self._state.exists():
                saved = json.loads(self._state.read_text(encoding="utf-8"))
                sifter, n_bytes = Sifter.from_json(saved["sifter"], home), int(saved["notices_bytes"])
        except (FlowsiftError, ValueError, KeyError, TypeError) as error:
            raise HTTPException(500, f"{self._home.name} or {self._state.name} can't be taken up: {error}") from error
        with self._notices.open("ab") as file:
            if file.tell() < n_bytes:
                raise HTTPException(500, f"{self._notices.name}: {file.tell()} bytes, the state counts {n_bytes}")
            file.truncate(n_bytes)
        self._sifter, self._n_bytes = sifter, n_bytes
        return sifter

    def feed(self, samples: list[Sample]) -> dict[str, Any]:
        """Take samples; notices are on disk before the state that counts them."""
        with self._lock:
            # forgotten until all of it is on disk
            sifter, self._sifter = self._taken_up(), None
            times = [sample.time for sample in samples]
            try:
                notices = sifter.feed(times, [sample.volume_l for sample in samples]) if times else []
            except FlowsiftError as error:
                raise HTTPException(422, str(error)) from error
            data = "".join(json.dumps(notice.record()) + "\n" for notice in notices).encode()
            with self._notices.open("ab") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            self._n_bytes += len(data)
            write_text(json.dumps({"notices_bytes": self._n_bytes, "sifter": sifter.to_json()}), self._state)
            self._sifter = sifter
            return {"notices": [notice.record() for notice in notices], "last_number": sifter.last_number}

    def notices(self, after: int) -> list[dict[str, Any]]:
        """Return the notices whose number is above `after`."""
        with self._lock:
            self._taken_up()
            lines = self._notices.read_text(encoding="utf-8").splitlines()
            return [record for line in lines if (record := json.loads(line))["number"] > after]

    def status(self) -> dict[str, Any]:
        """Return the balance so far, the trickle, and what was wrong with the samples."""
        with self._lock:
            sifter = self._taken_up()
            return {"balance": vars(sifter.balance), "trickle_lpm": sifter.trickle_lpm, "faults": sifter.faults}


def make_app(folder: Path) -> FastAPI:
    """Return the service for the homes of a folder."""
    app = FastAPI(title="Live water account")
    live: dict[str, LiveHome] = {}
    opening = Lock()

    def home_of(name: str) -> LiveHome:
        with opening:
            if name not in live:
                if not re.fullmatch(r"\w[\w.-]*", name) or not (folder / f"{name}.home.json").is_file():
                    raise HTTPException(status_code=404, detail=f"no home {name!r}")
                live[name] = LiveHome(folder, name)
            return live[name]

    @app.post("/homes/{name}/samples")
    def feed(name: str, samples: list[Sample]) -> dict[str, Any]:
        """Take samples in any chunking."""
        return home_of(name).feed(samples)

    @app.get("/homes/{name}/notices")
    def notices(name: str, after: Annotated[int, Query(ge=0)] = 0) -> list[dict[str, Any]]:
        """Give the notices after a number."""
        return home_of(name).notices(after)

    @app.get("/homes/{name}")
    def status(name: str) -> dict[str, Any]:
        """Give the state of a home."""
        return home_of(name).status()

    return app


app = make_app(Path(os.environ.get("FLOWSIFT_HOMES", "homes")))
