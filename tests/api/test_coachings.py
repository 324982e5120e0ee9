"""The coach's questions: the same is asked once, the out-of-date is given up, whoever waits is answered."""

import threading
from concurrent.futures import Future

import pytest

from api.photos.coaching import Asked
from api.photos.coachings import MOST_KEPT, Coachings


def asked(found=(), round_id="r"):
    return Asked(round_id, {}, {}, (), tuple(found))


def waiting_for(coachings, question, begin):
    """The answer as it comes, in a thread of its own that has asked when this returns."""
    answers, has_begun = [], threading.Event()

    def begun():
        future = begin()
        has_begun.set()
        return future

    thread = threading.Thread(target=lambda: answers.append(coachings.ask(question, begun)))
    thread.start()
    assert has_begun.wait(10)
    return thread, answers


def test_the_same_question_is_worked_out_once():
    coachings, done = Coachings(), Future()
    done.set_result("told")
    begun = []
    for _ in range(3):
        assert coachings.ask(asked([b"1"]), lambda: begun.append(1) or done) == "told"
    assert len(begun) == 1
    coachings.ask(asked([b"1", b"2"]), lambda: begun.append(2) or done)
    coachings.ask(asked([b"1"], round_id="other"), lambda: begun.append(3) or done)
    assert begun == [1, 2, 3]


def test_a_question_that_nobody_began_on_is_given_up_for_the_newer_one_and_its_asker_hears_that():
    coachings, first, second = Coachings(), Future(), Future()
    thread, answers = waiting_for(coachings, asked([b"1"]), lambda: first)
    second.set_result("newer")
    assert coachings.ask(asked([b"1", b"2"]), lambda: second) == "newer"
    thread.join(10)
    assert first.cancelled() and answers == ["newer"]


def test_what_a_worker_has_begun_on_is_left_to_end():
    coachings, first, second = Coachings(), Future(), Future()
    thread, answers = waiting_for(coachings, asked([b"1"]), lambda: first)
    first.set_running_or_notify_cancel()
    second.set_result("newer")
    coachings.ask(asked([b"1", b"2"]), lambda: second)
    first.set_result("older")
    thread.join(10)
    assert answers == ["older"]


def test_what_failed_is_tried_anew():
    coachings, broken, whole = Coachings(), Future(), Future()
    broken.set_exception(MemoryError())
    whole.set_result("told")
    with pytest.raises(MemoryError):
        coachings.ask(asked(), lambda: broken)
    assert coachings.ask(asked(), lambda: whole) == "told"


def test_few_rounds_are_kept():
    coachings, done = Coachings(), Future()
    done.set_result("told")
    begun = []
    for n in [*range(MOST_KEPT + 1), 0]:
        coachings.ask(asked(round_id=str(n)), lambda n=n: begun.append(n) or done)
    assert begun.count(0) == 2
