"""The service is killed at random moments while photos come in, are looked at and measured.

Every photo that was acknowledged is there, once, with its hash; the round is measured in the end.
PLUMBSIGHT_KILLS and PLUMBSIGHT_SEED choose another number of kills and other moments.
"""

import hashlib
import http.client
import os
import random
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest
from sqlalchemy import select

from api.access import people, sessions
from api.context import Caller
from api.photos import photofiles
from api.place import Place
from api.records import verify
from api.store import Store, open_store
from api.tables import Arrival, Measured, PhotoFile
from api.visits import rounds
from tests.api.served import Phone, Server, unlike
from tests.api.test_photos_whole_way import NAMES, begin_demo_visit, demo_photo

KILLS = int(os.environ.get("PLUMBSIGHT_KILLS", "4"))
SEED = int(os.environ.get("PLUMBSIGHT_SEED", "1"))
N_PHOTOS, N_PHONES = 16, 3


@dataclass
class Phones:
    """Phones that send photos until each is acknowledged, whatever happens to the service."""

    phone: Phone
    round_id: str
    waiting: list[tuple[str, bytes]]
    acknowledged: dict[str, dict[str, Any]] = field(default_factory=dict)
    n_tries: int = 0
    problems: list[str] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def send_all(self) -> None:
        while True:
            with self.lock:
                if not self.waiting:
                    return
                name, data = self.waiting.pop()
            while not self._sent(name, data):
                time.sleep(0.2)

    def _sent(self, name: str, data: bytes) -> bool:
        self.n_tries += 1
        headers = {"X-Photo-Key": f"key-{name.replace('.', '-')}", "X-Photo-Name": name}
        try:
            status, body = self.phone.ask("POST", f"/api/rounds/{self.round_id}/photos", data, **headers)
        except (OSError, http.client.HTTPException, ValueError):
            return False  # killed under way: nothing was said
        if status not in (200, 201):
            self.problems.append(f"{status} {body}")
            return True
        self.acknowledged[name] = body["photo"] | {"sent_sha256": hashlib.sha256(data).hexdigest()}
        return True


@pytest.fixture
def bay(place: Place) -> Iterator[tuple[Server, Phones]]:
    store = open_store(place)
    with store.writing() as db:
        owner = people.add(db, "O. Example", "owner")
        session = sessions.begin(db, owner.id, "a test")
        caller = Caller(owner.id, owner.name, "owner", session.id)
        visit = begin_demo_visit(db, caller, caller)
        db.flush()
        one = rounds.open(db, caller, visit.id, "first")
        round_id = one.id
    store.close()
    server = Server(place)
    photos = [(f"{k:02d}.jpg", unlike(demo_photo(NAMES[k % len(NAMES)]), k)) for k in range(N_PHOTOS)]
    yield server, Phones(Phone(server, session.secret, session.form_token), round_id, photos)
    server.end()


@pytest.mark.study
def test_nothing_that_was_acknowledged_is_lost_to_kills(bay):
    server, phones = bay
    rng = random.Random(SEED)
    server.start()
    threads = [threading.Thread(target=phones.send_all) for _ in range(N_PHONES)]
    for thread in threads:
        thread.start()
    for _ in range(KILLS):
        time.sleep(rng.uniform(0.0, 3.0))
        server.kill()
        server.start()
    for thread in threads:
        thread.join(300)
    assert not phones.problems and len(phones.acknowledged) == N_PHOTOS
    status, body = phones.phone.ask("POST", f"/api/rounds/{phones.round_id}/close")
    assert status < 300, body
    n_before_measured = 0
    for _ in range(KILLS):  # while photos are looked at and the round is measured
        time.sleep(rng.uniform(0.0, 4.0))
        server.kill()
        n_before_measured += _is_waiting(server.place)
        server.start()
    end = time.monotonic() + 300
    while (answer := phones.phone.ask("GET", f"/api/rounds/{phones.round_id}/result")[1])[
        "state"
    ] == "waiting":
        assert time.monotonic() < end
        time.sleep(0.2)
    server.kill()
    counts = _counts(open_store(server.place), phones)
    print(
        f"\nseed {SEED}, kills {2 * KILLS + 1}, {n_before_measured} of them while the closed round waited "
        f"for its result, tries {phones.n_tries}, {counts}, result {answer['state']}"
    )
    assert counts == {"acknowledged": N_PHOTOS, "stored": N_PHOTOS, "lost": 0, "twice": 0, "wrong hash": 0}
    assert answer["state"] == "done", answer["says"]


def _is_waiting(place: Place) -> bool:
    with verify.reading_only(place) as db:
        return db.scalars(select(Measured.state)).one() == "waiting"


def _counts(store: Store, phones: Phones) -> dict[str, int]:
    with store.reading() as db:
        rows = {row.id: row for row in db.scalars(select(Arrival))}
        files = {file.sha256: file for file in db.scalars(select(PhotoFile))}
        measured = list(db.scalars(select(Measured.state)))
    assert measured.count("done") == 1 and len(measured) == 1
    wrong, files_there = 0, photofiles.files_at(store.place)
    for photo in phones.acknowledged.values():
        row = rows.get(photo["id"])
        on_disk = hashlib.sha256(photofiles.read(files_there, photo["sha256"])).hexdigest()
        came = files[photo["sha256"]].came_as_sha256 if photo["sha256"] in files else ""
        wrong += row is None or on_disk != row.sha256 or came != photo["sent_sha256"]
    store.close()
    ids = [photo["id"] for photo in phones.acknowledged.values()]
    return {
        "acknowledged": len(phones.acknowledged),
        "stored": len(rows),
        "lost": sum(one not in rows for one in ids),
        "twice": len(rows) - len(set(ids)),
        "wrong hash": wrong,
    }
