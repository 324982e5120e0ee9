"""Another store's visits: verified, taken in once, chains kept; what is hostile or changed is refused."""

import hashlib
import json
import shutil
import stat
import zipfile
from collections.abc import Callable

import pytest
from sqlalchemy import select

from api.photos import photofiles
from api.problems import ConflictError, NotAcceptedError, ServiceError, TooLargeError
from api.records import chain, removal, verify
from api.records.chain import canonical, link_sha256
from api.records.exports import write_visits
from api.records.imports import take_in
from api.records.signing import sign
from api.store import open_store
from api.tables import Arrival, Entry, Kit, Person, PhotoFile, Visit
from calib_data.record import ImportFile
from tests.api.signed import PIN, add_person, add_visit


@pytest.fixture
def van(signed):
    """The van's store, with two signed visits."""
    return signed


@pytest.fixture
def shop(tmp_path, blank_store):
    """The shop's store."""
    shutil.copytree(blank_store, tmp_path / "shop")
    opened = open_store(tmp_path / "shop")
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def _written() -> dict[tuple[str, ...], bytes]:
    return {}


@pytest.fixture
def export(van, tmp_path, _written) -> Callable:
    """`export(visit ids)`: the zip file that the van writes; `afresh` where its store has changed."""

    def write(*visit_ids, afresh=False):
        path = tmp_path / "export.zip"
        if not afresh and visit_ids in _written:
            path.write_bytes(_written[visit_ids])
            return path
        with van.store.reading() as db, open(path, "wb") as out:
            write_visits(db, van.store, visit_ids, out)
        if not afresh:
            _written[visit_ids] = path.read_bytes()
        return path

    return write


def _check(store, heads=()):
    with verify.reading_only(store.place) as db:
        return verify.verify(db, store.place, heads)


def _entries(store):
    with store.reading() as db:
        return [(e.store_id, e.seq, e.kind, e.body is None) for e in db.scalars(select(Entry))]


# --- taken in -------------------------------------------------------------------------------------


def test_the_vans_visits_come_with_chain_photos_and_all_that_the_record_tells(van, shop, export):
    done = take_in(shop, None, export(*van.visit_ids))
    assert set(done.visit_ids) == set(van.visit_ids)
    assert (done.n_entries, done.n_photos) == (2, 14)  # twelve of both visits' rounds are alike
    found = _check(shop, van.heads)
    assert found.faults == ()
    assert (found.n_records, found.photos["intact"]) == (2, 14)
    assert {one.store_id: one.n_entries for one in found.chains} == {van.store.id: 2, shop.id: 1}


def test_the_import_is_told_in_the_shops_own_chain(van, shop, export):
    kim = add_person(shop)
    take_in(shop, kim, export(*van.visit_ids))
    with shop.reading() as db:
        body = chain.body_of(db.get_one(Entry, (shop.id, 1)))
    ImportFile.model_validate(body)
    assert (body["from_store"], body["name"], sorted(body["visits"])) == (
        van.store.id,
        kim.name,
        sorted(van.visit_ids),
    )


def test_brought_again_a_zip_changes_nothing(van, shop, export):
    path = export(*van.visit_ids)
    take_in(shop, None, path)
    before = _entries(shop)
    done = take_in(shop, None, path)
    assert (done.visit_ids, done.n_entries, done.n_photos) == ((), 0, 0)
    assert _entries(shop) == before


def test_one_visit_comes_with_the_other_links_but_not_their_content(van, shop, export):
    take_in(shop, None, export(van.visit_ids[1]))
    assert (van.store.id, 1, "elsewhere", True) in _entries(shop)
    assert _check(shop, van.heads).faults == ()
    # What comes later fills the gap.
    take_in(shop, None, export(van.visit_ids[0]))
    assert (van.store.id, 1, "record", False) in _entries(shop)
    assert _check(shop, van.heads).faults == ()


def test_a_later_export_continues_the_chain(van, shop, export):
    take_in(shop, None, export(*van.visit_ids))
    third = add_visit(van.store, van.kim)
    sign(van.store, van.kim, third, PIN, "")
    done = take_in(shop, None, export(third, afresh=True))
    assert done.visit_ids == (third,)
    assert _check(shop, van.heads).faults == ()


def test_brought_home_to_the_store_that_signed_it_nothing_changes(van, export):
    done = take_in(van.store, None, export(*van.visit_ids))
    assert (done.visit_ids, done.n_entries, done.n_photos) == ((), 0, 0)


def test_an_imported_visit_is_exported_and_imported_again_with_its_own_chain(van, shop, export, tmp_path):
    take_in(shop, None, export(*van.visit_ids))
    path = tmp_path / "again.zip"
    with shop.reading() as db, open(path, "wb") as out:
        write_visits(db, shop, [van.visit_ids[0]], out)
    third = open_store(tmp_path / "third")
    assert take_in(third, None, path).visit_ids == (van.visit_ids[0],)
    assert _check(third, van.heads[:1]).faults == ()
    third.close()


def test_people_who_come_with_a_visit_cannot_sign_in_and_its_kit_is_not_offered(van, shop, export):
    take_in(shop, None, export(*van.visit_ids))
    with shop.reading() as db:
        assert all(one.withdrawn_at and one.pin_hash is None for one in db.scalars(select(Person)))
        assert all(one.retired_at for one in db.scalars(select(Kit)))


def test_a_removal_travels_and_takes_the_shops_copy_with_it(van, shop, export):
    take_in(shop, None, export(*van.visit_ids))
    with van.store.writing() as db:
        of_visit = select(Arrival).where(Arrival.visit_id == van.visit_ids[0]).order_by(Arrival.seq)
        photo = db.scalars(of_visit).first()
        sha256 = photo.sha256
        removal.write(db, van.store.id, van.kim, [photo.id], "a face, by the person's order")
    removal.sweep(van.store)
    take_in(shop, None, export(van.visit_ids[0], afresh=True))
    assert not photofiles.local(shop.folder, sha256).exists()
    found = _check(shop)
    assert found.faults == () and found.photos["removed"] == 1


def test_a_lost_photo_comes_back_with_the_export_that_has_it(van, shop, export):
    path = export(*van.visit_ids)
    take_in(shop, None, path)
    with shop.reading() as db:
        sha256 = db.scalars(select(PhotoFile.sha256)).first()
    photofiles.local(shop.folder, sha256).unlink()
    assert take_in(shop, None, path).n_photos == 1
    assert _check(shop).faults == ()


def test_what_an_import_brought_and_was_lost_since_is_found(van, shop, export):
    take_in(shop, None, export(*van.visit_ids))
    with shop.writing() as db:
        row = db.get_one(Entry, (van.store.id, 1))
        visit = db.get_one(Visit, row.visit_id)
        row.kind, row.visit_id, row.at, row.body = chain.ELSEWHERE, None, "", None
        visit.signed_at = None
    assert any("it was brought here, and is lost" in fault for fault in _check(shop).faults)


# --- refused: changed -----------------------------------------------------------------------------


def _rewritten(path, change: Callable[[dict[str, bytes]], None]):
    """The zip with its files changed."""
    with zipfile.ZipFile(path) as file:
        files = {name: file.read(name) for name in file.namelist()}
    change(files)
    with zipfile.ZipFile(path, "w") as file:
        for name, data in files.items():
            file.writestr(name, data)
    return path


def _altered_photo(files):
    files["round-1/p01.jpg"] = files["round-1/p01.jpg"] + b"."


def _altered_record(files):
    files["record.json"] = files["record.json"].replace(b'"nonconforming"', b'"conforming"', 1)


def _reformatted_record(files):
    files["record.json"] = json.dumps(json.loads(files["record.json"]), indent=1).encode()


def _missing_photo(files):
    del files["round-2/p03.jpg"]


def _missing_record(files):
    del files["record.json"]


def _no_chain(files):
    del files["chain.json"]


def _links(files, change):
    told = json.loads(files["chain.json"])
    change(told["links"], told)
    files["chain.json"] = json.dumps(told).encode()


def _cut_chain(files):
    _links(files, lambda links, _: links.pop())


def _lost_link(files):
    _links(files, lambda links, _: links.pop(0))


def _swapped_links(files):
    _links(files, lambda links, _: links.reverse())


def _another_store(files):
    _links(files, lambda _, told: told.update(store_id="7" * 32))


def _forged(files, change):
    """A record changed together with all its hashes and the head."""
    record = json.loads(files["record.json"])
    change(record)
    files["record.json"] = canonical(record)
    told = json.loads(files["chain.json"])
    link = told["links"][0]
    link["body_sha256"] = hashlib.sha256(files["record.json"]).hexdigest()
    previous = "0" * 64
    for one in told["links"]:
        previous = one["sha256"] = link_sha256(previous, one["body_sha256"])
    told["head"] = chain.code(previous)
    files["chain.json"] = json.dumps(told).encode()


def _forged_store_of_visit(files):
    _forged(files, lambda record: record["visit"].update(store_id="7" * 32))


def _forged_round(files):
    _forged(files, lambda record: record["photos"][0].update(round=9))


def _forged_name(files):
    _forged(files, lambda record: record["photos"][0].update(name="../../p01.jpg"))


def _forged_person(files):
    _forged(files, lambda record: record["people"].clear())


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (_altered_photo, "it was changed"),
        (_altered_record, "its content was changed"),
        (_reformatted_record, "saved by another program"),
        (_missing_photo, "lacks the photo p03.jpg"),
        (_missing_record, "lacks record.json"),
        (_no_chain, "no export of a visit"),
        (_cut_chain, "it was cut"),
        (_lost_link, "is lost"),
        (_swapped_links, "lost|order"),
        (_another_store, "store_id"),
        (_forged_store_of_visit, "another store"),
        (_forged_round, "rounds that it does not have"),
        (_forged_name, "photos.0.name"),
        (_forged_person, "names what it does not bring"),
    ],
)
def test_a_changed_export_is_refused_whole(van, shop, export, change, says):
    path = _rewritten(export(van.visit_ids[0]), change)
    with pytest.raises(ServiceError, match=says):
        take_in(shop, None, path)
    assert _entries(shop) == []
    with shop.reading() as db:
        assert db.scalars(select(Visit)).all() == []
    assert not list((shop.folder / photofiles.INCOMING).glob("*"))


def test_a_chain_that_parts_from_the_one_known_here_is_refused(van, shop, export):
    take_in(shop, None, export(*van.visit_ids))
    path = _rewritten(
        export(van.visit_ids[0]), lambda files: _forged(files, lambda record: record.update(says="other"))
    )
    with pytest.raises(ConflictError, match="part at entry 1"):
        take_in(shop, None, path)
    assert _check(shop, van.heads).faults == ()


def test_a_store_restored_from_an_older_copy_notices_what_it_lost(van, export):
    path = export(*van.visit_ids)
    with van.store.writing() as db:
        db.delete(db.get_one(Entry, (van.store.id, 2)))
    with pytest.raises(ConflictError, match="restored from an older copy"):
        take_in(van.store, None, path)


# --- refused: hostile -----------------------------------------------------------------------------


def _hostile(path, *infos: tuple[zipfile.ZipInfo, bytes]):
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
        for info, data in infos:
            file.writestr(info, data)
    return path


@pytest.mark.parametrize(
    "name", ["../chain.json", "/etc/x.jpg", "C:\\x.jpg", "round-1/../../x.jpg", "a\nb.jpg"]
)
def test_a_path_that_leads_out_is_refused(shop, tmp_path, name):
    path = _hostile(tmp_path / "z.zip", (zipfile.ZipInfo(name), b"x"))
    with pytest.raises(NotAcceptedError, match="leads out"):
        take_in(shop, None, path)


def test_a_link_is_refused(shop, tmp_path):
    info = zipfile.ZipInfo("round-1/p01.jpg")
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    with pytest.raises(NotAcceptedError, match="is a link"):
        take_in(shop, None, _hostile(tmp_path / "z.zip", (info, b"chain.json")))


def test_a_name_that_stands_twice_is_refused(shop, tmp_path):
    with pytest.warns(UserWarning, match="Duplicate"):
        path = _hostile(
            tmp_path / "z.zip", (zipfile.ZipInfo("chain.json"), b"{}"), (zipfile.ZipInfo("chain.json"), b"{}")
        )
    with pytest.raises(NotAcceptedError, match="twice"):
        take_in(shop, None, path)


def test_a_zip_that_would_unpack_to_too_much_is_refused_before_it_is_unpacked(shop, tmp_path):
    info = zipfile.ZipInfo("p01.jpg")
    info.compress_type = zipfile.ZIP_DEFLATED
    path = _hostile(tmp_path / "z.zip", (info, bytes(3_000_000)))
    assert path.stat().st_size < 10_000
    with pytest.raises(TooLargeError, match="Unpacked"):
        take_in(shop, None, path, most_bytes=2_000_000)


def test_a_zip_that_lies_about_its_sizes_is_refused(shop, tmp_path):
    info = zipfile.ZipInfo("chain.json")
    path = _hostile(tmp_path / "z.zip", (info, b"[" * 5_000))
    data = path.read_bytes()
    path.write_bytes(data.replace((5_000).to_bytes(4, "little"), (50).to_bytes(4, "little")))
    with pytest.raises(NotAcceptedError):
        take_in(shop, None, path)


@pytest.mark.parametrize(
    "text", [b"[" * 60, b"{}", b"null", b'{"format": "plumbsight.chain/1"}', b"\xff\xfe", b'{"a": 1e999}']
)
def test_a_chain_file_that_is_none_is_refused_in_words(shop, tmp_path, text):
    path = _hostile(tmp_path / "z.zip", (zipfile.ZipInfo("chain.json"), text))
    with pytest.raises(NotAcceptedError, match="chain.json"):
        take_in(shop, None, path)


@pytest.mark.parametrize("data", [b"", b"no zip at all", b"PK\x05\x06" + bytes(18)])
def test_what_is_no_zip_is_said_to_be_none(shop, tmp_path, data):
    path = tmp_path / "z.zip"
    path.write_bytes(data)
    with pytest.raises(NotAcceptedError, match="zip"):
        take_in(shop, None, path)


def test_a_zip_cut_off_anywhere_is_refused(van, shop, export):
    path = export(van.visit_ids[0])
    data = path.read_bytes()
    for share in (0.1, 0.5, 0.9, 0.999):
        path.write_bytes(data[: int(len(data) * share)])
        with pytest.raises(NotAcceptedError, match="no whole zip"):
            take_in(shop, None, path)


def test_a_zip_whose_files_begin_before_it_is_refused(van, shop, export):
    """Its list is said to begin 32 bytes later than it does, so all that it lists moves by as much."""
    path = export(van.visit_ids[0])
    data = bytearray(path.read_bytes())
    at = data.rfind(b"PK\x05\x06") + 16
    data[at : at + 4] = (int.from_bytes(data[at : at + 4], "little") + 32).to_bytes(4, "little")
    path.write_bytes(data)
    with pytest.raises(NotAcceptedError, match="no whole zip"):
        take_in(shop, None, path)


def test_no_changed_byte_of_a_zip_is_taken_in_as_something_else(van, shop, export):
    """One byte in 25 places is flipped: the zip is refused, or what was taken in is what was exported."""
    path = export(van.visit_ids[0])
    data = path.read_bytes()
    refused = 0
    for at in range(0, len(data), max(1, len(data) // 25)):
        path.write_bytes(data[:at] + bytes([data[at] ^ 0x20]) + data[at + 1 :])
        try:
            take_in(shop, None, path)
        except ServiceError:
            refused += 1
    assert refused
    assert _check(shop, van.heads[:1] if _entries(shop) else ()).faults == ()


def test_what_is_not_covered_by_the_chain_is_not_read(van, shop, export):
    def change(files):
        files["round-1/set.json"] = b"other"
        files["record.pdf"] = b"other"
        files["notes.txt"] = b"other"

    take_in(shop, None, _rewritten(export(van.visit_ids[0]), change))
    assert _check(shop, van.heads).faults == ()
