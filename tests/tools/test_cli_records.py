"""A store from its command line: exit statuses, words, and nothing overwritten."""

import os

import pytest
from sqlalchemy import select

from api.access import people
from api.photos import photofiles
from api.records import chain
from api.store import open_store
from api.tables import Entry, PhotoFile
from tests.api.signed import PIN, sign_two
from tools.cli import run


@pytest.fixture(scope="module")
def _made(tmp_path_factory):
    made = sign_two(open_store(tmp_path_factory.mktemp("cli") / "store"))
    with made.store.writing() as db:
        people.set_pin(db, made.kim.person_id, people.hash_pin(PIN))
    made.store.close()
    return made


@pytest.fixture
def folder(_made, tmp_path):
    """A store's copy, made by the command itself."""
    assert run(["backup", str(tmp_path / "store"), "--store", str(_made.store.folder)]) == 0
    return tmp_path / "store"


def test_a_sound_store_is_status_0_and_a_head_is_found(_made, folder, capsys):
    assert run(["verify", str(folder), "--head", _made.heads[0]]) == 0
    out = capsys.readouterr().out
    assert (
        f"Head {_made.heads[0]}: entry 1" in out and "14 intact" in out and "All is as it was written." in out
    )
    assert run(["verify", str(folder)]) == 0
    assert "Without --head" in capsys.readouterr().out


def test_a_fault_is_status_1_and_a_mistyped_head_65(_made, folder, capsys):
    assert run(["verify", str(folder), "--head", chain.code("0" * 64), "--no-photos"]) == 1
    assert "FAULT: No chain here passes through" in capsys.readouterr().out
    assert run(["verify", str(folder), "--head", "0" * 27 + "1"]) == 65
    assert "mistyped" in capsys.readouterr().err


def test_what_is_no_store_is_status_64(tmp_path, capsys):
    for words in (
        ["verify", str(tmp_path)],
        ["export", str(tmp_path / "x.zip"), "--store", str(tmp_path)],
        ["retention", "--store", str(tmp_path)],
        ["backup", str(tmp_path / "copy"), "--store", str(tmp_path)],
        ["restore", str(tmp_path), "--store", str(tmp_path / "new")],
    ):
        assert run(words) == 64, words
        assert "no store" in capsys.readouterr().err
    assert os.listdir(tmp_path) == []


def test_export_and_import_bring_a_visit_to_another_store(_made, folder, tmp_path, capsys):
    open_store(tmp_path / "shop").close()
    zip_path = tmp_path / "one.zip"
    assert run(["export", str(zip_path), "--store", str(folder), "--visit", "2"]) == 0
    assert "1 visits written" in capsys.readouterr().out
    assert run(["import", str(zip_path), "--store", str(tmp_path / "shop")]) == 0
    assert "1 visits taken in" in capsys.readouterr().out
    assert run(["import", str(zip_path), "--store", str(tmp_path / "shop")]) == 0
    assert "here already" in capsys.readouterr().out
    assert run(["verify", str(tmp_path / "shop"), "--head", _made.heads[1]]) == 0
    assert run(["export", str(zip_path), "--store", str(folder)]) == 64  # nothing is overwritten
    assert run(["export", str(tmp_path / "no.zip"), "--store", str(folder), "--visit", "9"]) == 64
    assert not (tmp_path / "no.zip").exists()


def test_a_spoilt_zip_is_status_65(folder, tmp_path, capsys):
    (tmp_path / "bad.zip").write_bytes(b"no zip")
    assert run(["import", str(tmp_path / "bad.zip"), "--store", str(folder)]) == 65
    assert "no whole zip" in capsys.readouterr().err


def test_a_copy_is_restored_where_nothing_stands(folder, tmp_path, capsys):
    assert run(["restore", str(folder), "--store", str(tmp_path / "new")]) == 0
    assert run(["verify", str(tmp_path / "new")]) == 0
    capsys.readouterr()
    assert run(["restore", str(folder), "--store", str(tmp_path / "new")]) == 64
    assert "nothing is overwritten" in capsys.readouterr().err


@pytest.fixture
def at_the_keyboard(monkeypatch):
    """`at_the_keyboard(pin)`: what a person types when asked."""
    return lambda pin: monkeypatch.setattr("click.prompt", lambda *_, **__: pin)


def test_retention_removes_only_when_told_by_someone_with_a_pin(
    _made, folder, capsys, monkeypatch, at_the_keyboard
):
    monkeypatch.setattr("tools.cli_records.now", lambda: "2999-01-01T00:00:00.000000Z")
    words = ["retention", "--store", str(folder)]
    assert run(words) == 0 and "no limit" in capsys.readouterr().out
    assert run([*words, "--days", "30"]) == 0
    assert "Visit 1, estate, white" in capsys.readouterr().out
    assert run([*words, "--days", "30", "--remove"]) == 64
    at_the_keyboard("0815-board")
    assert run([*words, "--days", "30", "--remove", "--person", "kim invented"]) == 64
    assert len([p for p in (folder / photofiles.PHOTOS).rglob("*") if p.is_file()]) == 14
    at_the_keyboard(PIN)
    capsys.readouterr()
    assert run([*words, "--days", "30", "--remove", "--person", "kim invented"]) == 0
    assert "14 photo files deleted" in capsys.readouterr().out
    assert run(["verify", str(folder), "--head", _made.heads[1]]) == 0
    assert "14 removed by order" in capsys.readouterr().out
    store = open_store(folder)
    with store.reading() as db:
        assert [e.kind for e in db.scalars(select(Entry).order_by(Entry.seq))][2:] == ["removal", "removal"]
        assert all(file.removed_at for file in db.scalars(select(PhotoFile)))
    store.close()
