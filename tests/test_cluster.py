"""The same call on a cluster: any executor of concurrent.futures will do, Dask's among them."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

import focuskit

NIGHT = Path(__file__).parent.parent / "sample_data" / "night"


@pytest.fixture(scope="module")
def alone():
    return focuskit.analyse(NIGHT, workers=1).to_json()


def test_threads_give_the_same(alone):
    with ThreadPoolExecutor(2) as threads:
        assert focuskit.analyse(NIGHT, executor=threads).to_json() == alone


@pytest.mark.filterwarnings("ignore")  # what Dask warns of is not ours
def test_a_dask_cluster_gives_the_same(alone):
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        distributed.Client(cluster) as client,
    ):
        assert focuskit.analyse(NIGHT, executor=client.get_executor()).to_json() == alone
