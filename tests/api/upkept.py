"""An upkeep taken through its steps, with photos as they are found in simulated scenes; all is invented."""

import hashlib
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import func, select

from api.context import Caller
from api.photos import bench
from api.photos.work import pack
from api.store import Store, new_id, now
from api.tables import Arrival, PhotoFile, Round, Upkeep
from api.visits import rounds, upkeep
from api.visits.upkeep import BeginUpkeep, UpkeepView
from calib_data.observations import to_seen_photo
from vision.sightings import FoundPhoto


def work_off(store: Store) -> int:
    """Do in this process what waits for the bench; how many tasks there were."""
    n = 0
    while True:
        with store.reading() as db:
            task = bench.next_task(db, store, frozenset(), 1)
        if task is None:
            return n
        outcome = task.function(*task.args)
        with store.writing() as db:
            task.write(db, outcome)
        n += 1


def arrive(store: Store, caller: Caller, round_id: str, found: Sequence[FoundPhoto]) -> None:
    """Photos of a round that were looked at, with what was found in them; their files are only hashes."""
    with store.writing() as db:
        one = db.get_one(Round, round_id)
        seq = db.scalar(select(func.max(Arrival.seq))) or 0
        for k, photo in enumerate(found, start=1):
            sha256 = hashlib.sha256(f"{round_id} {photo.name}".encode()).hexdigest()
            db.add(_file(sha256, photo))
            db.flush()
            seen = {**to_seen_photo(photo), "file": f"{one.number}-{photo.name}", "sha256": sha256}
            db.add(
                Arrival(
                    id=new_id(), seq=seq + k, visit_id=one.visit_id, round_id=round_id,
                    sent_to_round_id=round_id, sha256=sha256, name=seen["file"], client_key=new_id(),
                    by=caller.person_id, at=now(), state="looked", remarks=[],
                    seen={"plates": [], "says": []}, found=pack(seen),
                )
            )  # fmt: skip


def _file(sha256: str, photo: FoundPhoto) -> PhotoFile:
    return PhotoFile(
        sha256=sha256, came_as_sha256=sha256, taken_out=[], n_bytes=3_000_000, kind="jpeg",
        size_px=list(photo.size_px), exif=asdict(photo.exif), stored_at=now(),
    )  # fmt: skip


@dataclass(frozen=True)
class Upkept:
    """Begins upkeeps as a reviewer, and takes their photos as a technician."""

    store: Store
    reviewer: Caller
    technician: Caller
    kit_id: str

    def begin(self, kind: str, asked: dict[str, Any] | None = None, **more: Any) -> str:
        with self.store.writing() as db:
            wanted = BeginUpkeep(kind, self.kit_id, asked or {}, **more)
            return upkeep.begin(db, self.reviewer, wanted).id

    def photos(self, upkeep_id: str, found: Sequence[FoundPhoto]) -> UpkeepView:
        """A group's photos, the group closed, and what waits worked off."""
        with self.store.writing() as db:
            open_one = [g for g in upkeep.view(db, upkeep_id).groups if g.is_open]
            round_id = open_one[0].id if open_one else upkeep.open_group(db, self.technician, upkeep_id).id
        arrive(self.store, self.technician, round_id, found)
        with self.store.writing() as db:
            rounds.close(db, self.technician, round_id)
        work_off(self.store)
        return self.view(upkeep_id)

    def bar(self, found: Sequence[FoundPhoto], length_mm: float, plates: tuple[int, int]) -> UpkeepView:
        """A whole proof by a bar."""
        asked = {"plates": list(plates), "length_mm": length_mm, "u_length_mm": 0.2}
        return self.photos(self.begin("bar", asked), found)

    def view(self, upkeep_id: str) -> UpkeepView:
        with self.store.reading() as db:
            assert db.get(Upkeep, upkeep_id) is not None
            return upkeep.view(db, upkeep_id)
