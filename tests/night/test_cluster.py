"""The same call on a cluster: any executor of concurrent.futures will do, Dask's among them."""

import os
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from functools import partial

import pytest
from small_nights import START, take_run, write_run

import focuskit
from focuskit.core.workers import Workers


@pytest.fixture(scope="module")
def two_runs(tmp_path_factory):
    """Two small runs, with all that is given to workers: frames to measure and stars to stack."""
    folder = tmp_path_factory.mktemp("cluster")
    write_run(folder / "early", take_run())
    return write_run(folder / "later", take_run(start=START + timedelta(hours=1), seed=4)).parent


@pytest.fixture(scope="module")
def alone(two_runs):
    return focuskit.analyse(two_runs, workers=1).to_json()


def test_workers_give_the_same(alone, two_runs):
    assert focuskit.analyse(two_runs, workers=2).to_json() == alone


def test_threads_give_the_same(alone, two_runs):
    with ThreadPoolExecutor(2) as threads:
        assert focuskit.analyse(two_runs, executor=threads).to_json() == alone


@pytest.mark.filterwarnings("ignore")  # what Dask warns of is not ours
def test_a_dask_cluster_gives_the_same(alone, two_runs):
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        distributed.Client(cluster) as client,
    ):
        assert focuskit.analyse(two_runs, executor=client.get_executor()).to_json() == alone


def square(number, home):
    """Return a square; but for this process, 3 ends the one that it is given to."""
    if number == 3 and os.getppid() != home:
        os._exit(9)
    return number * number


@pytest.mark.filterwarnings("ignore")
def test_a_task_that_ends_its_workers_costs_no_other():
    distributed = pytest.importorskip("distributed")
    dask = pytest.importorskip("dask")
    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 0}),
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        distributed.Client(cluster) as client,
        Workers(client.get_executor(), count=2) as pool,
    ):
        assert pool.map(partial(square, home=os.getpid()), range(8), lost) == [k * k for k in range(8)]


def lost(number):
    return f"{number} is lost"
