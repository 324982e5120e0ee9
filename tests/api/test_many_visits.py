"""Many visits by several phones at once while the service is killed at random: nothing acknowledged is lost.

PLUMBSIGHT_VISITS, PLUMBSIGHT_PHONES, PLUMBSIGHT_KILLS and PLUMBSIGHT_SEED choose another size; the whole
claim is 50 visits of 12 photos by 8 phones.
"""

import hashlib
import os
import random
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest
from sqlalchemy import func, select

from api.access import people, sessions
from api.context import Caller
from api.place import Place
from api.records import verify
from api.store import open_store
from api.tables import Arrival, PhotoFile, Round, Visit
from api.visits import kits, placements
from api.visits.demo import file
from api.visits.placements import Typed
from tests.api.served import Phone, Server, unlike
from tests.api.test_photos_whole_way import NAMES, demo_photo

VISITS = int(os.environ.get("PLUMBSIGHT_VISITS", "4"))
PHONES = int(os.environ.get("PLUMBSIGHT_PHONES", "4"))
KILLS = int(os.environ.get("PLUMBSIGHT_KILLS", "3"))
SEED = int(os.environ.get("PLUMBSIGHT_SEED", "1"))
PHOTOS = 12
PIN = "4711-board"
PROCEDURE = Typed("Invented procedure", "1", "board_ahead", "", confirmed=True)

pytestmark = pytest.mark.study


@dataclass
class Day:
    """What the phones still have to do, and what was acknowledged to them."""

    waiting: list[int]
    kit_id: str = ""
    placement_id: str = ""
    photos: dict[str, str] = field(default_factory=dict)  # arrival id -> hash of what was sent
    visits: list[str] = field(default_factory=list)
    heads: list[str] = field(default_factory=list)
    refusals: list[str] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def work(self, phone: Phone) -> None:
        """One vehicle after the other until none waits."""
        while True:
            with self.lock:
                if not self.waiting:
                    return
                number = self.waiting.pop()
            self._visit(phone, number)

    def _visit(self, phone: Phone, number: int) -> None:
        begun = self._done(phone, "/api/visits", f"begin-{number}", self._begin(number))
        one = self._done(phone, f"/api/visits/{begun['id']}/rounds", f"round-{number}", {"kind": "first"})
        for k in range(PHOTOS):
            self._send(phone, one["id"], number, k)
        self._done(phone, f"/api/rounds/{one['id']}/close", f"close-{number}", {})
        while (answer := phone.insist("GET", f"/api/rounds/{one['id']}/result")[1])["state"] == "waiting":
            time.sleep(0.3)
        if answer["state"] != "done":
            self.refusals.append(f"visit {number}: {answer}")
        signed = self._done(
            phone,
            f"/api/visits/{begun['id']}/sign",
            "",
            {"pin": PIN, "statement": f"Checked, visit {number}."},
        )
        with self.lock:
            self.visits.append(begun["id"])
            self.heads.append(signed["head"])

    def _begin(self, number: int) -> dict[str, Any]:
        vehicle = file("set.json")["vehicle"] | {"label": f"estate, white, the {number}th"}
        wanted = {"vehicle": vehicle, "kit_id": self.kit_id, "placement_ids": [self.placement_id]}
        return wanted | {"confirmed": True}

    def _done(self, phone: Phone, path: str, key: str, body: dict[str, Any]) -> dict[str, Any]:
        headers = {"Idempotency-Key": key} if key else {}
        status, answer = phone.insist("POST", path, body, **headers)
        assert status < 300, f"{path}: {status} {answer}"
        return answer

    def _send(self, phone: Phone, round_id: str, number: int, k: int) -> None:
        data = unlike(demo_photo(NAMES[k % len(NAMES)]), 1000 * number + k)
        headers = {"X-Photo-Key": f"visit-{number}-photo-{k}", "X-Photo-Name": f"IMG_{k:02d}.jpg"}
        status, answer = phone.insist("POST", f"/api/rounds/{round_id}/photos", data, **headers)
        if status not in (200, 201):
            self.refusals.append(f"photo {number}/{k}: {status} {answer}")
            return
        with self.lock:
            self.photos[answer["photo"]["id"]] = hashlib.sha256(data).hexdigest()


@pytest.fixture
def shop(place: Place) -> Iterator[tuple[Server, Phone, Day]]:
    store = open_store(place)
    with store.writing() as db:
        owner = people.add(db, "O. Example", "owner")
        owner.pin_hash = people.hash_pin(PIN)
        session = sessions.begin(db, owner.id, "a test")
        caller = Caller(owner.id, owner.name, "owner", session.id)
        # The demo's kit and requirement as a shop's own: a DEMO one cannot be signed.
        kit = kits.add(db, caller, file("kit.json") | {"name": "van 1"}, "", confirmed=True)
        requirement = file("placement.json") | {"name": "board ahead"}
        placement = placements.add(db, caller, requirement, PROCEDURE)
        day = Day(list(range(VISITS)), kit.kit_id, placement.placement_id)
    store.close()
    server = Server(place, n_workers=2)
    yield server, Phone(server, session.secret, session.form_token), day
    server.end()


def test_a_day_of_visits_with_kills_loses_nothing(shop: tuple[Server, Phone, Day]):
    server, phone, day = shop
    rng, begun = random.Random(SEED), time.monotonic()
    server.start()
    threads = [threading.Thread(target=day.work, args=[phone]) for _ in range(PHONES)]
    for thread in threads:
        thread.start()
    # Moments all over the day, however slow the machine: after so many photos, and a little later.
    for n_photos in sorted(rng.sample(range(VISITS * PHOTOS), KILLS)):
        while len(day.photos) < n_photos and any(thread.is_alive() for thread in threads):
            time.sleep(0.1)
        time.sleep(rng.uniform(0.0, 3.0))
        server.kill()
        server.start()
    for thread in threads:
        thread.join()
    server.kill()
    counts = _counts(server.place, day)
    seconds = time.monotonic() - begun
    print(
        f"\nseed {SEED}: {VISITS} visits, {PHONES} phones, {server.n_kills} kills, {seconds:.0f} s: "
        f"{counts}; refusals without a reason: {len(day.refusals)}"
    )
    assert not day.refusals, day.refusals[:5]
    assert counts == {
        "visits": VISITS,
        "records": VISITS,
        "photos acknowledged": VISITS * PHOTOS,
        "lost": 0,
        "twice": 0,
        "wrong hash": 0,
        "faults": [],
    }


def _counts(place: Place, day: Day) -> dict[str, Any]:
    with verify.reading_only(place) as db:
        found = verify.verify(db, place, day.heads)
        rows = {row.id: row for row in db.scalars(select(Arrival))}
        came_as = {one.sha256: one.came_as_sha256 for one in db.scalars(select(PhotoFile))}
        n_visits, n_rounds = (db.scalar(select(func.count()).select_from(t)) for t in (Visit, Round))
    assert n_rounds == n_visits
    sent = {one: came_as[row.sha256] for one, row in rows.items()}
    return {
        "visits": n_visits,
        "records": found.n_records,
        "photos acknowledged": len(day.photos),
        "lost": sum(one not in rows for one in day.photos),
        "twice": len(rows) - len(set(sent.values())),
        "wrong hash": sum(sent.get(one) != sha256 for one, sha256 in day.photos.items()),
        "faults": list(found.faults),
    }
