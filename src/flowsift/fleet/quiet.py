"""What a worker on this machine loads first: Ctrl-C is for the process that started it, which ends its workers."""

from __future__ import annotations

import signal


def dask_setup(worker: object) -> None:  # noqa: ARG001  (Dask gives it)
    """Leave an interrupt from the terminal to the coordinator."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
