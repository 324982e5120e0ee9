"""Pairing codes: single-use, ten minutes, and what each asks."""

from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta

import pytest
from sqlalchemy import select, update

from api.access import pairing, people, sessions
from api.access.pairing import Answers
from api.problems import NotAcceptedError, NotAllowedError, TooOftenError
from api.tables import Pairing, Person, Session

PIN = "2580"


@pytest.fixture
def ann(store) -> str:
    """A technician with a PIN."""
    with store.writing() as db:
        person = people.add(db, "A. Example", "technician")
        people.set_pin(db, person.id, people.hash_pin(PIN))
        return person.id


def _code(store, *who: object) -> str:
    with store.writing() as db:
        return pairing.make(db, *who).text


def _asks(store, code: str) -> tuple[str, ...]:
    with store.reading() as db:
        return pairing.look(db, code).asks


def _who(store, opened: sessions.Opened) -> str:
    with store.reading() as db:
        found = sessions.find(db, opened.secret)
    assert found is not None
    return found.name


def _shift(store, times: timedelta) -> None:
    """As if every code had been made that much earlier."""
    with store.writing() as db:
        for row in db.scalars(select(Pairing)):
            for name in ("made_at", "ends_at"):
                at = datetime.fromisoformat(getattr(row, name)) - times
                setattr(row, name, f"{at:%Y-%m-%dT%H:%M:%S.%f}Z")


def test_the_first_to_scan_gives_a_name_and_a_pin_and_is_the_owner(store):
    code = _code(store)
    assert _asks(store, code) == ("name", "new_pin")
    opened = pairing.pair(store, code, Answers(name="A. Example", pin=PIN), "phone")
    assert _who(store, opened) == "A. Example"
    with store.reading() as db:
        (person,) = people.listed(db)
        assert person.role == "owner"
    people.check_pin(store, person.id, PIN)


def test_first_codes_used_at_once_make_one_owner(store):
    codes = [_code(store) for _ in range(4)]

    def scan(n: int) -> bool:
        try:
            pairing.pair(store, codes[n], Answers(name=f"{n}. Example", pin=f"25{n}8"), "phone")
        except NotAllowedError:
            return False
        return True

    with ThreadPoolExecutor(4) as pool:
        assert list(pool.map(scan, range(4))).count(True) == 1
    with store.reading() as db:
        assert len(people.listed(db)) == 1


@pytest.fixture
def bo(store) -> str:
    """A reviewer with another PIN."""
    with store.writing() as db:
        person = people.add(db, "B. Example", "reviewer")
        people.set_pin(db, person.id, people.hash_pin("2591"))
        return person.id


def test_the_terminals_code_asks_who_one_is_and_that_persons_pin(store, ann: str, bo: str):
    code = _code(store)
    assert _asks(store, code) == ("person", "pin")
    with pytest.raises(NotAcceptedError):
        pairing.pair(store, code, Answers(pin=PIN), "phone")
    with pytest.raises(NotAllowedError):
        pairing.pair(store, code, Answers(person_id=ann, pin="2581"), "phone")
    # Neither used it up.
    assert _who(store, pairing.pair(store, code, Answers(person_id=ann, pin=PIN), "phone")) == "A. Example"


def test_where_one_person_works_alone_the_terminals_code_asks_for_the_pin_alone(store, ann: str):
    code = _code(store)
    assert _asks(store, code) == ("pin",)
    with pytest.raises(NotAllowedError):
        pairing.pair(store, code, Answers(), "phone")
    assert _who(store, pairing.pair(store, code, Answers(pin=PIN), "phone")) == "A. Example"


def test_the_terminals_code_makes_nobody_new(store, ann: str, bo: str):
    with pytest.raises(NotAcceptedError):
        pairing.pair(store, _code(store), Answers(name="B. Example", pin=PIN), "phone")


def test_a_further_device_asks_for_the_persons_pin(store, ann: str):
    code = _code(store, ann)
    assert _asks(store, code) == ("pin",)
    with pytest.raises(NotAllowedError):
        pairing.pair(store, code, Answers(), "tablet")
    assert _who(store, pairing.pair(store, code, Answers(pin=PIN), "tablet")) == "A. Example"


def test_a_code_is_one_persons_whoever_claims_it(store, ann: str, bo: str):
    with pytest.raises(NotAllowedError):
        pairing.pair(store, _code(store, ann), Answers(person_id=bo, pin="2591"), "phone")


def test_a_device_that_is_paired_anew_has_one_session(store, ann: str):
    first = pairing.pair(store, _code(store, ann), Answers(pin=PIN), "phone")
    second = pairing.pair(store, _code(store, ann), Answers(pin=PIN), "phone", first.secret)
    with store.reading() as db:
        assert sessions.find(db, first.secret) is None
        assert sessions.find(db, second.secret) is not None


def test_a_code_for_a_forgotten_pin_sets_a_new_one(store, ann: str):
    code = _code(store, ann, True)
    assert _asks(store, code) == ("new_pin",)
    with pytest.raises(NotAcceptedError):
        pairing.pair(store, code, Answers(pin="1111"), "phone")  # and does not use it up
    pairing.pair(store, code, Answers(pin="2591"), "phone")
    people.check_pin(store, ann, "2591")


def test_wrong_pins_count_across_codes(store, ann: str):
    for _ in range(people.FREE_ATTEMPTS):
        with pytest.raises(NotAllowedError):
            pairing.pair(store, _code(store), Answers(person_id=ann, pin="0852"), "phone")
    with pytest.raises(TooOftenError):
        pairing.pair(store, _code(store), Answers(person_id=ann, pin=PIN), "phone")


def test_a_code_pairs_once(store, ann: str):
    code = _code(store, ann)
    pairing.pair(store, code, Answers(pin=PIN), "phone")
    with pytest.raises(NotAllowedError, match="fresh"):
        pairing.pair(store, code, Answers(pin=PIN), "phone")


def test_of_many_phones_with_one_code_one_is_paired(store, ann: str):
    code = _code(store, ann, True)

    def scan(n: int) -> bool:
        try:
            pairing.pair(store, code, Answers(pin=f"25{n}8"), f"phone {n}")
        except NotAllowedError:
            return False
        return True

    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(scan, range(10, 18))).count(True) == 1
    with store.reading() as db:
        assert len(list(db.scalars(select(Session)))) == 1


@pytest.mark.parametrize(("age", "is_good"), [(9.9, True), (10.1, False), (-0.1, False), (10**5, False)])
def test_a_code_is_good_for_ten_minutes(store, ann: str, age: float, is_good: bool):
    code = _code(store, ann)
    _shift(store, timedelta(minutes=age))
    if is_good:
        pairing.pair(store, code, Answers(pin=PIN), "phone")
        return
    with pytest.raises(NotAllowedError):
        pairing.pair(store, code, Answers(pin=PIN), "phone")


def test_typed_by_hand_a_code_may_be_small_and_without_its_dash(store, ann: str):
    code = _code(store, ann)
    assert _asks(store, f" {code.lower().replace('-', ' ')} ") == ("pin",)


@pytest.mark.parametrize("code", ["", "-", "AAAAA-AAAAA", "ß" * 10])
def test_a_code_that_was_never_given_is_refused(store, ann: str, code: str):
    with pytest.raises(NotAllowedError):
        pairing.pair(store, code, Answers(pin=PIN), "phone")


def test_the_store_keeps_no_code_and_no_session_secret(store, ann: str):
    code = _code(store, ann)
    opened = pairing.pair(store, code, Answers(pin=PIN), "phone")
    with store.reading() as db:
        kept = [str(vars(row)) for table in (Pairing, Session, Person) for row in db.scalars(select(table))]
    for secret in (code, code.replace("-", ""), opened.secret, opened.form_token, PIN):
        assert not [row for row in kept if secret in row and secret != PIN]
    assert not [row for row in kept if f"'{PIN}'" in row]


def test_codes_of_a_withdrawn_person_are_void(store, ann: str):
    code = _code(store, ann, True)
    with store.writing() as db:
        db.execute(update(Person).values(role="technician"))
        people.withdraw(db, ann)
    with pytest.raises(NotAllowedError):
        pairing.pair(store, code, Answers(pin="2591"), "phone")
