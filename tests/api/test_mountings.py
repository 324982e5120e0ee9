"""What checks of the clamps over visits tell of a kit: each mounting once, offered and never silent."""

import numpy as np
import pytest

from api.problems import ConflictError, NotAllowedError
from api.store import now
from api.tables import ClampOff, Measured, Round
from api.visits import kits, mountings
from calib_data.clamps import CLAMPS
from vision.mountings import repeatability

WHEELS = ("front_left", "front_right", "rear_left", "rear_right")


@pytest.fixture
def check(bay, store):
    """`check(visit, misses)`: a measured check in a visit; misses (4, 4): x, y in mm, then in degrees."""

    def add(visit, misses, number=2, off_seat=()):
        with store.writing() as db:
            wheels = kits.current(db, bay.kit.kit_id).file["wheels"]
            seats = {
                wheel: {
                    "plate": wheels[wheel]["plate"],
                    "eccentricity_mm": list(miss[:2]),
                    "tilt_deg": list(miss[2:]),
                    "is_seated": wheel not in off_seat,
                }
                for wheel, miss in zip(WHEELS, np.asarray(misses, float).tolist(), strict=True)
            }
            row = Round(
                id=f"{visit.id[:30]}{number:02d}", visit_id=visit.id, number=number, kind="clamps_after",
                opened_by=bay.caller.person_id, opened_at=now(),
                closed_by=bay.caller.person_id, closed_at=now(),
            )  # fmt: skip
            db.add(row)
            db.flush()
            result = {"format": CLAMPS, "seats": seats, "photos": []}
            told = {"says": "", "asked_at": now(), "done_at": now(), "inputs": {}}
            db.add(Measured(round_id=row.id, state="done", result=result, **told))

    return add


def told(store, bay):
    with store.reading() as db:
        return mountings.of_kit(db, bay.kit.kit_id)


def draws(n, seed=1):
    return np.random.default_rng(seed).normal(0, [0.5, 0.5, 0.1, 0.1], (n, 4, 4))


def test_seats_of_several_visits_are_pooled_over_clamps(bay, store, check):
    assert told(store, bay).n_checks == 0
    misses = draws(4)
    for one in misses:
        check(bay.begin(), one)
    found = told(store, bay)
    assert (found.n_checks, found.n_mountings, found.n_off, found.is_enough) == (4, 16, 0, True)
    expected = repeatability([misses[:, k, :2] for k in range(4)], [np.zeros(2)] * 4)
    assert found.eccentricity_mm == expected and expected.dof == 24
    assert found.tilt_deg.s == pytest.approx(0.1, rel=0.5)


def test_a_clamp_that_stayed_on_counts_once_in_a_visit_and_one_hung_anew_again(bay, store, check):
    visit, misses = bay.begin(), draws(2)
    check(visit, misses[0], number=2)
    with store.writing() as db:
        off = {"visit_id": visit.id, "wheel": "rear_left", "from_round": 3, "says": "slipped"}
        db.add(ClampOff(**off, by=bay.caller.person_id, at=now()))
    check(visit, misses[1], number=4)
    found = told(store, bay)
    assert found.n_mountings == 5 and found.tilt_deg.dof == 2


def test_a_clamp_off_its_seat_is_left_out_and_counted(bay, store, check):
    for one in draws(3):
        check(bay.begin(), one, off_seat=("rear_left",))
    found = told(store, bay)
    assert found.n_off == 3 and found.n_mountings == 9


def test_demos_tell_nothing_of_a_kit(bay, store, check, demo_kit, demo_placement):
    bay.kit, bay.placement = demo_kit, demo_placement
    check(bay.begin(), draws(1)[0])
    assert told(store, bay).n_checks == 0


def test_it_becomes_the_kit_s_own_u_by_a_person_s_word_alone(bay, store, check, reviewer, technician):
    for one in draws(2):
        check(bay.begin(), one)
    with store.writing() as db, pytest.raises(ConflictError, match="Too few mountings"):
        mountings.adopt(db, reviewer, bay.kit.kit_id, 1, "as the checks tell")
    for one in draws(3, seed=2):
        check(bay.begin(), one)
    with store.reading() as db:
        assert kits.current(db, bay.kit.kit_id).revision == 1
    with store.writing() as db, pytest.raises(NotAllowedError):
        mountings.adopt(db, technician, bay.kit.kit_id, 1, "as the checks tell")
    with store.writing() as db:
        made = mountings.adopt(db, reviewer, bay.kit.kit_id, 1, "as the checks tell")
        before, after = bay.kit.file["wheels"], made.file["wheels"]
    found = told(store, bay)
    for wheel in WHEELS:
        assert found.tilt_deg.u <= after[wheel]["u_tilt_deg"] < found.tilt_deg.u + 1e-4
        assert found.eccentricity_mm.u <= after[wheel]["u_eccentricity_mm"] < found.eccentricity_mm.u + 1e-3
        rest = {key: value for key, value in after[wheel].items() if not key.startswith(("u_tilt", "u_ecc"))}
        assert rest.items() <= before[wheel].items()


def test_the_kit_s_page_shows_it_and_offers_it_to_editors(client, bay, store, check):
    kit = f"/kits/{bay.kit.kit_id}"
    assert "How alike the clamps sit" not in client("reviewer").get(kit).text
    for one in draws(4):
        check(bay.begin(), one)
    page = client("reviewer").get(kit).text
    assert "with 24 degrees of freedom" in page and "From 4 checks in visits, 16 clamps hung." in page
    assert f'data-send="POST /api/kits/{bay.kit.kit_id}/mountings"' in page
    assert "/mountings" not in client("technician").get(kit).text
    answer = client("technician").get(f"/api{kit}/mountings").json()
    assert answer["n_mountings"] == 16 and answer["tilt_deg"]["dof"] == 24
    body = {"says": "as the checks tell", "based_on": 1}
    made = client("reviewer").post(f"/api{kit}/mountings", json=body, headers={"Idempotency-Key": "one"})
    assert made.status_code == 201 and made.json()["revision"] == 2
