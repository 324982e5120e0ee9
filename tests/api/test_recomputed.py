"""A signed visit of photo files: exported, it computes again from its photos and from what was seen."""

import json
import zipfile
from pathlib import Path

from sqlalchemy import func, select

import calib_data
from api.access import people
from api.photos import bench, photofiles, receiving
from api.records import signing
from api.records.exports import write_visits
from api.store import new_id, now
from api.tables import Arrival, PhotoFile
from api.visits import kits, placements, rounds, visits
from calib_data import results
from tests.api.conftest import PROCEDURE
from tests.api.signed import PIN
from tools.cli import run
from tools.recheck.folders import folder_of
from tools.recheck.run import Wanted
from tools.recheck.run import run as recheck

DEMO = Path(calib_data.__file__).parent / "demo"


def _demo(name):
    return json.loads((DEMO / name).read_text(encoding="utf-8"))


def _begin(store, who):
    """A visit with the demo's kit and placement, taken for a shop's own, and its open round."""
    with store.writing() as db:
        kit = kits.add(db, who, _demo("kit.json") | {"name": "trolley"}, "measured")
        placement = placements.add(db, who, _demo("placement.json") | {"name": "board"}, PROCEDURE)
        vehicle = _demo("set.json")["vehicle"] | {"label": "hatchback, grey"}
        wanted = visits.BeginVisit(
            vehicle=vehicle, kit_id=kit.kit_id, placement_ids=[placement.placement_id], confirmed=True
        )
        visit = visits.begin(db, who, wanted)
        return visit.id, rounds.open(db, who, visit.id, "first").id


def _arrive(store, who, visit_id, round_id, path):
    clean = photofiles.incoming(store)
    facts = receiving.receive(path, clean, path.name, False)
    photofiles.files_at(store.place).put(clean, facts.sha256)
    file = {"taken_out": list(facts.taken_out), "n_bytes": facts.n_bytes, "kind": facts.kind}
    file |= {"size_px": list(facts.size_px), "exif": facts.exif, "stored_at": now()}
    with store.writing() as db:
        db.add(PhotoFile(sha256=facts.sha256, came_as_sha256=facts.sha256, **file))
        db.flush()
        seq = (db.scalar(select(func.max(Arrival.seq))) or 0) + 1
        db.add(
            Arrival(
                id=new_id(), seq=seq, visit_id=visit_id, round_id=round_id, sent_to_round_id=round_id,
                sha256=facts.sha256, name=path.name, client_key=new_id(), by=who.person_id, at=now(),
                state="waiting", remarks=[],
            )
        )  # fmt: skip


def _work_off(store):
    """Do what the workers would do."""
    while True:
        with store.reading() as db:
            task = bench.next_task(db, store, frozenset(), 1)
        if task is None:
            return
        outcome = task.function(*task.args)
        with store.writing() as db:
            task.write(db, outcome)


def _values(result):
    return {
        key: entry for key, entry in result["placements"][0]["values"].items() if entry["value"] is not None
    }


def _signed_demo(store, reviewer):
    """The demo's photos as a signed visit; its id."""
    with store.writing() as db:
        people.set_pin(db, reviewer.person_id, people.hash_pin(PIN))
    visit_id, round_id = _begin(store, reviewer)
    for path in sorted(DEMO.glob("p*.jpg")):
        _arrive(store, reviewer, visit_id, round_id, path)
    with store.writing() as db:
        rounds.close(db, reviewer, round_id)
    _work_off(store)
    signing.sign(store, reviewer, visit_id, PIN, "")
    return visit_id


def test_a_signed_round_computes_again_from_photos_and_from_observations(store, reviewer, tmp_path):
    visit_id = _signed_demo(store, reviewer)
    with store.reading() as db, open(tmp_path / "visit.zip", "wb") as out:
        write_visits(db, store, [visit_id], out)
    with zipfile.ZipFile(tmp_path / "visit.zip") as file:
        file.extractall(tmp_path / "visit")
        before = json.loads(file.read("record.json"))["rounds"][0]["result"]
    for words, share_of_u in (((), 0.05), (("--observations",), 1e-6)):
        out_path = tmp_path / "result.json"
        run(["measure", str(tmp_path / "visit" / "round-1"), "--json", str(out_path), "--quiet", *words])
        again = _values(json.loads(out_path.read_text(encoding="utf-8")))
        for key, entry in _values(before).items():
            off = abs(again[key]["value"] - entry["value"]) / entry["u"]
            print(f"{' '.join(words) or 'photos'}: {key} off by {off:.2g} u")
            assert off <= share_of_u, key

    recheck_says_of(store.folder, tmp_path / "results.sqlite", "agrees", 0.05)
    _alter(store, "p03.jpg")
    recheck_says_of(store.folder, tmp_path / "results.sqlite", "photo_altered", 0.05)


def _alter(store, name):
    with store.reading() as db:
        sha256 = db.scalar(select(Arrival.sha256).where(Arrival.name == name))
    path = store.folder / "photos" / sha256[:2] / sha256
    path.write_bytes(path.read_bytes() + b"x")


def recheck_says_of(folder, out, outcome, share_of_u):
    """A re-check from photos, of whose only round this must come."""
    summary = recheck(Wanted(folder_of(str(folder)), out, "photos", 0))
    assert (summary.n_measured, summary.outcomes) == (1, {outcome: 1})
    with results.reading(out) as db:
        row = db.scalars(select(results.Round)).one()
        assert abs(row.largest_off_u) <= share_of_u and row.n_photos == 8
        assert outcome == "agrees" or "p03.jpg was altered" in row.says
