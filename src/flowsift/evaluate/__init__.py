"""The benchmark: named suites of homes with known truth, scores with intervals over homes, methods by name."""
