"""People, roles and PINs."""

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import pytest

from api.access import pairing, people, sessions
from api.access.people import FREE_ATTEMPTS, LONGEST_WAIT, MOST_ATTEMPTS, wait_after
from api.problems import ConflictError, NotAcceptedError, NotAllowedError, NotThereError, TooOftenError
from api.tables import Person

PIN = "2580"


@pytest.fixture
def ann(store) -> str:
    """An owner with a PIN."""
    with store.writing() as db:
        person = people.add(db, "A. Example", "owner")
        people.set_pin(db, person.id, people.hash_pin(PIN))
        return person.id


def _set(store, person_id: str, **values: object) -> None:
    with store.writing() as db:
        person = db.get(Person, person_id)
        for name, value in values.items():
            setattr(person, name, value)


def _ago(time: timedelta) -> str:
    return f"{datetime.now(UTC) - time:%Y-%m-%dT%H:%M:%S.%f}Z"


@pytest.mark.parametrize("name", ["", "  ", "\t", "A\u202eB", "A\0B"])
def test_a_name_must_be_readable(store, name: str):
    with store.writing() as db, pytest.raises(NotAcceptedError):
        people.add(db, name, "technician")


def test_two_people_present_do_not_share_a_name(store, ann: str):
    with store.writing() as db, pytest.raises(ConflictError):
        people.add(db, " a.  EXAMPLE ", "technician")


def test_a_withdrawn_person_stays_listed_and_is_let_in_no_more(store, ann: str):
    with store.writing() as db:
        bo = people.add(db, "B. Example", "technician").id
        opened = sessions.begin(db, bo, "phone")
        code = pairing.make(db, bo, sets_pin=True)
        people.withdraw(db, bo)
    with store.reading() as db:
        assert sessions.find(db, opened.secret) is None
        assert [one.name for one in people.listed(db)] == ["A. Example", "B. Example"]
        assert [one.name for one in people.present(db)] == ["A. Example"]
        with pytest.raises(NotThereError):
            people.get(db, bo)
        with pytest.raises(NotAllowedError):
            pairing.look(db, code.text)


def test_there_is_always_an_owner(store, ann: str):
    with store.writing() as db:
        with pytest.raises(ConflictError):
            people.withdraw(db, ann)
        with pytest.raises(ConflictError):
            people.change_role(db, ann, "reviewer")
        people.add(db, "B. Example", "owner")
        assert people.change_role(db, ann, "reviewer").role == "reviewer"


@pytest.mark.parametrize("pin", ["", "258", "1234", "4321", "0000", "aaaa", "x" * 201])
def test_a_pin_that_is_short_or_guessed_first_is_refused(pin: str):
    with pytest.raises(NotAcceptedError):
        people.hash_pin(pin)


def test_a_pin_is_kept_as_argon2_hash_only(store, ann: str):
    with store.reading() as db:
        kept = people.get(db, ann).pin_hash
    assert kept is not None
    assert kept.startswith("$argon2id$")
    assert PIN not in kept


def test_the_right_pin_is_taken_and_forgets_the_wrong_ones(store, ann: str):
    with pytest.raises(NotAllowedError):
        people.check_pin(store, ann, "2581")
    people.check_pin(store, ann, PIN)
    with store.reading() as db:
        assert people.get(db, ann).pin_failures == 0


def test_whoever_has_not_chosen_a_pin_cannot_prove_anything(store):
    with store.writing() as db:
        bo = people.add(db, "B. Example", "technician").id
    with pytest.raises(NotAllowedError, match="not chosen"):
        people.check_pin(store, bo, "")


def test_after_three_wrong_pins_also_the_right_one_waits(store, ann: str):
    for _ in range(FREE_ATTEMPTS):
        with pytest.raises(NotAllowedError):
            people.check_pin(store, ann, "0852")
    with pytest.raises(TooOftenError, match="30 s|29 s"):
        people.check_pin(store, ann, PIN)
    _set(store, ann, pin_tried_at=_ago(timedelta(seconds=31)))
    people.check_pin(store, ann, PIN)


def test_an_attempt_while_waiting_makes_the_wait_no_longer(store, ann: str):
    _set(store, ann, pin_failures=FREE_ATTEMPTS, pin_tried_at=_ago(timedelta(seconds=10)))
    for _ in range(5):
        with pytest.raises(TooOftenError):
            people.check_pin(store, ann, PIN)
    with store.reading() as db:
        assert people.get(db, ann).pin_failures == FREE_ATTEMPTS


def test_the_wait_doubles_up_to_an_hour():
    seconds = [wait_after(n).total_seconds() for n in range(12)]
    # 30 s from the third wrong one on; 30 * 2**7 s is more than an hour.
    assert seconds == [0, 0, 0, 30, 60, 120, 240, 480, 960, 1920, 3600, 3600]
    assert wait_after(10**6) == LONGEST_WAIT


def test_a_hundred_wrong_pins_block_until_a_new_one_is_set(store, ann: str):
    _set(store, ann, pin_failures=MOST_ATTEMPTS, pin_tried_at=_ago(timedelta(days=9)))
    with pytest.raises(TooOftenError, match="blocked"):
        people.check_pin(store, ann, PIN)
    with store.writing() as db:
        people.set_pin(db, ann, people.hash_pin("2591"))
    people.check_pin(store, ann, "2591")


def test_a_clock_that_was_set_back_makes_nobody_wait_longer(store, ann: str):
    _set(store, ann, pin_failures=FREE_ATTEMPTS, pin_tried_at=_ago(timedelta(days=-400)))
    with pytest.raises(TooOftenError, match="30 s"):
        people.check_pin(store, ann, PIN)


def test_attempts_at_the_same_moment_all_count(store, ann: str):
    def attempt(n: int) -> type[Exception] | None:
        try:
            people.check_pin(store, ann, f"73{n:02}")
        except (NotAllowedError, TooOftenError) as refused:
            return type(refused)
        return None

    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(attempt, range(24)))
    assert answers.count(None) == 0
    # No more than the free ones were looked at, however they were interleaved.
    assert answers.count(NotAllowedError) == FREE_ATTEMPTS


def test_an_attempt_counts_though_the_caller_gives_up(store, ann: str):
    with pytest.raises(NotAllowedError), store.writing() as db:
        people.get(db, ann)  # a transaction that has not written yet
        db.rollback()
        people.check_pin(store, ann, "0852")
    with store.reading() as db:
        assert people.get(db, ann).pin_failures == 1
