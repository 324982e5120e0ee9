"""Whatever is changed, lost or cut off in a store is found, and nothing else is complained of."""

import json
import sqlite3

import pytest
from sqlalchemy import delete, select, update

from api.photos import photofiles
from api.problems import NotAcceptedError, NotThereError
from api.records import chain, removal, verify
from api.store import DATABASE
from api.tables import (
    Arrival,
    Condition,
    Deviation,
    Entry,
    KitRevision,
    Measured,
    Person,
    PhotoFile,
    PlacementRevision,
    Proof,
    Round,
    Visit,
)
from tests.api.signed import add_visit, proof_file


@pytest.fixture
def store(signed):
    return signed.store


@pytest.fixture
def kim(signed):
    return signed.kim


@pytest.fixture
def heads(signed):
    return signed.heads


def _check(store, heads=(), **more):
    with verify.reading_only(store.place) as db:
        return verify.verify(db, store.place, heads, **more)


def test_a_store_that_nobody_touched_is_sound(store, kim, heads):
    add_visit(store, kim)  # one that is not signed yet
    found = _check(store, heads)
    assert found.faults == ()
    assert (found.n_records, found.photos["intact"], found.photos["missing"]) == (2, 15, 0)
    assert [(head.seq, head.n_after) for head in found.heads] == [(1, 1), (2, 0)]
    assert found.chains[0].is_own and found.chains[0].head == heads[1]


@pytest.mark.of_folder
def test_checking_changes_nothing(store, heads):
    before = (store.folder / DATABASE).read_bytes()
    _check(store, heads)
    assert (store.folder / DATABASE).read_bytes() == before


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("kind", "note"),
        ("visit_id", "c" * 32),
        ("at", "2026-03-14T08:00:00.000000Z"),
        ("body_sha256", "1" * 64),
        ("previous_sha256", "2" * 64),
        ("sha256", "3" * 64),
    ],
)
def test_a_changed_field_of_an_entry_is_found(store, heads, column, value):
    with store.writing() as db:
        db.execute(update(Entry).where(Entry.seq == 1).values({column: value}))
    assert not _check(store, heads).is_sound


def test_a_changed_value_in_a_record_is_found(store, heads):
    with store.writing() as db:
        entry = db.get_one(Entry, (store.id, 1))
        record = json.loads(entry.body)
        record["decision"] = "nonconforming"
        entry.body = chain.canonical(record)
    assert any("entry 1: its content was changed" in fault for fault in _check(store).faults)


def test_a_record_rewritten_with_its_hashes_is_found_by_the_next_link_and_by_its_head(store, heads):
    with store.writing() as db:
        entry = db.get_one(Entry, (store.id, 1))
        record = json.loads(entry.body)
        del record["chain"]
        record["signature"]["name"] = "Somebody Else"
        seq2 = db.get_one(Entry, (store.id, 2))
        db.delete(entry)
        db.delete(seq2)
        db.flush()
        made = chain.append(db, store.id, "record", entry.visit_id, record)
        seq2 = Entry(**{c.name: getattr(seq2, c.name) for c in Entry.__table__.columns})
        db.add(seq2)
        assert made.seq == 1
    faults = _check(store, heads[:1]).faults
    assert any("No chain here passes through" in fault for fault in faults)
    assert any("does not follow" in fault for fault in faults)


def test_a_cut_tail_is_found_by_the_head_alone(store, heads):
    with store.writing() as db:
        last = db.get_one(Entry, (store.id, 2))
        db.execute(update(Visit).where(Visit.id == last.visit_id).values(signed_at=None))
        db.delete(last)
    assert _check(store).is_sound  # nothing inside tells
    faults = _check(store, heads).faults
    assert len(faults) == 1 and heads[1] in faults[0]


def test_a_visit_that_was_recorded_twice_is_found(store, heads):
    with store.writing() as db:
        record = chain.body_of(db.get_one(Entry, (store.id, 1)))
        del record["chain"]
        chain.append(db, store.id, "record", record["visit"]["id"], record)
    assert _check(store).faults == ("Entry 3: the visit that it records was recorded before.",)


def test_a_lost_entry_is_found(store, heads):
    with store.writing() as db:
        db.execute(delete(Entry).where(Entry.seq == 1))
    faults = _check(store).faults
    assert any("entry 1 is lost" in fault for fault in faults)
    assert any("its record is lost" in fault for fault in faults)


def test_swapped_entries_are_found(store, heads):
    with store.writing() as db:
        for old, new in ((1, 9), (2, 1), (9, 2)):
            db.execute(update(Entry).where(Entry.seq == old).values(seq=new))
    assert not _check(store).is_sound


def test_a_chain_written_anew_is_sound_to_itself_and_found_by_a_printed_head(store, heads):
    with store.writing() as db:
        entries = list(db.scalars(select(Entry).order_by(Entry.seq)))
        bodies = [(entry.kind, entry.visit_id, json.loads(entry.body)) for entry in entries]
        db.execute(delete(Entry))
        for kind, visit_id, body in bodies:
            chain.append(db, store.id, kind, visit_id, {**body, "covers": "everything"})
    assert _check(store).is_sound
    assert not _check(store, heads[:1]).is_sound


ROWS = [
    (Visit, Visit.bay, "another bay"),
    (Visit, Visit.odometer_km, 1),
    (KitRevision, KitRevision.name, "another kit"),
    (PlacementRevision, PlacementRevision.procedure_edition, "8th"),
    (Condition, Condition.state, "measured"),
    (Deviation, Deviation.says, "nothing"),
    (Round, Round.closed_at, "2026-03-14T08:00:00.000000Z"),
    (Measured, Measured.says, "other"),
    (Arrival, Arrival.name, "other.jpg"),
    (Arrival, Arrival.refused_reason, "other"),
    (PhotoFile, PhotoFile.came_as_sha256, "0" * 64),
    (Proof, Proof.at, "2026-03-14T08:00:00.000000Z"),
    (Proof, Proof.file, proof_file(value=1001.2)),
]


@pytest.mark.parametrize(("table", "column", "value"), ROWS, ids=lambda one: getattr(one, "key", None))
def test_a_row_changed_after_signing_is_found(store, heads, table, column, value):
    with store.writing() as db:
        db.execute(update(table).values({column: value}))
    faults = _check(store, reads_photos=False).faults
    assert any("the tables say something else" in fault for fault in faults)


def test_a_figure_changed_in_a_result_is_found_and_named(store, heads):
    with store.writing() as db:
        row = db.scalars(select(Measured).order_by(Measured.seq)).first()
        result = json.loads(json.dumps(row.result))
        result["placements"][0]["values"]["lateral_mm"]["value"] = 0.0
        row.result = result
    fault = next(iter(_check(store, reads_photos=False).faults))
    assert "rounds[0].result.placements[0].values.lateral_mm.value" in fault


def test_a_person_who_is_renamed_or_gets_another_role_is_no_fault(store, heads):
    with store.writing() as db:
        db.execute(update(Person).values(name="Kim Otherwise", role="technician"))
    assert _check(store).is_sound


# --- photos ---------------------------------------------------------------------------------------


def _photo(store):
    with store.reading() as db:
        return db.scalars(select(PhotoFile.sha256).order_by(PhotoFile.sha256)).first()


@pytest.mark.of_folder
def test_an_altered_photo_is_found(store, heads):
    sha256 = _photo(store)
    path = photofiles.local(store.folder, sha256)
    data = path.read_bytes()
    path.write_bytes(bytes([data[0] ^ 1]) + data[1:])
    found = _check(store)
    assert found.photos["altered"] == 1 and sha256[:12] in found.faults[0]


@pytest.mark.of_folder
def test_a_missing_photo_is_found(store, heads):
    photofiles.local(store.folder, _photo(store)).unlink()
    found = _check(store, reads_photos=False)
    assert found.photos["missing"] == 1 and "missing" in found.faults[0]


def test_a_photo_removed_by_order_is_called_removed(store, kim, heads):
    sha256 = _photo(store)
    with store.writing() as db:
        arrival = db.scalars(select(Arrival).where(Arrival.sha256 == sha256)).first()
        removal.write(db, store.id, kim, [arrival.id], "a face, by the person's order")
    removal.sweep(store)
    found = _check(store, heads)
    assert found.faults == ()
    assert found.photos["removed"] == 1 and found.photos["missing"] == 0


def test_a_photo_marked_as_removed_without_an_entry_is_missing(store, heads):
    sha256 = _photo(store)
    with store.writing() as db:
        marked = {"removed_at": "2026-03-14T08:00:00.000000Z"}
        db.execute(update(PhotoFile).where(PhotoFile.sha256 == sha256).values(**marked))
    photofiles.remove(store, sha256)
    found = _check(store)
    assert found.photos["missing"] == 1 and "no entry says" in found.faults[0]


# --- what is no store -----------------------------------------------------------------------------


def test_a_mistyped_head_is_not_taken_for_a_lost_one(store, heads):
    with pytest.raises(NotAcceptedError, match="mistyped"):
        _check(store, ["0" * 27 + "1"])


def test_what_is_no_store_is_said_to_be_none(tmp_path):
    with pytest.raises(NotThereError, match="no store"), verify.reading_only(tmp_path):
        pass
    (tmp_path / DATABASE).write_bytes(b"something else, long enough to be looked at" * 50)
    with pytest.raises(NotThereError, match="no store"), verify.reading_only(tmp_path):
        pass


@pytest.mark.of_folder
def test_a_store_of_another_version_is_not_judged(store, heads):
    store.close()
    with sqlite3.connect(store.folder / DATABASE) as db:
        db.execute("UPDATE alembic_version SET version_num = '0000'")
    with pytest.raises(NotThereError, match="another version"), verify.reading_only(store.place):
        pass
