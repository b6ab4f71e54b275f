"""Questions asked of an answer: flush volumes, leaks, savings, budget."""

from flowsift.study.flushes_study import FlushStudy, flushes

__all__ = ["FlushStudy", "flushes"]
