"""Jobs on Dask: a local cluster or a given one, a bounded number of jobs at a time, dead workers survived."""

from __future__ import annotations

import logging
import time
import uuid
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any

from flowsift.errors import FlowsiftError, OptionError
from flowsift.fleet.work import Job, Outcome, answer_home, failed, said

WAIT_S = 60.0
"""How long a given cluster may take to answer or to get its first worker [s]."""

RECOUNT_S = 5.0
"""How often the threads of a cluster that may grow are counted again [s]."""

UNMANNED_S = 300.0
"""How long a run waits for a worker where none is left [s]: a crowded machine takes long to start one."""

JOBS_PER_THREAD = 2
"""Jobs handed out for each thread: one runs, one waits, and memory doesn't grow with the number of homes."""


_MEMORY = dict.fromkeys((f"distributed.worker.memory.{limit}" for limit in ("target", "spill", "pause")), False)
"""A worker that paused for its own memory would wait for ever; one that outgrows its share is ended, its home listed.
"""


@contextmanager
def connected(*, workers: int | None, scheduler: str | None) -> Iterator[Any]:
    """Give a Dask client: of a cluster on this machine, or of the one with that address.

    Parameters
    ----------
    workers : int or None
        Processes of the local cluster; one a core where it isn't given.
    scheduler : str or None
        Address of a scheduler, such as ``tcp://10.0.0.5:8786``.

    Raises
    ------
    OptionError
        Both given, fewer than one worker, Dask not installed, or nobody at the address.
    FlowsiftError
        Local workers that don't start.
    """
    if workers is not None and scheduler is not None:
        raise OptionError("give workers or a scheduler, not both: a given cluster has its own workers")
    if workers is not None and workers < 1:
        raise OptionError(f"workers must be 1 or more, got {workers}")
    try:
        import dask
        from dask.system import CPU_COUNT
        from distributed import Client, LocalCluster
    except ImportError as error:
        raise OptionError(f"fleets need fsspec and dask: install flowsift[fleet] ({error})") from error
    with ExitStack() as stack:
        if scheduler is None:
            preload = dask.config.get("distributed.worker.preload")
            try:
                cluster = stack.enter_context(
                    LocalCluster(
                        n_workers=workers or CPU_COUNT,
                        threads_per_worker=1,
                        # No dashboard, and nothing that listens beyond this machine or wants a port that may be taken.
                        dashboard_address="127.0.0.1:0",
                        scheduler_kwargs={"dashboard": False},
                        silence_logs=logging.CRITICAL,
                        config=_MEMORY,
                        preload=[*([preload] if isinstance(preload, str) else preload), "flowsift.fleet.quiet"],
                    )
                )
            except (RuntimeError, OSError) as error:
                raise FlowsiftError(f"the workers didn't start ({error}): try again, or with fewer workers") from error
            yield stack.enter_context(Client(cluster))
            return
        try:
            client = stack.enter_context(Client(scheduler, timeout=WAIT_S))
            client.wait_for_workers(1, timeout=WAIT_S)
        except (OSError, TimeoutError, ValueError) as error:
            raise OptionError(f"no workers at {scheduler} ({error})") from error
        yield client


def outcomes(client: Any, jobs: Iterable[Job]) -> Iterator[Outcome]:
    """Run jobs and yield their outcomes as they come, in any order.

    A worker that dies takes its job down: Dask hands it to another, and gives it up when several have died of it. Such
    a job may have been beside the one that kills, so it is run once more, alone, before it counts as failed.

    Raises
    ------
    FlowsiftError
        If the scheduler goes away, or a worker can't do this work or runs another flowsift.
    """
    lost: list[Job] = []
    yield from _bounded(client, jobs, lost)
    for job in lost:
        given_up: list[Job] = []
        yield from _bounded(client, [job], given_up)
        if given_up:
            yield failed(
                job.home.name,
                "the worker died on it, several times (out of memory?)",
                "run again with fewer workers, or with more memory for each",
            )


def _bounded(client: Any, jobs: Iterable[Job], lost: list[Job]) -> Iterator[Outcome]:
    from distributed import KilledWorker

    waiting, run = enumerate(jobs), f"answer_home-{uuid.uuid4().hex}"
    running: dict[Any, Job] = {}
    at_most, counted_s = 0, -RECOUNT_S
    while True:
        if time.monotonic() - counted_s > RECOUNT_S:
            at_most, counted_s = max(_threads(client), 1) * JOBS_PER_THREAD, time.monotonic()
        while len(running) < at_most and (following := next(waiting, None)) is not None:
            future = client.submit(answer_home, following[1], key=(run, following[0]), pure=False)
            running[future] = following[1]
        if not running:
            return
        future, outcome = _first_done(client, list(running))
        job = running.pop(future)
        if isinstance(outcome, KilledWorker):
            lost.append(job)
        elif isinstance(outcome, FlowsiftError):
            raise outcome
        elif isinstance(outcome, BaseException):
            raise FlowsiftError(f"a worker can't run flowsift: {said(outcome)}") from outcome
        else:
            yield outcome


def _threads(client: Any) -> int:
    """Count the cluster's threads, and start local workers anew that Dask gave up.

    A worker that dies is started again by its nanny, but Dask ends the nanny too where that takes longer than
    ``distributed.deploy.lost-worker-timeout`` (15 s) or fails. Scaling to the size that it has replaces it.
    """
    if client.cluster is not None:
        client.cluster.scale(len(client.cluster.worker_spec))
    return sum(client.nthreads().values())


def _first_done(client: Any, running: list[Any]) -> tuple[Any, Outcome | BaseException]:
    """Wait for one of the jobs and what came of it, but not for ever where no worker is left to do them."""
    from distributed import CancelledError, KilledWorker, wait

    manned_s = time.monotonic()
    while True:
        try:
            done = next(iter(wait(running, timeout=RECOUNT_S, return_when="FIRST_COMPLETED").done))
            # Its worker has the outcome, and may have died since: then the job runs again, and may kill this time.
            return done, done.exception(timeout=RECOUNT_S) or done.result(timeout=RECOUNT_S)
        except (TimeoutError, KilledWorker):
            if _threads(client):
                manned_s = time.monotonic()
            elif time.monotonic() - manned_s > UNMANNED_S:
                raise FlowsiftError("no worker is left: run again, finished homes are kept") from None
        except CancelledError as error:
            raise FlowsiftError(
                "the cluster's scheduler went away: start it and run again, finished homes are kept"
            ) from error
