"""Score one method on the open apartment: ``python benchmarks/score_open_home.py PATH --method NAME``."""

from __future__ import annotations

import argparse
import time

import pandas as pd

from flowsift.evaluate.open_data import APARTMENT_ATTRIBUTION, read_apartment
from flowsift.evaluate.references import Oracle
from flowsift.evaluate.registry import load_method
from flowsift.evaluate.scores import score_home

MEASURED = ("shower", "faucet", "clothes_washer")
"""Labels whose shape in the apartment is measured; the flush's is nominal."""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("path", help="folder with whole_house_1s.parquet, fixture_samples.parquet and draws.csv")
    parser.add_argument("--method", default="flowsift", help="announced name, or module:attribute")
    options = parser.parse_args()
    trace, truth = read_apartment(options.path)
    method = load_method(options.method)
    began = time.perf_counter()
    answer = method.answer(trace, truth) if isinstance(method, Oracle) else method.disaggregate(trace)
    took_s = time.perf_counter() - began
    scores = score_home(answer, truth)
    table = scores.by_label()
    table = table[(table["true_l"] > 0) | (table["answered_l"] > 0)]
    print(f"{options.method}: {answer} in {took_s:.1f} s\n")
    with pd.option_context("display.width", 200, "display.max_columns", None, "display.float_format", "{:.3f}".format):
        print(table.T, end="\n\n")
    for name, value in scores.figures.items():
        if "[" not in name:
            print(f"{name:<42}{value:>9.3f}")
    print("\nvolume at the right second, by recall, precision and F1:")
    for title, labels in (
        ("everything", table.index.drop("unexplained", errors="ignore")),
        (", ".join(MEASURED), MEASURED),
    ):
        part = scores.share_over(list(labels))
        print(f"{title:<42}" + "".join(f"{part[name]:>9.3f}" for name in ("recall", "precision", "f1")))
    print(f"\n{APARTMENT_ATTRIBUTION}")


if __name__ == "__main__":
    main()
