"""Copies of a store: whole at one moment, verified, brought back only where nothing stands in the way."""

import shutil
import sqlite3

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import select

from api import databases
from api import store as stores
from api.photos import photofiles
from api.place import Place
from api.problems import ConflictError, NotThereError
from api.records import chain, verify
from api.records.backup import back_up, restore
from api.records.signing import sign
from api.store import DATABASE, migrate, new_id, open_store
from api.tables import Entry, PhotoFile, Setting, Table
from tests.api.signed import PIN, add_visit


@pytest.fixture
def store(signed):
    return signed.store


def _check(folder, heads=()):
    with verify.reading_only(folder) as db:
        return verify.verify(db, folder, heads)


def test_a_copy_is_a_sound_store_made_while_the_store_is_open(signed, store, tmp_path):
    with store.reading() as reading:  # a phone is looking at something
        reading.scalars(select(Entry)).all()
        found = back_up(store.folder, tmp_path / "copy")
    assert found.is_sound and found.photos["intact"] == 14
    assert _check(tmp_path / "copy", signed.heads).is_sound
    assert not (tmp_path / "copy" / photofiles.PREVIEWS).exists()


def test_a_copy_holds_what_was_committed_and_nothing_of_what_was_not(signed, store, tmp_path):
    with store.writing() as db:
        db.add(Setting(name="half", value={"done": 1}))
        db.flush()
        back_up(store.folder, tmp_path / "copy")
    copied = open_store(tmp_path / "copy")
    with copied.reading() as db:
        assert db.get(Setting, "half") is None
    copied.close()


def test_a_copy_of_a_spoilt_store_is_made_and_says_what_is_wrong(store, tmp_path):
    with store.reading() as db:
        sha256 = db.scalars(select(PhotoFile.sha256)).first()
    photofiles.local(store.folder, sha256).write_bytes(b"spoilt")
    found = back_up(store.folder, tmp_path / "copy")
    assert "altered" in found.faults[0]
    with pytest.raises(ConflictError, match="not sound"):
        restore(tmp_path / "copy", tmp_path / "again")
    assert not (tmp_path / "again").exists()


def test_nothing_is_overwritten(store, tmp_path):
    (tmp_path / "copy").mkdir()
    (tmp_path / "copy" / "letter.txt").write_text("keep me")
    with pytest.raises(ConflictError, match="nothing is overwritten"):
        back_up(store.folder, tmp_path / "copy")
    with pytest.raises(ConflictError, match="nothing is overwritten"):
        restore(store.folder, store.folder)
    assert (tmp_path / "copy" / "letter.txt").read_text() == "keep me"


def test_what_is_no_store_is_not_copied_and_not_restored(tmp_path):
    (tmp_path / "empty").mkdir()
    for act in (back_up, restore):
        with pytest.raises(NotThereError, match="no store"):
            act(tmp_path / "empty", tmp_path / "copy")


def test_a_restored_store_is_sound_goes_on_and_its_chain_tells_of_it(signed, store, tmp_path):
    back_up(store.folder, tmp_path / "copy")
    found = restore(tmp_path / "copy", tmp_path / "again")
    assert found.is_sound and found.photos["intact"] == 14
    again = open_store(tmp_path / "again")
    assert again.id == store.id
    with again.reading() as db:
        note = chain.body_of(db.get_one(Entry, (again.id, 3)))
    assert signed.heads[1] in note["says"]
    assert sign(again, signed.kim, add_visit(again, signed.kim), PIN, "").seq == 4
    assert _check(again.folder, signed.heads).is_sound
    again.close()


def test_what_was_signed_after_the_copy_is_missed_by_its_head(signed, store, tmp_path):
    back_up(store.folder, tmp_path / "copy")
    later = sign(store, signed.kim, add_visit(store, signed.kim), PIN, "")
    restore(tmp_path / "copy", tmp_path / "again")
    assert not _check(tmp_path / "again", [chain.code(later.sha256)]).is_sound


def test_a_copy_on_a_disk_that_can_only_be_read_can_be_checked(store, tmp_path):
    back_up(store.folder, tmp_path / "copy")
    assert [path.name for path in (tmp_path / "copy").iterdir() if path.is_file()] == [DATABASE]


def test_a_copy_that_was_broken_off_is_no_copy_and_does_not_stand_in_the_way(store, tmp_path):
    (tmp_path / ".copy.unfinished").mkdir()
    (tmp_path / ".copy.unfinished" / "half").write_text("half")
    assert back_up(store.folder, tmp_path / "copy").is_sound
    assert not (tmp_path / "copy" / "half").exists()


# --- tables of earlier versions -------------------------------------------------------------------


def _states() -> list[str]:
    script = ScriptDirectory.from_config(stores._migrations())
    return [revision.revision for revision in reversed(list(script.walk_revisions()))]


@pytest.mark.parametrize("state", _states())
def test_a_store_of_every_earlier_state_is_brought_up_to_date_with_what_it_holds(tmp_path, state):
    folder = tmp_path / "store"
    folder.mkdir()
    engine = databases.engine_of(Place(folder))
    migrate(engine, state)
    store_id = new_id()
    with engine.begin() as connection:
        connection.exec_driver_sql(
            "INSERT INTO setting (name, value) VALUES ('store_id', ?)", (f'{{"id": "{store_id}"}}',)
        )
    engine.dispose()
    opened = open_store(folder)
    assert opened.id == store_id
    with opened.writing() as db:
        chain.append(db, store_id, "note", None, {"format": "plumbsight.note/1", "says": "went on"})
    with opened.engine.connect() as connection:
        assert not compare_metadata(MigrationContext.configure(connection), Table.metadata)
    opened.close()
    assert _check(folder).is_sound


def test_a_store_of_a_later_version_is_left_alone(signed, store, tmp_path):
    shutil.copytree(store.folder, tmp_path / "later")
    with sqlite3.connect(tmp_path / "later" / DATABASE) as db:
        db.execute("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(ConflictError, match="later version"):
        open_store(tmp_path / "later")
