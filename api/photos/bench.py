"""The bench's tasks: what each needs from the tables, and what is written when it ends."""

from collections.abc import Callable
from typing import Any

from sqlalchemy import Select, exists, select
from sqlalchemy.orm import Session, aliased

from api.photos import photofiles, upkeep_work, work
from api.photos.jobs import Failed, Key, Task
from api.store import Store, now, tell
from api.tables import Arrival, Measured, Round, Visit
from api.visits import clampchecks, inputs, results, slips, tray, upkeep


def next_task(db: Session, store: Store, under_way: frozenset[Key], n_workers: int) -> Task | None:
    """A closed round whose photos are all looked at, else the photo that came first.

    Measuring leaves a worker to the photos that wait, if there are two.
    """
    looks = [key for kind, key in under_way if kind == "look"]
    measures = [key for kind, key in under_way if kind == "measure"]
    query = select(Arrival).where(Arrival.state == "waiting", Arrival.id.not_in(looks))
    photo = db.scalar(query.order_by(Arrival.seq).limit(1))
    if photo is None or len(measures) < max(1, n_workers - 1):
        row = db.scalar(_ready_to_measure(measures))
        if row is not None:
            return measuring(db, store, row)
    return looking(db, store, photo) if photo is not None else None


def _ready_to_measure(under_way: list[str | int]) -> Select[Any]:
    photo = aliased(Arrival)
    # A check of the clamps also waits for the photos of the round before it.
    theirs = photo.round_id.in_([Measured.round_id, Measured.inputs["before_round_id"].as_string()])
    is_looking = exists().where(theirs, photo.state == "waiting")
    query = select(Measured).where(Measured.state == "waiting", Measured.seq.not_in(under_way), ~is_looking)
    return query.order_by(Measured.seq).limit(1)


def looking(db: Session, store: Store, arrival: Arrival) -> Task:
    """Look at a photo with the kit that its visit has now."""
    kit = inputs.of_round(db, arrival.sent_to_round_id)["kit"]
    files, preview = photofiles.files_at(store.place), photofiles.preview(store, arrival.sha256)
    args = (files, arrival.sha256, arrival.name, kit["file"], preview)
    arrival_id = arrival.id

    def write(db: Session, outcome: work.Looked | Failed) -> None:
        row = db.get_one(Arrival, arrival_id)
        if isinstance(outcome, Failed) and row.found is not None:
            row.state = "looked"  # once found, and gone since: what was found still counts
        elif isinstance(outcome, Failed):
            row.state, row.seen = "failed", {"plates": [], "says": [outcome.says]}
        else:
            row.state, row.seen, row.found = "looked", outcome.seen, outcome.found
            row.slip_seen = next((slip for text in outcome.codes if (slip := slips.read(text))), None)
        db.flush()
        tray.after_looking(db, row)
        tell(db, row.visit_id, "photos")

    return Task("look", arrival_id, work.look, args, write)


def measuring(db: Session, store: Store, row: Measured) -> Task:
    """Measure a round whose photos have all been looked at."""
    one = db.get_one(Round, row.round_id)
    if one.kind == clampchecks.AFTER:
        return measuring_clamps(db, row)
    visit = db.get_one(Visit, one.visit_id)
    photos = results.photos_of(db, one.id)
    given = row.inputs
    files = photofiles.files_at(store.place)
    stored = {p.name: p.sha256 for p in photos if p.found is not None}
    at_hand = {name: sha256 for name, sha256 in stored.items() if files.has(sha256)}
    job = work.RoundToMeasure(
        title=f"Visit {visit.number}, round {one.number}",
        vehicle=given["vehicle"],
        kit=given["kit"]["file"],
        placements=tuple(placement["file"] for placement in given["placements"]),
        relations=tuple(relation["file"] for relation in given.get("relations", ())),
        cameras=tuple(camera["file"] for camera in given.get("cameras", ())),
        distrusted=given.get("distrusted", ""),
        found=tuple(photo.found for photo in photos if photo.found is not None),
        files=files,
        stored=at_hand,
        earlier=results.observations(db, one.id) if len(at_hand) < len(stored) else None,
        unread=tuple((p.name, " ".join(p.seen["says"] if p.seen else ())) for p in photos if p.found is None),
    )
    write, asked = _writes(db, row, [one.id]), given.get("upkeep")
    if asked is not None and asked["kind"] != "slide":
        return Task("measure", row.seq, upkeep_work.FUNCTIONS[asked["kind"]], (job, asked["asked"]), write)
    return Task("measure", row.seq, work.measure_round, (job,), write)


def measuring_clamps(db: Session, row: Measured) -> Task:
    """Check the clamps, from the photos of the round before rolling and of this one."""
    before_id = row.inputs["before_round_id"]
    round_ids = [round_id for round_id in (before_id, row.round_id) if round_id]
    before, after = (
        tuple(photo.found for photo in results.photos_of(db, round_id) if photo.found is not None)
        if round_id
        else ()
        for round_id in (before_id, row.round_id)
    )
    job = work.ClampsToMeasure(row.inputs["kit"]["file"], before, after)
    return Task("measure", row.seq, work.measure_clamps, (job,), _writes(db, row, round_ids))


def _writes(db: Session, row: Measured, round_ids: list[str]) -> Callable[[Session, Any], None]:
    """What writes a measuring's outcome, as long as inputs and photos are still those it was made from."""
    given, seq, visit_id = row.inputs, row.seq, db.get_one(Round, row.round_id).visit_id

    def photos_of(db: Session) -> list[str]:
        return [photo.id for round_id in round_ids for photo in results.photos_of(db, round_id)]

    ids = photos_of(db)

    def write(db: Session, outcome: work.MeasuredRound | Failed) -> None:
        row = db.get_one(Measured, seq)
        if row.inputs != given or photos_of(db) != ids:
            return  # what it took as given has changed meanwhile: it waits still
        row.done_at, row.says = now(), outcome.says
        if isinstance(outcome, Failed):
            row.state = "failed"
        elif outcome.result is None:
            row.state = "not_enough"
        else:
            row.state, row.result, row.observations = "done", outcome.result, outcome.observations
        db.flush()
        if "upkeep" in given:
            upkeep.after_measuring(db, row)
        results.clamps_changed(db, visit_id)
        tell(db, visit_id, "result")

    return write
