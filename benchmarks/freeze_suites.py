"""Write the checksum of every home of every suite: ``python benchmarks/freeze_suites.py``.

Run it only when the generator or a suite was changed on purpose, and say so: older results can't be compared any more.
"""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import flowsift.evaluate
from flowsift.evaluate.checksums import frozen_checksums, home_checksum
from flowsift.evaluate.homes import SimulatedHome
from flowsift.evaluate.suites import suites

FROZEN = Path(flowsift.evaluate.__file__).with_name("frozen.json")


def checksum(home: SimulatedHome) -> str:
    return home_checksum(*home.load())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    frozen = {}
    with ProcessPoolExecutor(options.workers) as pool:
        for suite in suites().values():
            names = [home.name for home in suite.homes]
            frozen[suite.name] = dict(zip(names, pool.map(checksum, suite.homes), strict=True))
            before = frozen_checksums().get(suite.name, {})
            changed = sum(before.get(name) != value for name, value in frozen[suite.name].items())
            print(f"{suite.name}: {len(names)} homes, {changed} changed")
    FROZEN.write_text(json.dumps(frozen, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
