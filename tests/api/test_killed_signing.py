"""The running service is killed at random moments while visits are signed: each is signed wholly, or can be.

PLUMBSIGHT_KILLS and PLUMBSIGHT_SEED choose another number of kills and other moments; test_killed_within.py
kills at every statement.
"""

import http.client
import os
import random
import threading
import time
from collections import Counter
from collections.abc import Iterator

import pytest
from sqlalchemy import func, select

from api.access import sessions
from api.place import Place
from api.records import verify
from api.store import open_store
from api.tables import Entry, Visit
from tests.api.served import Phone, Server
from tests.api.signed import PIN, add_person, add_visit

KILLS = int(os.environ.get("PLUMBSIGHT_KILLS", "4"))
SEED = int(os.environ.get("PLUMBSIGHT_SEED", "1"))
VISITS = KILLS + 2
STATEMENT = "Checked before the calibration."

pytestmark = pytest.mark.study


@pytest.fixture
def shop(place: Place) -> Iterator[tuple[Server, Phone, list[str]]]:
    """A service with measured visits, none signed, and a phone of who may sign them."""
    store = open_store(place)
    kim = add_person(store)
    visits = [add_visit(store, kim) for _ in range(VISITS)]
    with store.writing() as db:
        session = sessions.begin(db, kim.person_id, "a test")
    store.close()
    server = Server(place)
    yield server, Phone(server, session.secret, session.form_token), visits
    server.end()


def test_visits_signed_while_the_service_is_killed_are_signed_once_or_can_be(shop):
    server, phone, visits = shop
    rng = random.Random(SEED)
    server.start()
    begun = time.monotonic()
    assert _sign(phone, visits[0]) == 201
    longest_s = 2.0 * (time.monotonic() - begun)
    outcomes = Counter(_killed(server, phone, rng, visits, longest_s) for _ in range(KILLS))
    heads = [phone.insist("POST", f"/api/visits/{one}/sign", _body())[1]["head"] for one in visits]
    server.kill()
    print(f"\nseed {SEED}, {KILLS} kills within {longest_s:.1f} s of a request to sign: {dict(outcomes)}")
    assert _signed(server.place, heads) == visits


def _killed(server: Server, phone: Phone, rng: random.Random, visits: list[str], longest_s: float) -> str:
    """Kill the service after a phone asked it to sign the next visit; what came of it.

    At a random moment, or when the record is written.
    """
    done = _signed(server.place)
    visit = next((one for one in visits if one not in done), visits[-1])
    answers: list[int] = []
    asking = threading.Thread(target=lambda: answers.append(_sign(phone, visit)))
    asking.start()
    if rng.random() < 0.5:
        time.sleep(rng.uniform(0.0, longest_s))
    else:  # as soon as the record can be seen, so that the answer is still under way
        while len(done) == _n_records(server.place) and asking.is_alive():
            time.sleep(0.002)
    server.kill()
    asking.join()
    now_done = _signed(server.place)
    assert set(now_done) - set(done) <= {visit} and answers in ([0], [201])
    assert visit in now_done or answers == [0], "acknowledged, and not there"
    server.start()
    said = "answered" if answers == [201] else "not answered"
    return f"{'signed' if visit in now_done else 'not signed'}, {said}"


def _body() -> dict[str, str]:
    return {"pin": PIN, "statement": STATEMENT}


def _sign(phone: Phone, visit: str) -> int:
    """The answer's status; 0: the service went away."""
    try:
        return phone.ask("POST", f"/api/visits/{visit}/sign", _body())[0]
    except (OSError, http.client.HTTPException, ValueError):
        return 0


def _n_records(place: Place) -> int:
    with verify.reading_only(place) as db:
        return db.scalar(select(func.count()).select_from(Entry)) or 0


def _signed(place: Place, heads: list[str] | None = None) -> list[str]:
    """The visits that have a record, in the chain's order, after checking all there is."""
    with verify.reading_only(place) as db:
        found = verify.verify(db, place, heads or ())
        recorded = list(db.scalars(select(Entry.visit_id).order_by(Entry.seq)))
        signed = set(db.scalars(select(Visit.id).where(Visit.signed_at.is_not(None))))
    assert found.is_sound, found.faults
    assert len(set(recorded)) == len(recorded) and set(recorded) == signed
    return recorded
