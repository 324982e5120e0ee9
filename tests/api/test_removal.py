"""Photos removed by order: the file goes, the entry and what was seen stay."""

import pytest
from sqlalchemy import select

from api.photos import photofiles
from api.problems import ConflictError, NotAcceptedError, NotThereError
from api.records import chain, removal
from api.store import new_id
from api.tables import Arrival, Entry, Measured, PhotoFile
from calib_data.record import RemovalFile
from tests.api.signed import add_visit

WHY = "number plate of another car, asked for by its keeper"


@pytest.fixture
def store(signed):
    return signed.store


@pytest.fixture
def kim(signed):
    return signed.kim


@pytest.fixture
def visit_id(signed):
    return signed.visit_ids[0]


def _first_photo(store, visit_id) -> Arrival:
    with store.reading() as db:
        found = db.scalars(select(Arrival).where(Arrival.visit_id == visit_id).order_by(Arrival.seq)).first()
        db.expunge(found)
    return found


def _remove(store, who, arrival_id, why=WHY):
    with store.writing() as db:
        body = chain.body_of(removal.write(db, store.id, who, [arrival_id], why))
    removal.sweep(store)
    return body


def test_an_entry_says_who_when_and_why_and_the_file_is_gone_with_all_made_from_it(store, kim, visit_id):
    photo = _first_photo(store, visit_id)
    for made in (photofiles.preview(store, photo.sha256), photofiles.drawing(store, photo.sha256, "whole")):
        made.parent.mkdir(parents=True, exist_ok=True)
        made.write_bytes(b"made from it")
    body = _remove(store, kim, photo.id)
    RemovalFile.model_validate(body)
    assert (body["why"], body["name"], body["chain"]["kind"]) == (WHY, kim.name, "removal")
    assert photo.id in body["photos"][0]["arrivals"]
    assert not list(store.folder.rglob(f"{photo.sha256}*"))
    assert not photofiles.files_at(store.place).has(photo.sha256)
    with store.reading() as db:
        assert db.get_one(PhotoFile, photo.sha256).removed_at == body["chain"]["at"]


def test_what_was_seen_in_a_removed_photo_stays(store, kim, visit_id):
    with store.reading() as db:
        before = [row.observations for row in db.scalars(select(Measured).order_by(Measured.seq))]
    _remove(store, kim, _first_photo(store, visit_id).id)
    with store.reading() as db:
        assert [row.observations for row in db.scalars(select(Measured).order_by(Measured.seq))] == before


def test_a_file_that_came_to_two_visits_is_removed_from_both_and_the_entry_names_them(
    signed, store, kim, visit_id
):
    body = _remove(store, kim, _first_photo(store, visit_id).id)  # the stand-ins of a first round are alike
    assert body["photos"][0]["visits"] == sorted(signed.visit_ids)
    assert len(body["photos"][0]["arrivals"]) == 2


def test_a_pulled_plug_between_entry_and_deletion_is_made_good_by_the_next_sweep(store, kim, visit_id):
    photo = _first_photo(store, visit_id)
    with store.writing() as db:
        removal.write(db, store.id, kim, [photo.id], WHY)
    assert photofiles.files_at(store.place).has(photo.sha256)
    assert removal.sweep(store) == 1
    assert removal.sweep(store) == 0
    assert not photofiles.files_at(store.place).has(photo.sha256)


@pytest.mark.parametrize(
    ("which", "why", "error"),
    [("there", "   ", NotAcceptedError), ("nowhere", WHY, NotThereError), ("twice", WHY, ConflictError)],
)
def test_a_removal_without_reason_or_photo_or_a_second_one_is_refused(
    store, kim, visit_id, which, why, error
):
    photo = _first_photo(store, visit_id)
    if which == "twice":
        _remove(store, kim, photo.id)
    with pytest.raises(error):
        _remove(store, kim, new_id() if which == "nowhere" else photo.id, why)
    if which != "twice":
        assert photofiles.files_at(store.place).has(photo.sha256)
        with store.reading() as db:
            assert not db.scalars(select(Entry).where(Entry.kind == "removal")).all()


def test_retention_lists_what_is_older_and_touches_nothing(signed, store, kim):
    add_visit(store, kim)  # not signed: never listed
    with store.reading() as db:
        assert removal.older_than(db, 30, "2026-01-01T00:00:00.000000Z") == []
        old = removal.older_than(db, 30, "2999-01-01T00:00:00.000000Z")
    assert [one.visit_id for one in old] == list(signed.visit_ids)
    assert len(old[0].arrival_ids) == 13 and old[0].n_bytes > 0
    assert len(list(photofiles.files_at(store.place).stored())) > 13


def test_removed_photos_are_listed_no_more(store, kim, visit_id):
    _remove(store, kim, _first_photo(store, visit_id).id)
    with store.reading() as db:
        old = removal.older_than(db, 30, "2999-01-01T00:00:00.000000Z")
    assert len(old[0].arrival_ids) == 12
