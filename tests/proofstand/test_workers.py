"""Many pieces of work on several processes: order, deaths, an end before the end."""

from __future__ import annotations

import multiprocessing
import os
import pickle
import signal
import time
from functools import partial
from pathlib import Path

import pytest

from proofstand.keeping.cluster import Cluster
from proofstand.keeping.workers import Cores, Here, Lost
from records.errors import InputError, ProofstandError, RefusedError


def squared(number: int) -> int:
    time.sleep(0.002 * (number % 3))  # later ones may be done before earlier ones
    return number * number


def deadly(folder: Path, number: int) -> int:
    """Kill the process: at 3 always, at 7 the first time only."""
    once = folder / "seven"
    if number == 3 or (number == 7 and not once.exists()):
        once.touch() if number == 7 else None
        os.kill(os.getpid(), signal.SIGKILL)
    return squared(number)


def refused(number: int) -> int:
    if number == 2:
        raise RefusedError("role_wanted", where="r-2", name="P. Quill (invented)")
    return number


def threads(_: int) -> str:
    return os.environ["OPENBLAS_NUM_THREADS"]


def slow_squared(number: int) -> int:
    time.sleep(0.05)
    return number * number


@pytest.mark.serial
def test_on_cores_the_same_comes_in_the_same_order() -> None:
    pieces = range(25)
    assert list(Cores(2).each(squared, pieces)) == list(Here().each(squared, pieces))


@pytest.mark.serial
def test_a_piece_that_kills_its_worker_is_lost_alone(tmp_path: Path) -> None:
    came = dict(Cores(2).each(partial(deadly, tmp_path), range(12)))
    assert list(came) == list(range(12))
    assert came.pop(3) == Lost()
    assert came == {n: n * n for n in range(12) if n != 3}


@pytest.mark.serial
def test_a_refusal_of_the_work_ends_it_as_it_would_here() -> None:
    for workers in (Here(), Cores(2)):
        asked = iter(workers.each(refused, range(9)))
        assert [next(asked), next(asked)] == [(0, 0), (1, 1)]
        with pytest.raises(RefusedError) as caught:
            next(asked)
        assert caught.value.id == "role_wanted"
        assert caught.value.facts["name"] == "P. Quill (invented)"


@pytest.mark.serial
def test_who_stops_asking_leaves_no_process_behind() -> None:
    before = {child.pid for child in multiprocessing.active_children()}
    asked = Cores(2).each(squared, iter(range(10**9)))
    assert next(asked) == (0, 0)
    asked.close()  # type: ignore[attr-defined]
    assert {child.pid for child in multiprocessing.active_children()} <= before


@pytest.mark.serial
def test_workers_take_one_thread_each_and_the_environment_stays(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "7")
    monkeypatch.delenv("MKL_NUM_THREADS", raising=False)
    assert [came for _, came in Cores(2).each(threads, range(3))] == ["1"] * 3
    assert os.environ["OPENBLAS_NUM_THREADS"] == "7"
    assert "MKL_NUM_THREADS" not in os.environ


def test_trouble_travels_whole_from_process_to_process() -> None:
    error = InputError("file_missing", where="x.h5", what="run file")
    again = pickle.loads(pickle.dumps(error))
    assert type(again) is InputError
    assert (again.id, again.where, dict(again.facts), str(again)) == (
        error.id,
        error.where,
        dict(error.facts),
        str(error),
    )
    assert isinstance(again, ProofstandError)


# --- a cluster -----------------------------------------------------------------------


@pytest.mark.serial
def test_a_cluster_brings_the_same_though_a_worker_is_killed_half_way() -> None:
    distributed = pytest.importorskip("distributed")
    here = list(Here().each(slow_squared, range(40)))
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50
    ) as local:
        came = []
        for each in Cluster(local.scheduler_address).each(slow_squared, range(40)):
            came.append(each)
            if len(came) == 10:
                victim = next(iter(local.workers.values())).process.pid
                os.kill(victim, signal.SIGKILL)
    assert came == here


@pytest.mark.serial
def test_a_cluster_that_is_not_there_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("proofstand.keeping.cluster.WAIT_S", 1)
    with pytest.raises(InputError, match="cluster_unreachable"):
        list(Cluster("tcp://127.0.0.1:9").each(squared, range(3)))


def test_without_the_library_it_is_told_how_to_get_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "distributed", None)
    with pytest.raises(InputError, match="cluster_library_missing"):
        Cluster("tcp://127.0.0.1:9")
