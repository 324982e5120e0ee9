"""How sets are handed out: few at once, a dying worker's set once more, and none left without an answer."""

from concurrent.futures import Future
from pathlib import Path

import pytest

from tools.recheck.sets import ArchivedSet
from tools.recheck.software import digest, that_compute
from tools.recheck.workers import TRIES, count, done_of, on_a_cluster, without_a_worker
from vision.errors import PlumbsightError

N_SETS, N_IN_FLIGHT = 200, 4
ROOT = Path(__file__).parents[2]


class Bench:
    """Stands in for workers: takes sets, and answers when it is asked how many are out.

    Attributes:
        dies_of: How often the worker dies of a set before it comes back, by its id.
    """

    def __init__(self, dies_of=(), wrong=None):
        self.dies_of, self.wrong = dict(dies_of), wrong or RuntimeError("gone")
        self.n_listed = self.n_done = self.most_ahead = 0
        self.tries = {}

    def listed(self):
        for i in range(N_SETS):
            self.n_listed += 1
            self.most_ahead = max(self.most_ahead, self.n_listed - self.n_done)
            yield ArchivedSet("archive", str(i), "")

    def submit(self, one):
        future = Future()
        self.tries[one.set_id] = self.tries.get(one.set_id, 0) + 1
        if self.tries[one.set_id] <= self.dies_of.get(one.set_id, 0):
            future.set_exception(self.wrong)
        else:
            future.set_result(without_a_worker(one, "measured"))
        return future

    def all_done(self):
        done = {}
        for one, again in done_of(self.listed(), self.submit, N_IN_FLIGHT):
            self.n_done += 1
            assert one.set_id not in done
            done[one.set_id] = again[0].findings[-1].says
        return done


def test_every_set_comes_back_once_and_few_are_taken_ahead():
    bench = Bench()
    assert bench.all_done() == {str(i): "measured" for i in range(N_SETS)}
    assert bench.most_ahead <= N_IN_FLIGHT + 1  # the one that is listed while the others wait


def test_a_set_whose_worker_dies_is_tried_once_more():
    bench = Bench({"7": 1})
    assert bench.all_done()["7"] == "measured"
    assert bench.tries["7"] == 2 and bench.tries["8"] == 1


def test_a_set_that_kills_every_worker_is_told_and_the_others_go_on():
    bench = Bench({"7": 99})
    done = bench.all_done()
    assert "ended, twice" in done["7"] and bench.tries["7"] == TRIES
    assert len(done) == N_SETS and done["199"] == "measured"


def test_a_set_that_never_ends_is_given_up_at_once():
    bench = Bench({"7": 99}, TimeoutError())
    assert "given up" in bench.all_done()["7"] and bench.tries["7"] == 1


def test_ctrl_c_in_a_worker_ends_the_run():
    with pytest.raises(KeyboardInterrupt):
        Bench({"7": 99}, KeyboardInterrupt()).all_done()


def test_this_machine_has_room_for_a_worker_at_least():
    assert count() >= 1


def test_a_scheduler_that_does_not_answer_is_said(monkeypatch):
    monkeypatch.setattr("tools.recheck.workers.SECONDS_FOR_SCHEDULER", 1)
    with (
        pytest.raises(PlumbsightError, match="No scheduler answers at tcp://127.0.0.1:9"),
        on_a_cluster("tcp://127.0.0.1:9", "photos"),
    ):
        pass


AGAIN = "from calib_data import convert\nimport vision.adjust\n"
SOURCES = {
    "tools/recheck/again.py": AGAIN,
    "calib_data/convert.py": "import api.app\n",
    "vision/adjust.py": "STEP = 1\n",
}
SOURCES |= {"calib_data/drawings.py": "import vision.adjust\n", "calib_data/layouts/one.json": "{}"}
SOURCES |= {"vision/schemas/kit.json": "{}", "api/app.py": "", "vision/coach.py": ""}


@pytest.mark.parametrize(
    ("file", "is_other"),
    [
        ("tools/recheck/again.py", True),
        ("vision/adjust.py", True),
        ("calib_data/convert.py", True),
        ("calib_data/layouts/one.json", True),
        ("calib_data/layouts/another.json", True),
        ("calib_data/drawings.py", False),
        ("vision/coach.py", False),
        ("vision/schemas/kit.json", False),
        ("api/app.py", False),
    ],
)
def test_code_that_computes_changes_what_counts_as_the_same_software(tmp_path, file, is_other):
    for name, text in SOURCES.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text)
    before = digest(tmp_path)
    with (tmp_path / file).open("a") as changed:
        changed.write("\n")
    assert (digest(tmp_path) != before) is is_other


def test_the_whole_measurement_counts_and_nothing_that_draws_or_coaches():
    counted = {path.relative_to(ROOT).as_posix() for path in that_compute(ROOT)}
    # Each stage by its own file, the last one imported by name within a package.
    stages = ("photo", "tagcode", "initial", "adjust", "placement", "consistency", "judge", "second_look")
    assert {f"vision/{stage}.py" for stage in stages} < counted
    assert {"calib_data/convert.py", "calib_data/levels.py", "tools/recheck/of_record.py"} < counted
    draw_or_coach = ("calib_data/drawings", "calib_data/labelling", "calib_data/sheets", "vision/coach")
    assert not {f"{name}.py" for name in draw_or_coach} & counted
    assert not [name for name in counted if name.startswith(("api/", "calib_data/review/"))]
