"""A re-check that is killed, and a cluster that loses a worker: no set is lost, none is done twice.

PLUMBSIGHT_KILLS and PLUMBSIGHT_SEED choose another number of kills and other moments.
"""

import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from functools import partial
from pathlib import Path

import pytest
from sqlalchemy import func, select

from api.records import signing
from api.store import open_store
from calib_data import results
from tests.api.signed import add_person, add_visit
from tools.recheck.folders import folder_of
from tools.recheck.run import Wanted, run
from vision.errors import InputFileError

pytestmark = pytest.mark.study

KILLS = int(os.environ.get("PLUMBSIGHT_KILLS", "2"))
SEED = int(os.environ.get("PLUMBSIGHT_SEED", "1"))
N_VISITS = 16
MOST_SECONDS = 300


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    """A store of signed visits with one round each."""
    store = open_store(tmp_path_factory.mktemp("many") / "store")
    kim = add_person(store)
    for _ in range(N_VISITS):
        visit_id = add_visit(store, kim, left_mm=(0.0,), n_refused=0)
        with store.writing() as db:
            signing.write(db, store.id, kim, visit_id, "")
    store.close()
    return store.folder


def told(out):
    """What stands in the results: by set, its rounds; and by round, how many values it has."""
    with results.reading(out) as db:
        rounds = list(db.execute(select(results.Round.set_id, results.Round.id, results.Round.outcome)))
        values = Counter(db.scalars(select(results.Value.round)))
    return rounds, values


def check_whole(out):
    """Each set once, each with all of its values."""
    rounds, values = told(out)
    assert len(rounds) == len({set_id for set_id, _, _ in rounds}) == N_VISITS
    assert {outcome for _, _, outcome in rounds} == {"agrees"}
    assert len(set(values.values())) == 1 and values.keys() == {row_id for _, row_id, _ in rounds}


def begin(archive, out):
    words = ["recheck", str(archive), "--out", str(out), "--mode", "observations", "--workers", "2"]
    environment = {**os.environ, "PYTHONPATH": os.getcwd(), "OMP_NUM_THREADS": "1"}
    return subprocess.Popen([sys.executable, "-m", "tools.cli", *words], env=environment)


def n_rounds(out):
    try:
        with results.reading(out) as db:
            return db.scalar(select(func.count()).select_from(results.Round)) or 0
    except InputFileError:
        return 0  # not made yet


def has_more_than(out, n):
    return n_rounds(out) > n


def wait_for(condition):
    end = time.monotonic() + MOST_SECONDS
    while not condition():
        assert time.monotonic() < end, "it does not get on"
        time.sleep(0.05)


def test_a_run_that_is_killed_again_and_again_does_each_set_once(archive, tmp_path):
    rng, out = random.Random(SEED), tmp_path / "results.sqlite"
    before, n_kept = 0, []
    for _ in range(KILLS):
        process = begin(archive, out)
        wait_for(partial(has_more_than, out, before))
        time.sleep(rng.uniform(0.0, 0.5))
        process.kill()
        process.wait()
        before = n_rounds(out)
        n_kept.append(before)
    process = begin(archive, out)
    assert process.wait(MOST_SECONDS) == 0
    check_whole(out)
    with results.reading(out) as db:
        runs = list(db.scalars(select(results.Run).order_by(results.Run.id)))
        assert [one.ended_at is None for one in runs] == [True] * KILLS + [False]
        assert sum(one.n_measured for one in runs) == N_VISITS  # nothing that stood there was done again
    print(f"{KILLS} kills, with {n_kept} of {N_VISITS} sets kept; lost 0, twice 0")


def test_a_worker_of_this_machine_that_is_killed_costs_nothing(archive, tmp_path):
    out = tmp_path / "results.sqlite"
    process = begin(archive, out)
    wait_for(partial(has_more_than, out, 0))
    victim = next(pid for pid in children_of(process.pid) if b"spawn_main" in command_of(pid))
    os.kill(victim, signal.SIGKILL)
    assert process.wait(MOST_SECONDS) == 0
    check_whole(out)


def children_of(pid):
    return [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def command_of(pid):
    return Path(f"/proc/{pid}/cmdline").read_bytes()


def test_a_cluster_that_loses_a_worker_completes(archive, tmp_path):
    from distributed import Client, LocalCluster

    out = tmp_path / "results.sqlite"
    with (
        LocalCluster(
            n_workers=3, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
        ) as cluster,
        Client(cluster) as client,
    ):
        pids = list(client.run(os.getpid).values())

        def kill_one():
            wait_for(lambda: n_rounds(out) >= 2)
            os.kill(pids[0], signal.SIGKILL)

        killer = threading.Thread(target=kill_one)
        killer.start()
        summary = run(
            Wanted(folder_of(str(archive)), out, "observations", scheduler=cluster.scheduler_address)
        )
        killer.join()
        assert pids[0] not in client.run(os.getpid).values()
    assert summary.n_measured == N_VISITS
    check_whole(out)
    print(f"3 workers, one killed: {N_VISITS} sets, lost 0, twice 0")
