"""An archive with planted faults measured again: each is found and named, and nothing else is."""

import csv
import hashlib
import json
import re
import shutil
import sys
import zipfile
from functools import cache
from pathlib import Path

import fsspec
import pyarrow.parquet as pq
import pytest
from sqlalchemy import select, text, update

from api.photos.work import unpack
from api.records import chain, removal, signing
from api.records.exports import write_visits
from api.store import open_store
from api.tables import Arrival, Entry, KitRevision, Measured, Round, Upkeep, Visit
from api.visits import studies
from api.visits.studies import StudySaid
from calib_data import results
from calib_data.layouts import load_layouts
from calib_data.observations import ObservationsFile, from_observations
from calib_data.photoset import photo_set_of
from calib_data.recheck import OUTCOMES
from calib_data.result import to_result
from tests.api.signed import add_person, add_shift, add_visit, measured
from tools.cli import run as plumbsight
from tools.recheck import again
from tools.recheck.folders import folder_of
from tools.recheck.listing import archive_of
from tools.recheck.run import Wanted, run
from tools.recheck.software import software
from vision.errors import InputFileError
from vision.measure import measure_found


@pytest.fixture(autouse=True, scope="module")
def _measured_once():
    """The planted rounds have the same photos, so what measuring gives is kept by their hashes."""

    @cache
    def once(key):
        return measure_found(*asked[key][0], **asked[key][1])

    asked = {}

    def remembered(found, *more, **named):
        key = (named["distrusted"], *((photo.sha256, len(photo.predicted)) for photo in found))
        asked.setdefault(key, ((found, *more), named))
        return once(key)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(again, "measure_found", remembered)
        yield


def snapshot(folder: Path) -> dict[str, tuple[str, int]]:
    """Every file of a tree with its hash and time of change, and every folder."""
    return {
        str(path.relative_to(folder)): (
            hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "",
            path.stat().st_mtime_ns,
        )
        for path in folder.rglob("*")
    }


def rows(out: Path) -> dict[tuple[str, int], results.Round]:
    with results.reading(out) as db:
        found = list(db.scalars(select(results.Round)))
        db.expunge_all()
    return {(row.set_id, row.number): row for row in found}


def recheck(archive, out, **more):
    more = {"mode": "observations", "n_workers": 0} | more
    return run(Wanted(folder_of(str(archive)), out, **more))


# --- an archive with one of everything ------------------------------------------------------------


def _change(store, visit_id, **columns):
    """Change what the tables say of a visit's last measuring, before it is signed."""
    with store.writing() as db:
        of_visit = select(Round.id).where(Round.visit_id == visit_id)
        row = db.scalars(
            select(Measured).where(Measured.round_id.in_(of_visit)).order_by(Measured.seq)
        ).all()[-1]
        for key, value in columns.items():
            setattr(row, key, value)


def _result(**figures):
    """The result of a first round, with other figures of its distance."""
    result = json.loads(json.dumps(measured(0.0, 1)[1]))
    distance = result["placements"][0]["values"]["distance_mm"]
    for key, figure in figures.items():
        distance[key] = figure(distance) if callable(figure) else figure
    return result


def _decided_otherwise():
    return _result(decision="nonconforming") | {"decision": "nonconforming"}


def _distrust(store, visit_id):
    """Measure the visit's round with a kit against which something is known, before it is signed."""
    with store.reading() as db:
        row = db.scalars(select(Measured).join(Round).where(Round.visit_id == visit_id)).one()
        inputs, found = row.inputs, from_observations(ObservationsFile(**unpack(row.observations)))
    says = "A proof flagged this kit."
    files = [placement["file"] for placement in inputs["placements"]]
    given = photo_set_of("a visit", inputs["kit"]["file"], inputs["vehicle"], files, distrusted=says)
    parts = (given.kit, given.vehicle, given.placements, load_layouts())
    m = measure_found(found, *parts, distrusted=says)
    _change(store, visit_id, inputs=inputs | {"distrusted": says}, result=to_result(m, given, found))


def _sign(store, caller, visit_id):
    with store.writing() as db:
        signing.write(db, store.id, caller, visit_id, "")


def _in_tables(store, statement, **values):
    """What no function of the service would do."""
    with store.engine.begin() as connection:
        connection.execute(text(statement), values)


@pytest.fixture(scope="module")
def planted(tmp_path_factory):
    """A store, and what each visit was made to be."""
    store = open_store(tmp_path_factory.mktemp("planted") / "store")
    kim = add_person(store)
    made = {}

    def visit(name, left_mm=(0.0,), signs=True, **columns):
        made[name] = add_visit(store, kim, left_mm=left_mm, n_refused=0)
        if columns:
            _change(store, made[name], **columns)
        if signs:
            _sign(store, kim, made[name])

    visit("agrees")
    visit("differs", result=_result(value=lambda distance: distance["value"] + 0.3 * distance["u"]))
    visit("decision_changed", result=_decided_otherwise())
    visit("photos", left_mm=(0.0, 0.0, 0.0, 0.0))
    visit("record_broken")
    visit("kit_changed")
    visit("later_revision")
    visit("not_measured", observations=None)
    none = {"result": None, "observations": None, "state": "not_enough", "says": "Too few photos."}
    visit("not_measurable", left_mm=(0.0, 0.0), **none)
    visit("distrusted", signs=False)
    _distrust(store, made["distrusted"])
    _sign(store, kim, made["distrusted"])
    visit("shifted", left_mm=(0.0, 0.0), signs=False)
    add_shift(store, kim, made["shifted"], 0.0)
    _sign(store, kim, made["shifted"])
    visit("study", signs=False, result=_decided_otherwise())
    with store.writing() as db:
        studies.mark(db, made["study"], StudySaid("people", "board", ["person"]))
        db.execute(update(Round).where(Round.visit_id == made["study"]).values(kind="repeat"))
    _sign(store, kim, made["study"])
    visit("lost")
    visit("not_signed", signs=False)
    visit("upkeep", signs=False)

    with store.reading() as db:
        photos = {
            number: (arrival, sha256)
            for number, arrival, sha256 in db.execute(
                select(Round.number, Arrival.id, Arrival.sha256)
                .join(Round, Round.id == Arrival.round_id)
                .where(Arrival.visit_id == made["photos"])
            )
        }
        kits = {name: db.get_one(Visit, visit_id).kit_id for name, visit_id in made.items()}
        broken = db.scalar(select(Entry.seq).where(Entry.visit_id == made["record_broken"]))
    (store.folder / "photos" / photos[3][1][:2] / photos[3][1]).unlink()
    with store.writing() as db:
        db.add(Upkeep(visit_id=made.pop("upkeep"), kind="bar", asked={}))
        removal.write(db, store.id, kim, [photos[4][0]], "The customer asked for it.")
        file = db.get_one(KitRevision, (kits["later_revision"], 1)).file
        more = {"name": "trolley 3", "is_demo": False, "says": "measured anew", "by": kim.person_id}
        db.add(KitRevision(kit_id=kits["later_revision"], revision=2, file=file, at="2026", **more))
    removal.sweep(store)
    body = "UPDATE entry SET body = replace(body, :then, :now) WHERE seq = :seq"
    _in_tables(store, body, then=b"Kim Invented", now=b"Kim Intended", seq=broken)
    changed = "UPDATE kit_revision SET file = replace(file, '0.0003', '0.0004') WHERE kit_id = :kit"
    _in_tables(store, changed, kit=kits["kit_changed"])
    _in_tables(store, "DELETE FROM entry WHERE visit_id = :visit", visit=made["lost"])
    store.close()
    return store.folder, made


@pytest.fixture(scope="module")
def checked(planted, tmp_path_factory):
    """The results of measuring the planted store again."""
    folder, _ = planted
    out = tmp_path_factory.mktemp("out") / "results.sqlite"
    before = snapshot(folder)
    summary = recheck(folder, out)
    assert snapshot(folder) == before
    return summary, out


def _findings(out, row):
    with results.reading(out) as db:
        found = db.scalars(select(results.Finding).where(results.Finding.round == row.id))
        return {finding.kind: finding.says for finding in found}


@pytest.mark.parametrize(
    ("visit", "number", "outcome", "says"),
    [
        ("agrees", 1, "agrees", "All values reproduce; the largest difference is 0 u"),
        ("differs", 1, "differs", "distance_mm of board ahead, family A is"),
        ("decision_changed", 1, "decision_changed", "was signed as nonconforming; measured today it is conf"),
        ("photos", 1, "agrees", "All values reproduce"),
        ("photos", 3, "photo_missing", "is missing: its file is gone. What was found in it then took its"),
        ("photos", 4, "photo_removed", "was removed by order. What was found in it then took its place."),
        ("record_broken", 1, "record_broken", "content was changed"),
        ("kit_changed", 1, "kit_changed", "The record's own was used."),
        ("later_revision", 1, "agrees", "All values reproduce"),
        ("not_measured", 1, "not_measured", "then was not kept, so that the round cannot be measured"),
        ("not_measurable", 2, "agrees", "no value to compare"),
        ("lost", 1, "record_broken", "The visit is signed, but its record is lost."),
        ("distrusted", 1, "agrees", "All values reproduce"),
        ("shifted", 2, "agrees", "All values reproduce"),
        ("study", 1, "agrees", "All values reproduce"),  # whatever was decided: it decides nothing
        ("not_signed", 1, "not_signed", "The visit is not signed"),
    ],
)  # fmt: skip
def test_each_fault_is_found_and_named(planted, checked, visit, number, outcome, says):
    row = rows(checked[1])[planted[1][visit], number]
    assert row.outcome == outcome
    assert says in row.says


def test_every_round_has_one_row_and_the_counts_say_so(planted, checked):
    summary, out = checked
    assert summary.n_sets == summary.n_measured == len(planted[1])
    assert sum(summary.outcomes.values()) == len(rows(out)) == len(planted[1]) + 5
    assert set(summary.outcomes) <= set(OUTCOMES)


def test_a_shift_is_computed_again_from_both_rounds(planted, checked):
    row = rows(checked[1])[planted[1]["shifted"], 2]
    with results.reading(checked[1]) as db:
        (shift,) = db.scalars(
            select(results.Value).where(results.Value.round == row.id, results.Value.subject == "shift")
        )
        assert (shift.name, shift.key) == ("to the middle", "lateral_mm")
        assert shift.today == pytest.approx(shift.signed, abs=1e-6 * shift.u_signed)
        assert shift.decision_today == shift.decision_signed == "conforming"


def test_photos_that_are_gone_change_no_value(planted, checked):
    for number in (3, 4):
        row = rows(checked[1])[planted[1]["photos"], number]
        assert abs(row.largest_off_u) <= 1e-6 and row.decision_today == row.decision_signed


def test_a_difference_is_told_in_u_with_its_value(planted, checked):
    row = rows(checked[1])[planted[1]["differs"], 1]
    assert row.largest_off == "distance_mm of board ahead, family A"
    assert row.largest_off_u == pytest.approx(-0.3, abs=1e-5)


def test_a_kit_that_was_distrusted_then_decides_nothing_again(planted, checked):
    row = rows(checked[1])[planted[1]["distrusted"], 1]
    assert row.decision_signed == row.decision_today == "undecided"


def test_a_kit_measured_anew_is_a_note(planted, checked):
    row = rows(checked[1])[planted[1]["later_revision"], 1]
    assert "revision 2 by now; this was revision 1" in _findings(checked[1], row)["later_revision"]


def test_a_row_says_what_statistics_ask_for_and_names_nobody(planted, checked):
    row = rows(checked[1])[planted[1]["agrees"], 1]
    assert (row.visit, row.bay, row.person, row.kit_name, row.kit_revision) == (
        1,
        "bay 2",
        "owner",
        "trolley 3",
        1,
    )
    assert row.n_photos == row.n_photos_used == 6 and row.redundancy > 1000 and 0 < row.rms_px < 1
    assert row.wheelbase_left_mm == pytest.approx(row.wheelbase_mm, abs=4.5 * row.u_wheelbase_mm)
    assert row.is_last and not row.is_copy
    assert b"Kim Invented" not in checked[1].read_bytes()
    with results.reading(checked[1]) as db:
        values = db.scalars(select(results.Value).where(results.Value.round == row.id)).all()
        photos = db.scalars(select(results.Photo).where(results.Photo.round == row.id)).all()
    assert {value.subject for value in values} == {"placement", "vehicle", "sheet", "ruler"}
    assert len(photos) == row.n_photos_used and all(one.worst_rms >= one.rms > 0 for one in photos)
    # All together they are the photos' share of chi-square.
    assert sum(2 * one.n * one.rms**2 for one in photos) == pytest.approx(row.chi2, rel=0.05)
    for one in photos:
        assert sum(plate[1] for plate in one.plates) == one.n
        assert [one.worst_plate, one.worst_rms] == pytest.approx(
            max(one.plates, key=lambda p: p[2])[0:3:2], abs=1e-3
        )


# --- again, elsewhere, stopped --------------------------------------------------------------------


def test_a_second_run_does_nothing_and_a_change_only_its_own_set(planted, checked, tmp_path):
    folder, made = tmp_path / "store", planted[1]
    shutil.copytree(planted[0], folder)
    out = tmp_path / "results.sqlite"
    assert recheck(folder, out).n_measured == len(made)
    assert recheck(folder, out).n_measured == 0
    first = {key: row.run_id for key, row in rows(out).items()}
    _touched(folder, made["agrees"])
    summary = recheck(folder, out)
    assert summary.n_measured == 1 and summary.n_sets == len(made)
    changed = {key[0] for key, row in rows(out).items() if row.run_id != first[key]}
    assert changed == {made["agrees"]}
    assert rows(out)[made["agrees"], 1].outcome == "record_broken"
    assert recheck(folder, out, again=True).n_measured == len(made)


def test_a_visit_recorded_twice_keeps_both_rows_and_the_second_is_broken(planted, tmp_path):
    shutil.copytree(planted[0], tmp_path / "store")
    store = open_store(tmp_path / "store")
    made = planted[1]["agrees"]
    with store.writing() as db:
        first = db.scalars(select(Entry).where(Entry.visit_id == made)).one()
        again_body = {key: value for key, value in json.loads(first.body).items() if key != "chain"}
        chain.append(db, first.store_id, first.kind, made, again_body)
    store.close()
    recheck(tmp_path / "store", tmp_path / "results.sqlite")
    outcomes = {key[0]: row.outcome for key, row in rows(tmp_path / "results.sqlite").items()}
    assert outcomes[made] == "agrees"
    assert [outcome for set_id, outcome in outcomes.items() if set_id.startswith(f"{made}-")] == [
        "record_broken"
    ]


def _touched(folder, visit_id):
    store = open_store(folder)
    statement = "UPDATE entry SET body = replace(body, :then, :now) WHERE visit_id = :visit"
    _in_tables(store, statement, then=b"bay 2", now=b"bay 3", visit=visit_id)
    store.close()


@pytest.mark.parametrize("changed", ["scipy", "code"])
def test_other_software_measures_again(planted, checked, tmp_path, monkeypatch, changed):
    out = shutil.copy(checked[1], tmp_path / "results.sqlite")
    monkeypatch.setattr("tools.recheck.run.software", lambda: software() | {changed: "0.1"})
    assert recheck(planted[0], Path(out)).n_measured == len(planted[1])


class _Pulled(Exception):
    """The plug."""


def test_a_run_that_was_stopped_goes_on(planted, tmp_path):
    out, told = tmp_path / "results.sqlite", []

    def tell(n_sets, _n_all):
        told.append(n_sets)
        if n_sets == 5:
            raise _Pulled

    with pytest.raises(_Pulled):
        run(Wanted(folder_of(str(planted[0])), out, "observations", 0), tell)
    done = set(rows(out))
    assert {key[0] for key in done} and len({key[0] for key in done}) == 5
    summary = recheck(planted[0], out)
    assert summary.n_measured == len(planted[1]) - 5
    assert len(rows(out)) == len(planted[1]) + 5


def test_a_plug_pulled_while_the_tables_are_made_leaves_a_file_to_go_on_with(planted, tmp_path, monkeypatch):
    out = tmp_path / "results.sqlite"
    whole = results.Table.metadata.create_all

    def half(connection):
        whole(connection)
        raise _Pulled

    with monkeypatch.context() as patch:
        patch.setattr(results.Table.metadata, "create_all", half)
        with pytest.raises(_Pulled):
            recheck(planted[0], out)
    assert recheck(planted[0], out).n_measured == len(planted[1])


def test_a_store_at_work_is_read_from_a_copy_and_nothing_beside_it_changes(planted, tmp_path):
    shutil.copytree(planted[0], tmp_path / "store")
    store = open_store(tmp_path / "store")  # keeps its log of writes beside it while it is open
    kim = add_person(store, "Another Invented")
    visit_id = add_visit(store, kim, left_mm=(0.0,), n_refused=0)
    _sign(store, kim, visit_id)
    before = snapshot(store.folder)
    assert before["plumbsight.sqlite-wal"]
    summary = recheck(store.folder, tmp_path / "results.sqlite")
    assert snapshot(store.folder) == before
    assert summary.n_sets == len(planted[1]) + 1
    assert rows(tmp_path / "results.sqlite")[visit_id, 1].outcome == "agrees"
    store.close()


def test_the_results_may_not_lie_in_the_archive(planted, capsys):
    words = ["recheck", str(planted[0]), "--out", str(planted[0] / "results.sqlite")]
    assert plumbsight(words) == 65
    assert "lies in the archive" in capsys.readouterr().err
    assert not (planted[0] / "results.sqlite").exists()


# --- trees, zips, addresses -----------------------------------------------------------------------


@pytest.fixture(scope="module")
def tree(tmp_path_factory):
    """Exports (zipped and unpacked, spoilt and not), a photo set, a broken zip, and photos without a set."""
    top = tmp_path_factory.mktemp("tree")
    store = open_store(top.parent / "to-export")
    kim = add_person(store)
    visits = [add_visit(store, kim, left_mm=(0.0,), n_refused=0) for _ in range(2)]
    removed = _first_photo(store, visits[0])
    for visit_id in visits:
        _sign(store, kim, visit_id)
    (top / "vans" / "2").mkdir(parents=True)
    with store.reading() as db:
        for name, chosen in (("one.zip", visits[:1]), ("two.zip", visits)):
            with open(top / "vans" / "2" / name, "xb") as out:
                write_visits(db, store, chosen, out)
    with store.writing() as db:
        removal.write(db, store.id, kim, [removed], "The customer asked for it.")
    removal.sweep(store)
    with store.reading() as db, open(top / "removed.zip", "xb") as out:
        write_visits(db, store, visits[:1], out)
    store.close()
    with zipfile.ZipFile(top / "vans" / "2" / "one.zip") as file:
        for name in ("unpacked", "kit changed", "record changed", "photo lost"):
            file.extractall(top / name)
    kit = top / "kit changed" / "round-1" / "kit.json"
    kit.write_text(kit.read_text().replace("0.0003", "0.0004"))
    record = top / "record changed" / "record.json"
    record.write_bytes(record.read_bytes().replace(b"Kim Invented", b"Kim Intended"))
    next((top / "photo lost" / "round-1").glob("*.jpg")).unlink()
    shutil.copytree(top / "unpacked" / "round-1", top / "a set")
    (top / "broken.zip").write_bytes(b"PK no zip")
    (top / "loose photos").mkdir()
    (top / "loose photos" / "p1.jpg").write_bytes(b"a photo")
    return top


def _first_photo(store, visit_id):
    with store.reading() as db:
        return db.scalars(select(Arrival.id).where(Arrival.visit_id == visit_id)).first()


OF_TREE = {
    "vans/2/one.zip": "agrees",
    "vans/2/two.zip/visit-1": "agrees",
    "vans/2/two.zip/visit-2": "agrees",
    "removed.zip": "photo_removed",
    "unpacked": "agrees",
    "kit changed": "kit_changed",
    "record changed": "record_broken",
    "photo lost": "photo_missing",
    "a set": "not_signed",
    "broken.zip": "not_measured",
    "loose photos": "not_measured",
}


def _outcomes(out):
    """By place in the archive; an exported visit's slip, which is by chance, left out."""
    told = {set_id: row.outcome for (set_id, _), row in rows(out).items()}
    return {re.sub(r"(/visit-\d+)-.*", r"\1", set_id): outcome for set_id, outcome in told.items()}


def test_a_tree_of_exports_and_sets_is_measured_and_left_as_it_is(tree, tmp_path):
    out, before = tmp_path / "results.sqlite", snapshot(tree)
    assert recheck(tree, out).n_measured == len(OF_TREE)
    assert snapshot(tree) == before
    assert _outcomes(out) == OF_TREE
    assert recheck(tree, out).n_measured == 0


def test_a_visit_that_lies_there_several_times_counts_once(tree, tmp_path):
    out = tmp_path / "results.sqlite"
    recheck(tree, out)
    of_round = {}
    for row in rows(out).values():
        of_round.setdefault(row.round_id, []).append(row.is_copy)
    assert all(copies.count(False) == 1 for copies in of_round.values())
    assert max(len(copies) for copies in of_round.values()) == 7


@pytest.mark.parametrize("protocol", ["memory", "file"])
def test_an_archive_at_an_address_says_the_same(tree, tmp_path, protocol):
    address = f"file://{tree}"
    if protocol == "memory":
        address = "memory://archive"
        fsspec.filesystem("memory").put(str(tree), "/archive", recursive=True)
    assert recheck(address, tmp_path / "results.sqlite").n_sets == len(OF_TREE)
    assert _outcomes(tmp_path / "results.sqlite") == OF_TREE


def test_a_store_in_a_tree_at_an_address_is_found(planted, checked, tmp_path):
    fsspec.filesystem("memory").put(str(planted[0]), "/shops/north", recursive=True)
    out = tmp_path / "results.sqlite"
    assert recheck("memory://shops", out).outcomes == checked[0].outcomes
    assert all(set_id.startswith("north/") for set_id, _ in rows(out))


def test_a_store_whose_photos_lie_elsewhere_says_the_same(planted, checked, tmp_path):
    shutil.copytree(planted[0], tmp_path / "store")
    (tmp_path / "store" / "photos").rename(tmp_path / "bucket")
    archive = archive_of(str(tmp_path / "store"), str(tmp_path / "bucket"))
    summary = run(Wanted(archive, tmp_path / "results.sqlite", "observations", 0))
    assert summary.outcomes == checked[0].outcomes


def test_a_database_without_its_photos_and_photos_without_a_store_are_refused(tree):
    with pytest.raises(InputFileError, match="Name their place too"):
        archive_of("postgresql://plumbsight@127.0.0.1:9/none")
    with pytest.raises(InputFileError, match="is no store"):
        archive_of(str(tree), "s3://photos/x")


def test_what_is_no_archive_is_said(tmp_path, capsys):
    for archive in (tmp_path / "nowhere", "gs://bucket/archive", "nonsense://x"):
        assert plumbsight(["recheck", str(archive), "--out", str(tmp_path / "r.sqlite")]) == 65
    said = capsys.readouterr().err
    assert "is no folder" in said and "cannot be reached" in said and "Protocol not known" in said
    assert not (tmp_path / "r.sqlite").exists()


# --- the command ----------------------------------------------------------------------------------


def test_the_command_tells_counts_and_writes_tables(checked, planted, tmp_path, capsys):
    out = shutil.copy(checked[1], tmp_path / "results.sqlite")
    words = ["recheck", str(planted[0]), "--out", out, "--mode", "observations", "--workers", "1"]
    assert plumbsight([*words, "--parquet", str(tmp_path / "p"), "--csv", str(tmp_path / "c")]) == 1
    said = capsys.readouterr().out
    assert f"{len(planted[1])} sets, 0 of them measured in this run." in said
    assert "1 round   differs" in said and "visit 2, round 1: differs. distance_mm" in said
    table = pq.read_table(tmp_path / "p" / "round.parquet").to_pylist()
    assert {(row["set_id"], row["number"]): row["outcome"] for row in table} == {
        key: row.outcome for key, row in rows(Path(out)).items()
    }
    with open(tmp_path / "c" / "value.csv", encoding="utf-8", newline="") as file:
        values = list(csv.DictReader(file))
    assert len(values) == pq.read_metadata(tmp_path / "p" / "value.parquet").num_rows > 100


def test_without_the_extra_the_command_says_what_to_install(tmp_path, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "fsspec", None)
    for name in [name for name in sys.modules if name.startswith("tools.recheck.")]:
        monkeypatch.delitem(sys.modules, name)
    assert plumbsight(["recheck", str(tmp_path), "--out", str(tmp_path / "r.sqlite")]) == 64
    assert "fsspec is missing" in capsys.readouterr().err


def test_a_file_that_holds_no_results_is_refused(planted, tmp_path, capsys):
    (tmp_path / "photo.jpg").write_bytes(b"no database at all, and certainly no table")
    words = ["recheck", str(planted[0]), "--out", str(tmp_path / "photo.jpg")]
    assert plumbsight(words) == 65
    assert "is no file of results" in capsys.readouterr().err
    assert (tmp_path / "photo.jpg").read_bytes().startswith(b"no database")
