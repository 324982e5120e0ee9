"""From a phone's bytes to a result, through the service's own doors, on the demo photos."""

import json
import re
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

import calib_data
from api import kits, placements, rounds, visits
from api.context import Caller
from api.store import Store
from api.tables import Visit
from tests.api.conftest import PROCEDURE

DEMO = Path(calib_data.__file__).parent / "demo"
NAMES = [f"p{k:02d}.jpg" for k in range(1, 9)]


@dataclass
class DemoBay:
    """A visit of the demo vehicle, with a paired phone."""

    store: Store
    phone: TestClient
    caller: Caller
    visit: Visit

    def open(self, kind: str = "first") -> str:
        with self.store.writing() as db:
            return rounds.open(db, self.caller, self.visit.id, kind).id

    def close(self, round_id: str) -> None:
        with self.store.writing() as db:
            rounds.close(db, self.caller, round_id)
        self.phone.app.state.service.jobs.wake()

    def send(self, round_id: str, data: bytes, name: str = "p.jpg", key: str | None = None) -> Any:
        headers = {
            "X-Photo-Key": key or f"key-of-{name}-{round_id}"[:64].replace(".", "-"),
            "X-Photo-Name": name,
        }
        return self.phone.post(f"/api/rounds/{round_id}/photos", content=data, headers=headers)

    def photos(self) -> list[dict[str, Any]]:
        return self.phone.get(f"/api/visits/{self.visit.id}/photos").json()["photos"]

    def wait_for_looks(self) -> list[dict[str, Any]]:
        return _wait(self.photos, lambda photos: all(p["state"] != "waiting" for p in photos))

    def wait_for_result(self, round_id: str) -> dict[str, Any]:
        return _wait(
            lambda: self.phone.get(f"/api/rounds/{round_id}/result").json(),
            lambda result: result["state"] not in ("none", "waiting"),
        )


def demo_photo(name: str) -> bytes:
    """A demo photo as if it were taken now, by a phone whose clock is on the shop's time."""
    stamp = datetime.now().strftime("%Y:%m:%d %H:%M:%S").encode()
    return re.sub(
        rb"20[0-9]{2}:[0-9]{2}:[0-9]{2} [0-9]{2}:[0-9]{2}:[0-9]{2}", stamp, (DEMO / name).read_bytes()
    )


def _wait(ask: Callable[[], Any], until: Callable[[Any], bool], seconds: float = 60) -> Any:
    end = time.monotonic() + seconds
    while not until(answer := ask()):
        assert time.monotonic() < end, answer
        time.sleep(0.05)
    return answer


@pytest.fixture
def demo_bay(store: Store, reviewer: Caller, technician: Caller, client: Callable) -> Iterator[DemoBay]:
    files = {name: json.loads((DEMO / f"{name}.json").read_text()) for name in ("kit", "placement", "set")}
    with store.writing() as db:
        kit = kits.add(db, reviewer, files["kit"], "", is_demo=True)
        placement = placements.add(db, reviewer, files["placement"], PROCEDURE, is_demo=True)
        wanted = visits.BeginVisit(
            vehicle=files["set"]["vehicle"],
            kit_id=kit.kit_id,
            placement_ids=[placement.placement_id],
            confirmed=True,
        )
        visit = visits.begin(db, technician, wanted)
        db.flush()
        db.refresh(visit)
        db.expunge(visit)
    yield DemoBay(store, client("technician"), technician, visit)


def test_a_round_of_photos_gives_the_result_that_the_command_line_gives(demo_bay: DemoBay, tmp_path: Path):
    round_id = demo_bay.open()
    for name in NAMES:
        answer = demo_bay.send(round_id, demo_photo(name), name)
        assert answer.status_code == 201, answer.text
    demo_bay.close(round_id)
    photos = demo_bay.wait_for_looks()
    print(photos[0])
    result = demo_bay.wait_for_result(round_id)
    assert result["state"] == "done", result
