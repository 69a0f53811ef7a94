"""Who does the tasks of a campaign: this process, several processes, or the workers of a dask cluster."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from itertools import islice
from typing import Any

from densite.campaign import Outcome, Task, done, work
from densite.errors import CampaignError

WAITING = 3  # tasks handed out for each worker, so that none waits for the next
CONNECT_S = 20.0

Tick = Callable[[Outcome], None]


def run(
    tasks: list[Task], *, workers: int = 1, cluster: str | None = None, tries: int = 3, tick: Tick = lambda _: None
) -> list[Outcome]:
    """Make the parts that are missing.

    The parts are byte for byte the same whoever makes them.

    Parameters
    ----------
    tasks : list of Task
        From :func:`densite.campaign.plan`.
    workers : int
        Processes on this machine; 1 is this process itself.
    cluster : str, optional
        ``local`` for a dask cluster of so many workers on this machine, or the address of a scheduler,
        such as ``tcp://host:8786``.
    tries : int
        How often a task that fails is tried.
    tick : callable
        Called with each task's outcome.

    Returns
    -------
    list of Outcome
        Of the tasks that were not done before, by number.

    Raises
    ------
    CampaignError
        The cluster cannot be reached, dask is not installed, or a process of this machine died.
    """
    if workers < 1 or tries < 1:
        raise CampaignError(f"workers {workers}, tries {tries}: expected 1 or more")
    due = [task for task in tasks if not done(task)]
    if not due:
        return []
    if cluster is not None:
        ended = _on_cluster(due, workers, cluster, tries)
    elif workers > 1:
        ended = _in_processes(due, workers, tries)
    else:
        ended = (work(task, tries=tries) for task in due)
    outcomes = []
    for outcome in ended:
        outcomes.append(outcome)
        tick(outcome)
    return sorted(outcomes, key=lambda outcome: outcome.number)


def _in_processes(tasks: list[Task], workers: int, tries: int) -> Iterator[Outcome]:
    # spawned, not forked: GDAL and PROJ do not survive a fork of a process with threads
    context = multiprocessing.get_context("spawn")
    rest = iter(tasks)
    with ProcessPoolExecutor(workers, mp_context=context) as pool:
        try:
            running = {pool.submit(work, task, tries=tries) for task in islice(rest, WAITING * workers)}
            while running:
                ended, running = wait(running, return_when=FIRST_COMPLETED)
                running |= {pool.submit(work, task, tries=tries) for task in islice(rest, len(ended))}
                yield from (future.result() for future in ended)
        except BrokenProcessPool:
            raise CampaignError(
                "a worker process died (out of memory?): run it again with fewer workers; finished parts are kept"
            ) from None
        finally:
            pool.shutdown(cancel_futures=True)


def _on_cluster(tasks: list[Task], workers: int, cluster: str, tries: int) -> Iterator[Outcome]:
    distributed = _distributed()
    with _client(distributed, cluster, workers) as client:
        numbers: dict[str, int] = {}

        def submitted(task: Task) -> Any:
            future = client.submit(work, task, tries=tries, pure=False)
            numbers[future.key] = task.number
            return future

        rest = iter(tasks)
        places = WAITING * max(1, sum(client.nthreads().values()))
        running = distributed.as_completed([submitted(task) for task in islice(rest, places)])
        for future in running:
            yield _outcome(future, numbers.pop(future.key), tries)
            for task in islice(rest, 1):
                running.add(submitted(task))


def _outcome(future: Any, number: int, tries: int) -> Outcome:
    """Return what a worker reported, or that the task took its workers down with it."""
    if future.status == "finished":
        reported: Outcome = future.result()
        return reported
    error = future.exception() if future.status == "error" else "cancelled"
    return Outcome(number, tries, f"{type(error).__name__}: {error}")


@contextmanager
def _client(distributed: Any, cluster: str, workers: int) -> Iterator[Any]:
    if cluster == "local":
        with (
            distributed.LocalCluster(workers, threads_per_worker=1, dashboard_address=":0") as own,
            distributed.Client(own) as client,
        ):
            yield client
        return
    try:
        client = distributed.Client(cluster, timeout=CONNECT_S)
    except (OSError, ValueError) as error:
        told = str(error).splitlines()[0]
        raise CampaignError(f"no dask scheduler at {cluster} ({told}); expected local or tcp://HOST:PORT") from None
    with client:
        yield client


def _distributed() -> Any:
    try:
        import distributed
    except ImportError:
        raise CampaignError("--cluster needs dask: pip install 'densite[cluster]' here and on every worker") from None
    return distributed
