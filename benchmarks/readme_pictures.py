"""Draw the two pictures of the README from the household that is shipped.

Run from the top of the repository:  python benchmarks/readme_pictures.py
"""

from pathlib import Path

from matplotlib.figure import Figure

import flowsift as fs
from flowsift.households.shipped import read_shipped

FOLDER = Path(__file__).parents[1] / "notebooks" / "pictures"


def main() -> None:
    result = fs.disaggregate(read_shipped("demo").trace)
    FOLDER.mkdir(exist_ok=True)
    days = Figure(figsize=(9.0, 3.8), layout="constrained")
    fs.plot.day(result, days.add_subplot())
    days.savefig(FOLDER / "days.png", dpi=110, metadata={"Software": None})
    morning = Figure(figsize=(9.0, 3.8), layout="constrained")
    fs.plot.trace(result, morning.add_subplot(), start="2024-06-22 06:40", end="2024-06-22 08:20")
    morning.savefig(FOLDER / "morning.png", dpi=110, metadata={"Software": None})


if __name__ == "__main__":
    main()
