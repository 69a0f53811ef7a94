"""One process, several, threads and a dask cluster make the same bytes; killed workers cost nothing."""

import os
import signal
import sys
from concurrent.futures import ThreadPoolExecutor

import pytest
from test_campaign import planned, points_on, study_in

from densite import campaign, workers
from densite.campaign import Outcome, collect, done, make_part
from densite.cli import main
from densite.errors import CampaignError
from densite.workers import run

pytest.importorskip("pyarrow.parquet")
distributed = pytest.importorskip("distributed")


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """The study folder, the same for all workers."""
    return study_in(tmp_path_factory.mktemp("basin"))


@pytest.fixture
def tasks_in(study, tmp_path, monkeypatch):
    """Return a function that plans about a dozen tasks into a folder."""
    monkeypatch.setattr(campaign, "TILE_CELLS", 50)
    return lambda name: planned(study, tmp_path / name, points_on(120), task_points=10)


def die(*_: object, **__: object) -> None:
    """End the process without a word, as the system does when memory runs out."""
    os._exit(9)


def bytes_of(tasks):
    """All parts, as they lie on disk."""
    return [task.part.read_bytes() for task in tasks]


@pytest.fixture
def alone(tasks_in):
    """The parts as this process alone makes them."""
    tasks = tasks_in("alone")
    assert all(not outcome.error for outcome in run(tasks))
    return bytes_of(tasks)


def test_threads_and_processes_make_the_same_bytes(tasks_in, alone) -> None:
    """Whoever makes a part, it is the same file."""
    threads, processes = tasks_in("threads"), tasks_in("processes")
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(make_part, threads))
    assert bytes_of(threads) == alone
    assert [outcome.number for outcome in run(processes, workers=2)] == list(range(len(processes)))
    assert bytes_of(processes) == alone


def test_a_cluster_that_loses_a_worker_makes_the_same_bytes(tasks_in, alone) -> None:
    """A worker is killed after the first part; its tasks are done by the other or by the one that follows it."""
    tasks = tasks_in("cluster")
    killed = []
    with distributed.LocalCluster(2, threads_per_worker=1, dashboard_address=":0") as cluster:

        def tick(_: Outcome) -> None:
            if not killed:
                killed.append(cluster.workers[0].pid)
                os.kill(killed[0], signal.SIGKILL)

        outcomes = run(tasks, cluster=cluster.scheduler_address, tick=tick)
    assert killed
    assert len(tasks) > 8, "too few tasks for any to be waiting when the worker is killed"
    assert [(o.number, o.error) for o in outcomes] == [(task.number, "") for task in tasks]
    assert bytes_of(tasks) == alone


def test_an_interrupted_run_goes_on_where_it_stopped(tasks_in, alone) -> None:
    """Ctrl-C after the third part: three are kept untouched, the rest is made, all equal."""
    tasks, seen = tasks_in("stopped"), []

    def stop(outcome: Outcome) -> None:
        seen.append(outcome.number)
        if len(seen) == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run(tasks, tick=stop)
    kept = {task.number: task.part.stat().st_mtime_ns for task in tasks if done(task)}
    assert sorted(kept) == seen
    with pytest.raises(CampaignError, match="are missing"):
        collect(tasks[0].job.out)
    again = run(tasks)
    assert [outcome.number for outcome in again] == [task.number for task in tasks if task.number not in kept]
    assert {task.number: task.part.stat().st_mtime_ns for task in tasks if task.number in kept} == kept
    assert bytes_of(tasks) == alone
    assert run(tasks) == []


def test_a_dead_process_is_said(tasks_in, monkeypatch) -> None:
    """The pool's own failure becomes a message with the way out."""
    monkeypatch.setattr(workers, "work", die)
    with pytest.raises(CampaignError, match="run it again with fewer workers"):
        run(tasks_in("dead"), workers=2)


def test_a_cluster_that_is_not_there_is_said(tasks_in, monkeypatch) -> None:
    """No scheduler, no such address, no dask."""
    monkeypatch.setattr(workers, "CONNECT_S", 0.3)
    tasks = tasks_in("none")
    with pytest.raises(CampaignError, match=r"no dask scheduler at tcp://127\.0\.0\.1:9"):
        run(tasks, cluster="tcp://127.0.0.1:9")
    with pytest.raises(CampaignError, match="no dask scheduler at nowhere"):
        run(tasks, cluster="nowhere://x")
    with pytest.raises(CampaignError, match="expected 1 or more"):
        run(tasks, workers=0)
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(CampaignError, match=r"densite\[cluster\]"):
        run(tasks, cluster="local")


def typed(monkeypatch, *words):
    """Type a command line and return its exit code."""
    monkeypatch.setattr(sys, "argv", ["densite", *map(str, words)])
    with pytest.raises(SystemExit) as left:
        main()
    return left.value.code or 0


def test_the_command_runs_and_goes_on(study, tmp_path, monkeypatch, capsys) -> None:
    """A second call keeps the parts; with a local cluster the parts are those of one process."""
    points_on().dropna().to_file(tmp_path / "p.gpkg")
    words = ("covariates", tmp_path / "p.gpkg", "--study", study)
    assert typed(monkeypatch, *words, "-o", tmp_path / "one") == 0
    assert "1 made, 0 kept, 0 failed" in capsys.readouterr().out
    assert typed(monkeypatch, *words, "-o", tmp_path / "one") == 0
    assert "0 made, 1 kept, 0 failed" in capsys.readouterr().out
    assert typed(monkeypatch, *words, "-o", tmp_path / "two", "--cluster", "local") == 0
    one, two = (tmp_path / name / "part-000000.parquet" for name in ("one", "two"))
    assert one.read_bytes() == two.read_bytes()
