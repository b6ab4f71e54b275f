"""The methods that come with the benchmark: the library's own, and baselines to stand beside it."""
