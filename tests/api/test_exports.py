"""An exported visit: the shared formats, the very bytes that were hashed, and rounds that compute again."""

import hashlib
import io
import json
import zipfile

import pytest
from sqlalchemy import select

from api.problems import ConflictError
from api.records import chain, removal
from api.records.exports import signed_visits, write_visits
from api.records.signing import entry_of, sign
from api.store import open_store
from api.tables import Arrival, Measured, Round
from calib_data.photoset import read_photo_set
from calib_data.published import FILES
from calib_data.record import ChainFile
from tests.api.signed import PIN, add_visit
from tools.cli import run


@pytest.fixture
def store(signed):
    return signed.store


def _zip(store, *visit_ids) -> zipfile.ZipFile:
    data = io.BytesIO()
    with store.reading() as db:
        write_visits(db, store, visit_ids, data)
    return zipfile.ZipFile(data)


@pytest.fixture(scope="module")
def exported(_signed_once):
    """The first visit's zip."""
    opened = open_store(_signed_once.store.folder)
    yield _zip(opened, _signed_once.visit_ids[0])
    opened.close()


def test_a_visit_is_exported_in_the_shared_formats(exported):
    names = set(exported.namelist())
    rounds = {f"round-{n}/{name}" for n in (1, 2) for name in ("set.json", "kit.json", "placement-1.json")}
    assert {"record.json", "record.pdf", "chain.json", "VERIFY.txt", "refused/late0.jpg"} | rounds <= names
    assert {f"round-{n}/p0{i}.jpg" for n in (1, 2) for i in range(1, 7)} <= names
    for name in names:
        if name.endswith(".json"):
            value = json.loads(exported.read(name))
            FILES[value["format"].split(".")[1].split("/")[0]].model_validate(value)


def test_the_record_is_the_very_bytes_that_the_chain_hashed(signed, store, exported):
    told = ChainFile.model_validate_json(exported.read("chain.json"))
    assert hashlib.sha256(exported.read("record.json")).hexdigest() == told.links[0].body_sha256
    assert [link.file for link in told.links] == ["record.json", None]
    assert told.head == signed.heads[1]  # the chain's, not only the record's
    # As VERIFY.txt tells: links are checked with a hash program alone.
    previous = "0" * 64
    for link in told.links:
        previous = hashlib.sha256((previous + link.body_sha256).encode()).hexdigest()
        assert previous == link.sha256


def test_another_visits_record_is_not_in_the_zip_of_one(signed, store, exported):
    with store.reading() as db:
        other = entry_of(db, signed.visit_ids[1]).body
    assert other not in {exported.read(name) for name in exported.namelist()}


def test_photos_are_stored_byte_for_byte(store, exported):
    record = json.loads(exported.read("record.json"))
    for photo in record["photos"]:
        folder = f"round-{photo['round']}" if photo["round"] else "refused"
        assert hashlib.sha256(exported.read(f"{folder}/{photo['name']}")).hexdigest() == photo["sha256"]


def test_the_same_visit_gives_the_same_zip(signed, store):
    first, again = (_zip(store, signed.visit_ids[0]).fp.getvalue() for _ in range(2))
    assert first == again


def _values(result):
    return {
        key: (entry["value"], entry["u"])
        for key, entry in result["placements"][0]["values"].items()
        if entry["value"] is not None
    }


@pytest.mark.parametrize("number", [1, 2])
def test_a_round_computes_again_from_its_folder_within_a_millionth_of_u(exported, tmp_path, number):
    exported.extractall(tmp_path / "out")
    record = json.loads(exported.read("record.json"))
    before = record["rounds"][number - 1]["result"]
    folder, result = tmp_path / "out" / f"round-{number}", tmp_path / "result.json"
    status = run(["measure", str(folder), "--observations", "--json", str(result), "--quiet"])
    assert status == {"conforming": 0, "nonconforming": 1}[before["decision"]]
    again = json.loads(result.read_text(encoding="utf-8"))
    for key, (value, u) in _values(before).items():
        assert _values(again)[key] == pytest.approx((value, u), abs=1e-6 * u)


def test_a_removed_photo_is_not_in_the_zip_and_the_round_still_computes(signed, store, tmp_path):
    with store.writing() as db:
        of_visit = select(Arrival).where(Arrival.visit_id == signed.visit_ids[0]).order_by(Arrival.seq)
        photo = db.scalars(of_visit).first()
        name = photo.name
        removal.write(db, store.id, signed.kim, [photo.id], "a face, by the person's order")
    removal.sweep(store)
    made = _zip(store, signed.visit_ids[0])
    assert f"round-1/{name}" not in made.namelist()
    assert any(entry.startswith("entries/") for entry in made.namelist())
    assert f"round-1/{name}" in made.read("VERIFY.txt").decode()
    made.extractall(tmp_path / "out")
    photo_set = read_photo_set(tmp_path / "out" / "round-1")
    assert name in {photo.name for photo in photo_set.photos}  # it counts, though its file is not there
    result = tmp_path / "result.json"
    run(["measure", str(tmp_path / "out" / "round-1"), "--observations", "--json", str(result), "--quiet"])
    before = json.loads(made.read("record.json"))["rounds"][0]["result"]
    assert _values(json.loads(result.read_text(encoding="utf-8"))) == _values(before)


def test_several_visits_lie_in_folders_of_their_own(signed, store):
    with store.reading() as db:
        assert signed_visits(db, store.id) == list(signed.visit_ids)
    made = _zip(store, *signed.visit_ids)
    told = ChainFile.model_validate_json(made.read("chain.json"))
    files = [link.file for link in told.links]
    assert [name.partition("-")[0] for name in files] == ["visit", "visit"]
    assert all(name in made.namelist() for name in files)


def test_a_visit_that_is_not_signed_is_not_exported(signed, store):
    open_one = add_visit(store, signed.kim)
    with pytest.raises(ConflictError, match="not signed"):
        _zip(store, open_one)


def test_the_pdf_of_the_zip_prints_the_records_head(signed, store, exported):
    with store.reading() as db:
        code = chain.code(entry_of(db, signed.visit_ids[0]).sha256)
    assert code == signed.heads[0]
    assert exported.read("record.pdf").startswith(b"%PDF")


def test_a_round_carries_the_lens_profiles_and_the_distrust_that_it_was_measured_with(signed, store):
    visit_id = add_visit(store, signed.kim)
    file = {"format": "plumbsight.camera/1", "label": "Invented Phone 3"}
    with store.writing() as db:
        for row in db.scalars(select(Measured).join(Round).where(Round.visit_id == visit_id)):
            row.inputs = row.inputs | {
                "cameras": [{"id": "1", "file": file}],
                "distrusted": "It was flagged.",
            }
    sign(store, signed.kim, visit_id, PIN, "")
    made = _zip(store, visit_id)
    told = json.loads(made.read("round-1/set.json"))
    assert (told["cameras"], told["distrusted"]) == (["camera-1.json"], "It was flagged.")
    assert json.loads(made.read("round-1/camera-1.json")) == file


def test_the_record_tells_the_newest_proof_of_the_kit(exported):
    record = json.loads(exported.read("record.json"))
    (proof,) = record["proofs"]
    assert (proof["file"]["verdict"], proof["kit_revision"]) == ("passed", 1)
    assert not record["proof"]["is_flagged"] and record["proof"]["due"]
    assert "passed. It would have shown an error of 1.1 mm" in record["proof"]["says"][0]
    assert proof["by"] in {person["id"] for person in record["people"]}
