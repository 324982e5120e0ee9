"""Paired devices."""

from datetime import UTC, datetime, timedelta

import pytest

from api.access import people, sessions
from api.context import Caller
from api.problems import NotAllowedError, NotThereError
from api.tables import Session


@pytest.fixture
def two(store) -> tuple[Caller, Caller, list[sessions.Opened]]:
    """An owner and a technician, each with one device."""
    with store.writing() as db:
        rows = [people.add(db, "O. Example", "owner"), people.add(db, "T. Example", "technician")]
        opened = [sessions.begin(db, row.id, "phone") for row in rows]
    with store.reading() as db:
        owner, technician = (sessions.find(db, one.secret) for one in opened)
    assert owner is not None
    assert technician is not None
    return owner, technician, opened


def _seen_ago(store, session_id: str, time: timedelta) -> None:
    with store.writing() as db:
        row = db.get(Session, session_id)
        row.seen_at = f"{datetime.now(UTC) - time:%Y-%m-%dT%H:%M:%S.%f}Z"


def test_a_device_is_known_by_its_secret_alone(store, two):
    owner, technician, opened = two
    assert (owner.name, owner.role, technician.role) == ("O. Example", "owner", "technician")
    with store.reading() as db:
        for wrong in ("", opened[0].id, opened[0].form_token, opened[0].secret[:-1]):
            assert sessions.find(db, wrong) is None


def test_one_withdraws_ones_own_device_and_not_anothers(store, two):
    owner, technician, opened = two
    with store.writing() as db:
        with pytest.raises(NotThereError):
            sessions.withdraw(db, technician, opened[0].id)
        sessions.withdraw(db, technician, opened[1].id)
        assert sessions.find(db, opened[1].secret) is None
        assert sessions.find(db, opened[0].secret) is not None


def test_an_owner_withdraws_any(store, two):
    owner, _, opened = two
    with store.writing() as db:
        sessions.withdraw(db, owner, opened[1].id)
        assert sessions.find(db, opened[1].secret) is None
        sessions.withdraw(db, owner, opened[1].id)  # again: nothing more happens
        with pytest.raises(NotThereError):
            sessions.withdraw(db, owner, "0" * 32)


def test_one_sees_ones_own_devices_an_owner_all(store, two):
    owner, technician, _ = two
    with store.reading() as db:
        assert {person.name for _, person in sessions.listed(db, owner)} == {"O. Example", "T. Example"}
        assert {person.name for _, person in sessions.listed(db, technician)} == {"T. Example"}


@pytest.mark.parametrize(("days", "is_known"), [(29.9, True), (30.1, False)])
def test_a_device_that_lay_idle_for_a_month_is_paired_anew(store, two, days: float, is_known: bool):
    _, _, opened = two
    _seen_ago(store, opened[1].id, timedelta(days=days))
    with store.reading() as db:
        assert (sessions.find(db, opened[1].secret) is not None) is is_known


@pytest.mark.parametrize(("minutes", "is_written"), [(1, False), (6, True), (-60, True)])
def test_when_a_device_was_seen_is_not_written_at_each_request(store, two, minutes: int, is_written: bool):
    _, _, opened = two
    _seen_ago(store, opened[1].id, timedelta(minutes=minutes))
    with store.reading() as db:
        assert sessions.is_seen_to_be_written(db, opened[1].id) is is_written


def test_a_request_writes_that_the_device_was_seen(client, store, technician):
    device = client("technician")
    with store.reading() as db:
        (newest, _), *_ = sessions.listed(db, technician)
        session_id = newest.id
    _seen_ago(store, session_id, timedelta(days=1))
    assert device.get("/api/me").status_code == 200
    with store.reading() as db:
        assert not sessions.is_seen_to_be_written(db, session_id)


def test_a_form_token_belongs_to_one_session(two):
    _, _, opened = two
    sessions.check_form_token(opened[0].secret, opened[0].form_token)
    for wrong in ("", opened[1].form_token, opened[0].form_token.upper(), "ü"):
        with pytest.raises(NotAllowedError):
            sessions.check_form_token(opened[0].secret, wrong)


@pytest.mark.parametrize(
    ("agent", "words"),
    [
        ("Mozilla/5.0 (iPhone; CPU iPhone OS 18_5 like Mac OS X) AppleWebKit/605.1.15", "iPhone"),
        ("Mozilla/5.0 (Linux; Android 10; K) AppleWebKit/537.36 Chrome/138.0.0.0 Mobile", "Android phone"),
        ("Mozilla/5.0 (Windows NT 10.0; Win64; x64) AppleWebKit/537.36", "Windows computer"),
        ("Mozilla/5.0 (Macintosh; Intel Mac OS X 10_15_7)", "Mac"),
        ("", "Device of unknown kind"),
    ],
)
def test_a_device_is_called_by_what_its_browser_says(agent: str, words: str):
    assert sessions.device_words(agent) == words
