"""The kit's upkeep: proofs, teaching, lenses, through the service's own functions, on simulated photos.

Truth is that of the scenes: the fixture's plates stand as the scene says, so their distance is known.
"""

import datetime
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from sqlalchemy import select

from api.access import shop
from api.problems import ConflictError, NotAcceptedError, NotAllowedError, NotThereError
from api.store import Store
from api.tables import KitRevision, LensProfile, Measured, Proof, Round, Visit
from api.visits import inputs, kits, proofs, results, rounds, upkeep, visits
from api.visits.proofs import months_after
from api.visits.upkeep import BeginUpkeep
from tests.api.upkept import Upkept, arrive, work_off
from tools.mistakes import fixture_moved
from tools.plates_alone import photographed, places_round, prints_of, sheets_about, with_stand_in
from tools.scene import Care
from tools.simulate import observe_scene
from vision.photo import ExifFacts
from vision.sightings import FoundPhoto


@pytest.fixture
def upkept(store: Store, reviewer, technician, kit: KitRevision) -> Upkept:
    return Upkept(store, reviewer, technician, kit.kit_id)


@pytest.fixture
def bar(scene):
    """Two plates of the scene, and the true distance of their centres."""
    plates = [plate for plate in scene.plates if plate.role == "fixture"][:2]
    length_mm = float(np.linalg.norm(plates[0].T_world_plate[:3, 3] - plates[1].T_world_plate[:3, 3]))
    return (plates[0].number, plates[1].number), length_mm


def standing(upkept: Upkept):
    with upkept.store.reading() as db:
        return proofs.standing(db, upkept.kit_id, kits.current(db, upkept.kit_id).revision)


def keep(upkept: Upkept, what: str, verdict: str, group: str = "") -> str:
    """A proof that came out so, as the bench writes it of a bar; the id of its group.

    Args:
        group: An earlier one, whose photos are measured again.
    """
    file = {
        "format": "plumbsight.proof/1", "what": what, "verdict": verdict, "value": 1003.0, "u": 0.3,
        "reference": 1000.0, "u_reference": 0.2, "interval95": [2.0, 4.0], "shows": 1.1, "kit": "van 1",
        "kit_sha256": "0" * 64, "date": "2026-03-14", "says": "", "phones": [], "photos_sha256": [],
    }  # fmt: skip
    if not group:
        one = upkept.begin("bar", {"plates": [30, 31], "length_mm": 1000.0, "u_length_mm": 0.2})
        group = upkept.view(one).groups[0].id
        photo = FoundPhoto("p1.jpg", "", (4032, 3024), ExifFacts(), ())
        arrive(upkept.store, upkept.technician, group, [photo])
    with upkept.store.writing() as db:
        db.get_one(Round, group).closed_by = upkept.technician.person_id
        if what == "slide":
            proofs.add(db, file, upkept.kit_id, 1, [db.get_one(Round, group)])
        else:
            row = results.ask(db, group)
            row.state, row.result = "done", file
            upkeep.after_measuring(db, row)
    return group


def measured_visit(bay, technician, found) -> tuple[Visit, str]:
    """A visit with one measured round."""
    visit = bay.begin()
    one = bay.open(visit)
    arrive(bay.store, technician, one.id, found)
    bay.close(one)
    work_off(bay.store)
    return visit, one.id


def result_of(store: Store, round_id: str) -> dict[str, Any]:
    with store.reading() as db:
        row = results.latest(db, round_id)
        assert row is not None and row.state == "done", row and row.says
        return row.result


# --- who, and what is no visit ------------------------------------------------------------------------


def test_an_owner_or_reviewer_begins_and_a_technician_takes_the_photos(upkept, technician):
    with upkept.store.writing() as db, pytest.raises(NotAllowedError, match="Only an owner or a reviewer"):
        upkeep.begin(db, technician, BeginUpkeep("sheets", upkept.kit_id))
    one = upkept.begin("sheets")
    with upkept.store.writing() as db:
        rounds.close(db, technician, upkept.view(one).groups[0].id)
        assert upkeep.open_group(db, technician, one).number == 2
        with pytest.raises(ConflictError, match="Close the group"):
            upkeep.open_group(db, technician, one)


def test_an_upkeep_is_no_visit(upkept, technician, bay):
    one = upkept.begin("sheets")
    visit = bay.begin()
    with upkept.store.writing() as db:
        assert [line.id for line in visits.listed(db)] == [visit.id]
        assert visit.number == upkept.view(one).number + 1
        assert [v["label"] for v in visits.defaults(db).vehicles] == ["hatchback, grey"]
        for act in (
            lambda: visits.summary(db, one),
            lambda: rounds.open(db, technician, one, "first"),
            lambda: visits.use_kit(db, technician, one, upkept.kit_id, "why"),
        ):
            with pytest.raises(NotThereError, match="upkeep"):
                act()
        with pytest.raises(NotThereError, match="no such upkeep"):
            upkeep.view(db, visit.id)


def test_a_plate_that_the_kit_does_not_have_is_named(upkept):
    with pytest.raises(NotAcceptedError, match="Plate 99 is not in the kit") as wrong:
        upkept.begin("bar", {}, plates={"first_plate": (99,)})
    assert wrong.value.where == "first_plate"


# --- proofs -------------------------------------------------------------------------------------------


def test_a_bar_that_is_met_proves_the_kit(upkept, simulated_found, bar):
    plates, length_mm = bar
    view = upkept.bar(simulated_found(), length_mm, plates)
    (proof,) = view.proofs
    assert (proof.verdict, proof.kit_revision, proof.by) == ("passed", 1, "T. Example")
    assert abs(proof.file["value"] - length_mm) < 3 * proof.file["u"]
    assert sum(proof.file["budget"].values()) == pytest.approx(1, abs=0.001)
    stands = standing(upkept)
    assert stands.flagged is None and not stands.is_due and "passed" in stands.says[0]
    assert view.groups[0].state == "done" and view.next_kind == "photos"


@pytest.mark.study
def test_a_flagged_kit_decides_nothing_until_a_proof_of_the_kind_passes(
    upkept, bay, technician, simulated_found, bar
):
    plates, length_mm = bar
    visit, round_id = measured_visit(bay, technician, simulated_found(2))
    decided = result_of(upkept.store, round_id)["decision"]
    assert decided in ("conforming", "nonconforming")

    upkept.bar(simulated_found(), 1.01 * length_mm, plates)
    flagged = result_of(upkept.store, round_id)  # measured again by itself
    assert flagged["decision"] == "undecided"
    (placement,) = flagged["placements"]
    assert placement["decision"] == "undecided"
    assert all(v["decision"] == "undecided" for v in placement["values"].values() if "nominal" in v)
    assert "flagged by a proof" in placement["says"][0] and "flagged by a proof" in flagged["warnings"][0]
    assert placement["advice"] == []
    # A visit that begins now is no better off, whatever revision of the kit it takes.
    _, later = measured_visit(bay, technician, simulated_found(3))
    assert result_of(upkept.store, later)["decision"] == "undecided"

    upkept.bar(simulated_found(4), length_mm, plates)
    assert result_of(upkept.store, round_id)["decision"] == decided
    assert "flagged" not in result_of(upkept.store, round_id)["warnings"]
    assert standing(upkept).flagged is None


def test_the_flag_of_one_kind_is_not_lifted_by_the_other_nor_by_what_proves_nothing(upkept):
    def add(what: str, verdict: str) -> str:
        keep(upkept, what, verdict)
        with upkept.store.reading() as db:
            return proofs.distrust(db, upkept.kit_id)

    assert add("slide", "passed") == ""
    assert "by a bar of known length: 1003.00 mm measured" in add("bar", "flagged")
    assert add("slide", "passed") and add("bar", "undecided")
    stands = standing(upkept)
    assert [p.verdict for p in stands.counted] == ["undecided", "passed", "flagged"]
    assert "proved nothing" in stands.says[0] and "until a proof by a bar" in stands.says[1]
    assert add("bar", "passed") == ""


@pytest.mark.study
def test_a_slide_takes_two_groups_and_finds_the_way(upkept, scene, placement, vehicle_json):
    asked = {"by_mm": 10.0, "u_by_mm": 0.1, "along": "distance_mm"}
    one = upkept.begin("slide", asked, vehicle=vehicle_json, placement_id=placement.placement_id)
    away = 10.0 * scene.truth.T_world_target[:3, 0]
    slid = replace(fixture_moved(scene, 0, away, 0.0).scene)
    first = upkept.photos(one, observe_scene(np.random.default_rng(1), scene))
    assert (first.groups[0].kind, first.next_kind, first.proofs) == ("before_slide", "after_slide", [])
    view = upkept.photos(one, observe_scene(np.random.default_rng(2), slid))
    (proof,) = view.proofs
    assert proof.verdict == "passed" and proof.file["along"] == "distance_mm"
    assert proof.file["value"] == pytest.approx(10.0, abs=3 * proof.file["u"])
    assert len(proof.file["photos_sha256"]) == 16
    assert view.next_kind == "before_slide"
    # Not slid at all: flagged.
    upkept.photos(one, observe_scene(np.random.default_rng(3), scene))
    again = upkept.photos(one, observe_scene(np.random.default_rng(4), scene))
    assert [p.verdict for p in again.proofs] == ["flagged", "passed"]


def test_photos_that_do_not_suffice_prove_nothing_and_say_what_to_do(upkept, simulated_found, bar):
    plates, length_mm = bar
    view = upkept.bar(simulated_found()[:2], length_mm, plates)
    assert view.proofs == [] and view.groups[0].state == "not_enough"
    assert "usable photos" in view.groups[0].says and view.next_kind == "photos"


def test_old_photos_measured_again_do_not_lift_a_later_flag(upkept):
    first = keep(upkept, "bar", "passed")
    keep(upkept, "bar", "flagged")
    keep(upkept, "bar", "passed", first)
    assert standing(upkept).flagged is not None
    with upkept.store.reading() as db:
        assert [p.verdict for p in proofs.of_kit(db, upkept.kit_id)] == ["flagged", "passed", "passed"]


def test_a_flag_lets_every_open_visit_of_the_kit_be_measured_again(upkept, bay, sign):
    open_visit, signed_visit = bay.begin(), bay.begin()
    ids = {}
    for visit in (open_visit, signed_visit):
        one = bay.open(visit)
        with upkept.store.writing() as db:
            row = results.ask(db, one.id)
            row.state, row.result = "done", {"decision": "conforming"}
        ids[visit.id] = one.id
    sign(signed_visit)

    def asked(visit: Visit) -> list[tuple[str, bool]]:
        query = select(Measured).where(Measured.round_id == ids[visit.id]).order_by(Measured.seq)
        with upkept.store.reading() as db:
            return [(row.state, "distrusted" in row.inputs) for row in db.scalars(query)]

    keep(upkept, "bar", "passed")
    assert asked(open_visit) == [("done", False)]
    keep(upkept, "bar", "flagged")
    assert asked(open_visit) == [("done", False), ("waiting", True)]
    keep(upkept, "bar", "undecided")
    keep(upkept, "bar", "passed")  # before the bench came to it
    assert asked(open_visit) == [("done", False), ("waiting", False)]
    assert asked(signed_visit) == [("done", False)]


# --- when the next one is due -------------------------------------------------------------------------


def test_a_kit_that_was_never_proved_is_due_at_once_and_never_where_the_shop_asks_for_none(upkept):
    stands = standing(upkept)
    assert stands.is_due and stands.says[0] == "The kit has never been proved."
    assert f"due since {datetime.datetime.now(datetime.UTC).date()}" in stands.says[1]
    with upkept.store.writing() as db:
        shop.change(db, {"proof_months": None})
    assert (standing(upkept).due, standing(upkept).says) == (None, ["The kit has never been proved."])


@pytest.mark.parametrize(
    ("day", "months", "due"),
    [
        ("2026-03-14", 12, "2027-03-14"),
        ("2026-01-31", 1, "2026-02-28"),
        ("2024-02-29", 12, "2025-02-28"),
        ("2026-11-30", 3, "2027-02-28"),
    ],
)
def test_the_same_day_of_a_later_month(day, months, due):
    assert months_after(datetime.date.fromisoformat(day), months).isoformat() == due


def test_what_was_revised_since_the_proof_is_told_by_figure(upkept, reviewer):
    keep(upkept, "bar", "passed")
    with upkept.store.writing() as db:
        file = kits.current(db, upkept.kit_id).file
        thicker = {**file, "u_ruler_scale": 2 * file["u_ruler_scale"]}
        kits.revise(db, reviewer, upkept.kit_id, thicker, "another ruler", based_on=1, confirmed=True)
    stands = standing(upkept)
    assert len(stands.changed) == 1 and stands.changed[0].startswith("u_ruler_scale")
    assert "revised since it passed (revision 1 to 2, 1 figure)" in stands.says[1]


# --- teaching -----------------------------------------------------------------------------------------


def test_a_taught_fixture_becomes_the_next_revision_only_by_a_persons_word(upkept, scene, reviewer):
    stand_in = next(plate.number for plate in scene.plates if plate.role.startswith("rear"))
    taught = with_stand_in(np.random.default_rng(3), scene, stand_in)
    name = scene.kit.fixtures[0].name
    asked = {
        "name": name, "target": scene.kit.fixtures[0].targets[0].name, "target_plate": stand_in,
        "plates": [], "u_offset_mm": 0.5, "u_turn_deg": 0.1,
    }  # fmt: skip
    one = upkept.begin("fixture", asked)
    view = upkept.photos(one, observe_scene(np.random.default_rng(4), taught))
    assert view.groups[0].state == "done", view.groups[0].says
    assert view.offered and all(line.startswith(f"fixtures.{name}") for line in view.offered)
    assert view.outcome and len(view.outcome["bodies"]) == len(scene.kit.fixtures[0].mounts) + 1
    with upkept.store.reading() as db:
        assert kits.current(db, upkept.kit_id).revision == 1
    with upkept.store.writing() as db:
        with pytest.raises(NotAllowedError):
            upkeep.take_kit(db, upkept.technician, one, "taught", based_on=1)
        made = upkeep.take_kit(db, reviewer, one, "taught by photos", based_on=1, confirmed=True)
        assert (made.revision, made.says, made.by) == (2, "taught by photos", reviewer.person_id)
    assert upkept.view(one).is_taken
    with upkept.store.writing() as db, pytest.raises(ConflictError, match="was revised since revision 1"):
        upkeep.take_kit(db, reviewer, one, "again", based_on=2)


@pytest.fixture
def sheets_kit(store, reviewer, scene, kit_json):
    """Six of the kit's sheets lying about, as they truly are and as found in twelve photos."""
    care = Care()
    prints = prints_of(np.random.default_rng(8), care)
    numbers = sorted(scene.kit.plates)[:6]
    about = photographed(
        np.random.default_rng(9), sheets_about(prints, numbers),
        places_round(np.random.default_rng(10), 12), care,
    )  # fmt: skip
    plates = dict(kit_json["plates"])
    for number, plate in about.kit.plates.items():
        plates[str(number)] = {
            **plates[str(number)],
            "printed_scale": plate.printed_scale_xy[0],
            "u_printed_scale": plate.u_printed_scale,
        }
    with store.writing() as db:
        made = kits.add(db, reviewer, kit_json | {"plates": plates, "name": "sheets"}, "", confirmed=True)
        return made.kit_id, observe_scene(np.random.default_rng(11), about)


@pytest.mark.study
def test_sheets_against_each_other_offer_their_scales(store, reviewer, technician, sheets_kit):
    kit_id, found = sheets_kit
    upkept = Upkept(store, reviewer, technician, kit_id)
    view = upkept.photos(upkept.begin("sheets"), found)
    assert view.groups[0].state == "done", view.groups[0].says
    assert view.outcome and [row["n_photos"] > 3 for row in view.outcome["sheets"]] == [True] * 6
    assert all(row["u_scale"] < row["u_ruler"] for row in view.outcome["sheets"])
    assert {line.split(":")[0].rsplit(".", 1)[-1] for line in view.offered} == {
        "u_ruler_scale", "printed_scale", "u_printed_scale",
    }  # fmt: skip


@pytest.mark.study
def test_a_lens_is_kept_and_goes_into_the_results_of_that_phones_photos(
    store, reviewer, technician, sheets_kit, bay, simulated_found
):
    kit_id, found = sheets_kit
    upkept = Upkept(store, reviewer, technician, kit_id)
    one = upkept.begin("lens")
    view = upkept.photos(one, found)
    assert view.groups[0].state == "done" and view.outcome
    (lens,) = view.outcome["lenses"]
    assert lens["file"], lens["says"]
    with store.writing() as db:
        (kept,) = upkeep.keep_lenses(db, reviewer, one)
        assert kept.label == lens["label"]
        kept_id = kept.id
        with pytest.raises(ConflictError, match="kept already"):
            upkeep.keep_lenses(db, reviewer, one)

    same_phone = [replace(photo, exif=found[0].exif) for photo in simulated_found(5)]
    _, round_id = measured_visit(bay, technician, same_phone)
    with store.reading() as db:
        row = results.latest(db, round_id)
        assert row is not None
        (camera,) = row.inputs["cameras"]
    assert camera["file"] == lens["file"]
    others = [replace(p, exif=replace(p.exif, make="Other", model="Phone")) for p in simulated_found(6)]
    _, round_id = measured_visit(bay, technician, others)
    with store.writing() as db:
        assert "cameras" not in inputs.of_round(db, round_id)
        upkeep.retire_lens(db, reviewer, kept_id)
        row = db.scalars(select(Measured).order_by(Measured.seq)).all()[-2]
        assert "cameras" not in inputs.of_round(db, row.round_id)
        assert db.get_one(LensProfile, kept_id).retired_at and not db.scalars(select(Proof)).all()
