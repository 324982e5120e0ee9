"""A study: a set-up photographed by several people, which decides nothing wherever it goes."""

import io

import pypdfium2
import pytest
from sqlalchemy import select, update

from api.records import chain, imports, recording, verify
from api.records.exports import write_visits
from api.records.signing import draft, sign
from api.review.taking_away import needed
from api.store import open_store
from api.tables import Arrival, Round, Study
from api.visits import rounds, studies, visits
from api.visits.studies import StudySaid
from tests.api.signed import PIN, add_person, add_visit
from tools.recheck.listing import archive_of
from tools.recheck.of_record import of_study
from tools.recheck.run import Wanted, run

SAID = StudySaid("people, spring", "board at 2.5 m", ["phone", "person"])
NO_PROOF = "no proof of a job"


def _open(store, caller, visit, kind="repeat"):
    with store.writing() as db:
        return rounds.open(db, caller, visit.id, kind).id


def test_each_round_says_who_took_it_and_none_is_anything_but_a_repeat(bay, caller, store, client):
    visit = bay.begin(study=SAID)
    for role in ("technician", "reviewer", "technician"):
        round_id = _open(store, caller(role), visit)
        page = client("owner").get(f"/rounds/{round_id}").text
        assert f"taken by {caller(role).name}" in page and NO_PROOF in page
        with store.writing() as db:
            rounds.close(db, caller(role), round_id)
    view = bay.summary(visit)
    assert [one.opened_by for one in view.rounds] == ["T. Example", "R. Example", "T. Example"]
    assert view.next_kinds == ["repeat"] and view.study.varies == ["person", "phone"]
    answer = client("technician").post(f"/api/visits/{visit.id}/rounds", json={"kind": "first"})
    assert answer.status_code == 409 and "every round is a repeat" in answer.json()["detail"]
    page = client("reviewer").get(f"/visits/{visit.id}").text
    assert "Study people, spring" in page and "taken by R. Example</dt><dd>1 round" in page
    assert "Take the next round" in page and "Check the clamps" not in page
    (line,) = client("technician").get("/api/visits").json()
    assert (line["study"], line["decision"]) == ("people, spring", None)


def test_a_job_has_no_repeats(bay, store, technician):
    visit = bay.begin()
    assert bay.summary(visit).study is None
    with pytest.raises(Exception, match="Begin a study for them"):
        _open(store, technician, visit)


def test_a_study_is_begun_on_a_page_and_goes_on_with_the_same_names(bay, client):
    technician = client("technician")
    assert 'href="/visits/new?study=true"' in technician.get("/visits").text
    body = {
        "vehicle": bay.vehicle, "kit_id": bay.kit.kit_id, "placement_ids": [bay.placement.placement_id],
        "study": {"name": " people,  spring ", "set_up": "near", "varies": ["shop"]},
    }  # fmt: skip
    first = technician.post("/api/visits", json=body).json()
    assert first["study"]["name"] == "people, spring"
    page = technician.get(f"/visits/new?study=true&of={first['id']}").text
    assert 'value="people, spring" list' in page and 'value="shop" data-many' in page
    second = technician.post("/api/visits", json=body | {"study": body["study"] | {"set_up": "far"}}).json()
    assert second["study"]["others"] == [[first["id"], first["number"], "near"]]


@pytest.mark.parametrize(
    ("wrong", "where"),
    [
        ({"name": " "}, "study.name"),
        ({"set_up": "x" * 201}, "study.set_up"),
        ({"varies": ["bay"]}, "study.varies"),
    ],
)  # fmt: skip
def test_what_a_study_lacks_is_told_at_its_field(bay, client, wrong, where):
    study = {"name": "people", "set_up": "near", "varies": ["person"]} | wrong
    body = {"vehicle": bay.vehicle, "kit_id": bay.kit.kit_id, "placement_ids": [bay.placement.placement_id]}
    answer = client("technician").post("/api/visits", json=body | {"study": study})
    assert answer.status_code == 422
    assert [one["where"].removeprefix("body.") for one in answer.json()["errors"]] == [where]


# --- signed, taken elsewhere, measured again ------------------------------------------------------


@pytest.fixture
def signed_study(store):
    """A study's visit with a round each of two people, both of which conform; signed."""
    kim, ida = add_person(store), add_person(store, "Ida Invented", "technician")
    visit_id = add_visit(store, kim, left_mm=(0.0, 0.0), n_refused=0)
    with store.writing() as db:
        studies.mark(db, visit_id, SAID)
        db.execute(update(Round).values(kind="repeat"))
        second = db.scalars(select(Round.id).where(Round.number == 2)).one()
        db.execute(update(Round).where(Round.id == second).values(opened_by=ida.person_id))
        db.execute(update(Arrival).where(Arrival.round_id == second).values(by=ida.person_id))
    with store.reading() as db:
        assert NO_PROOF in draft(db, visit_id)["says"]
    entry = sign(store, kim, visit_id, PIN, "All was left as it stood.")
    return kim, ida, visit_id, chain.body_of(entry)


def test_its_record_decides_nothing_and_travels_and_a_change_of_it_is_found(signed_study, store, tmp_path):
    _, _, visit_id, record = signed_study
    assert record["decision"] == "none" and record["says"] == f"{recording.STUDY}: 2 rounds of board at 2.5 m"
    assert [one["result"]["decision"] for one in record["rounds"]] == ["conforming"] * 2
    out = io.BytesIO()
    with store.reading() as db:
        write_visits(db, store, [visit_id], out)
    (tmp_path / "study.zip").write_bytes(out.getvalue())
    other = open_store(tmp_path / "other")
    imports.take_in(other, None, tmp_path / "study.zip")
    with other.reading() as db:
        assert visits.summary(db, visit_id).study.set_up == "board at 2.5 m"
        assert verify.verify(db, other.place).is_sound
    with other.writing() as db:
        db.execute(update(Study).values(set_up="another"))
    with other.reading() as db:
        assert any("study.set_up" in fault for fault in verify.verify(db, other.place).faults)
        db.rollback()
    with other.writing() as db:
        db.delete(db.get_one(Study, visit_id))
    with other.reading() as db:
        assert any(", study:" in fault for fault in verify.verify(db, other.place).faults)
    other.close()


def test_on_paper_it_is_a_study_on_every_page_and_no_decision(signed_study, client):
    _, _, visit_id, _ = signed_study
    pdf = client("owner").get(f"/api/visits/{visit_id}/record.pdf")
    pages = pypdfium2.PdfDocument(pdf.content)
    texts = [pages[i].get_textpage().get_text_range() for i in range(len(pages))]
    assert all("STUDY" in text and NO_PROOF in text for text in texts)
    assert not any("conforming" in text.split("How it was decided")[0] for text in texts)
    page = client("owner").get(f"/records/{visit_id}").text
    assert NO_PROOF in page and "conforming" not in page
    first, second = (one["id"] for one in client("owner").get(f"/api/visits/{visit_id}").json()["rounds"])
    for address in (f"/rounds/{second}/result", f"/visits/{visit_id}/compare?a={first}&b={second}"):
        page = client("owner").get(address).text
        assert NO_PROOF in page and "Distance" in page
        assert not any(word in page for word in ("conforming", "undecided", " · required", 'class="strip"'))


def test_measured_again_each_round_has_its_study_and_who_took_it_or_nobody(signed_study, store, tmp_path):
    kim, ida, _, record = signed_study
    path = tmp_path / "results.sqlite"
    run(
        Wanted(
            archive_of(store.place.database or str(store.folder), store.place.photos), path, "observations", 0
        )
    )
    frame = needed("calib_data.review.reading").read_study(path, SAID.name)
    assert set(frame["person"]) == {kim.person_id, ida.person_id} and set(frame["shop"]) == {store.id}
    assert set(frame["phone"]) == {"Invented Phone 3"} or frame["phone"].notna().all()
    assert b"Ida Invented" not in path.read_bytes()
    # Photos of two people, as they may come from elsewhere: nobody took that round.
    first = record["rounds"][0]
    assert of_study(record, first)["by"] == kim.person_id
    record["photos"][0]["by"] = ida.person_id
    assert of_study(record, first)["by"] is None
    assert of_study(record | {"study": None}, first) == {}
