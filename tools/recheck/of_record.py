"""A record -> its rounds to be measured again: of a store's visit, or of an exported one."""

import json
from collections.abc import Callable, Iterator, Mapping

from api.records.recording import asked_of
from calib_data.formats import RESULT
from calib_data.photoset import PhotoSet, photo_set_of
from calib_data.reading import parse_json
from calib_data.recheck import Finding
from calib_data.record import LOOKS, RecordFile
from tools.recheck import export_chain
from tools.recheck.folders import Folder
from tools.recheck.listing import RECORD_NAME
from tools.recheck.material import (
    Json,
    RoundToMeasure,
    ShiftsOfVisit,
    WantedPhoto,
    found_then,
    kit_facts,
    plain_facts,
    vehicle_facts,
)
from tools.recheck.sets import ArchivedSet, PhotoPlace, StoredVisit, fingerprint_of
from vision.errors import InputFileError

MOST_RECORD_BYTES = 500_000_000
_NOT_ASKED = "The round was signed without having been measured: there is nothing to compare with."
_NOT_SIGNED = "The visit is not signed: no record tells of it, so there is nothing to compare with."
Photos = Mapping[tuple[int, str], PhotoPlace]
FilesNow = Callable[[Json, Json], Iterator[Finding]]


def of_store(one: ArchivedSet, visit: StoredVisit) -> Iterator[RoundToMeasure]:
    """A store's visit; one that is not signed has the same words from its tables, and no record."""

    def files_now(record: Json, _: Json) -> Iterator[Finding]:
        yield from _tables_now(record, visit)
        if visit.link is not None and record["chain"] != visit.link:
            yield Finding("record_broken", "", "The record says that it stands elsewhere in the chain.")

    yield from _rounds(one, visit.body, visit.link is not None, visit.photos, list(one.findings), files_now)


def of_export(one: ArchivedSet, folder: Folder) -> Iterator[RoundToMeasure]:
    """An exported visit, in a zip or unpacked."""
    body = folder.read(RECORD_NAME, MOST_RECORD_BYTES)
    findings = list(export_chain.findings(one.chain, body))
    removed = export_chain.removed_photos(one.chain)

    def files_now(_: Json, one_round: Json) -> Iterator[Finding]:
        yield from _files_now(one_round, folder.under(f"round-{one_round['number']}"))

    yield from _rounds(one, body, True, _exported(folder, body, removed), findings, files_now)


# --- rounds ---------------------------------------------------------------------------------------


def _rounds(
    one: ArchivedSet,
    body: bytes,
    is_signed: bool,
    photos: Photos,
    findings: list[Finding],
    files_now: FilesNow,
) -> Iterator[RoundToMeasure]:
    try:
        record = json.loads(body)
        if is_signed:
            RecordFile.model_validate(record)
    except ValueError as wrong:  # pydantic's is one
        says = "The record cannot be read: what it says is lost."
        broken = Finding("record_broken", "", says)
        yield RoundToMeasure(
            plain_facts(one), findings=(*findings, broken), unreadable=f"{says} {wrong}"[:500]
        )
        return
    looks = [each["number"] for each in record["rounds"] if each["kind"] in LOOKS]
    for each in record["rounds"]:
        facts = _facts(record, each) | {"is_last": each["number"] == max(looks, default=0)}
        known = tuple(findings) + tuple(files_now(record, each))
        try:
            yield _round(record, each, facts, is_signed, photos, known)
        except InputFileError as wrong:
            yield RoundToMeasure(facts, is_signed=is_signed, findings=known, unreadable=str(wrong))


def _round(
    record: Json, each: Json, facts: Json, is_signed: bool, photos: Photos, findings: tuple[Finding, ...]
) -> RoundToMeasure:
    result = each["result"]
    if result is not None and result.get("format") != RESULT:
        raise InputFileError(f"A round of the kind {each['kind']} has no result that is measured again.")
    wanted = tuple(
        WantedPhoto(photo["name"], photo["sha256"], _place(photos, each["number"], photo))
        for photo in record["photos"]
        if photo["round"] == each["number"]
    )
    was_measured = is_signed and each["state"] != "not_asked"
    if not was_measured:
        findings = (*findings, Finding("not_signed", "", _NOT_ASKED if is_signed else _NOT_SIGNED))
    return RoundToMeasure(
        facts,
        _photo_set(record, each),
        wanted,
        found_then(each["observations"]) if each["observations"] else {},
        result if was_measured else None,
        was_measured,
        findings,
        shifts=_shifts(record),
    )


def _shifts(record: Json) -> ShiftsOfVisit | None:
    if not record.get("shifts"):
        return None
    told = ("number", "kind", "standing", "closed_at", "state")
    rounds = tuple({key: one[key] for key in told} for one in record["rounds"])
    signed = {one["file"]["name"]: one["came_to"] for one in record["shifts"]}
    return ShiftsOfVisit(rounds, asked_of(record), signed)


def _place(photos: Photos, number: int, photo: Json) -> PhotoPlace:
    """Where the photo is; what the archive does not know any more is missing."""
    known = photos.get((number, photo["name"]))
    return known or PhotoPlace(Folder(""), photo["name"], "missing")


def _given(record: Json, each: Json) -> tuple[Json, Json]:
    """Vehicle and kit as the round was measured with, else as the visit ended with."""
    inputs = each["inputs"]
    if inputs:
        return inputs["vehicle"], inputs["kit"]["file"]
    return record["visit"]["vehicle"], record["kit"]["file"]


def _photo_set(record: Json, each: Json) -> PhotoSet:
    vehicle, kit = _given(record, each)
    required = each["inputs"] or record
    inputs = each["inputs"] or {}
    return photo_set_of(
        f"Visit {record['visit']['number']}, round {each['number']}",
        kit,
        vehicle,
        [one["file"] for one in required["placements"]],
        [one["file"] for one in required.get("relations", ())],
        cameras=[one["file"] for one in inputs.get("cameras", ())],
        distrusted=inputs.get("distrusted", ""),
    )


def _facts(record: Json, each: Json) -> Json:
    visit, inputs = record["visit"], each["inputs"]
    vehicle, kit = _given(record, each)
    roles = {person["id"]: person["role"] for person in record["people"]}
    given = (inputs or {}).get("kit", {})
    return {
        "round_id": each["id"],
        "number": each["number"],
        "kind": each["kind"],
        "taken": each["opened_at"],
        "store_id": visit["store_id"],
        "shop": record.get("shop", {}).get("name"),
        "visit_id": visit["id"],
        "visit": visit["number"],
        "bay": visit["bay"] or None,
        **of_study(record, each),
        "person": roles.get(each["closed_by"]),
        "kit_id": given.get("id", record["kit"]["id"]),
        "kit_revision": given.get("revision", record["kit"]["revision"]),
        "vehicle": vehicle,
        **kit_facts(kit),
        "kit_name": record["kit"]["name"],
        **vehicle_facts(vehicle),
    }


def of_study(record: Json, each: Json) -> Json:
    """Of a visit that is a study's: who took the round, by the id that the record has of the person.

    Photos of several people make a round that nobody took.
    """
    told = record.get("study")
    if told is None:
        return {}
    senders = {photo["by"] for photo in record["photos"] if photo["round"] == each["number"]}
    by = each["opened_by"] if senders <= {each["opened_by"]} else None
    return {"study": told["name"], "set_up": told["set_up"], "by": by}


# --- kit and placements since ---------------------------------------------------------------------


def _tables_now(record: Json, visit: StoredVisit) -> Iterator[Finding]:
    """What the store's tables say today of the revisions that the record holds."""
    required = [
        (kind, one) for kind in ("placement", "relation", "shift") for one in record.get(f"{kind}s", ())
    ]
    for what, one in (("kit", record["kit"]), *required):
        now = visit.files_now.get((one["id"], one["revision"]))
        if now != fingerprint_of(one["file"]):
            says = (
                f"The {what} {one['name']}, revision {one['revision']}, is not in the store as it was "
                "signed. The record's own was used."
            )
            yield Finding("kit_changed", one["name"], says)
    kit = record["kit"]
    newest = visit.newest.get(kit["id"], 0)
    if newest > kit["revision"]:
        says = f"The kit {kit['name']} has revision {newest} by now; this was revision {kit['revision']}."
        yield Finding("later_revision", kit["name"], says)


def _files_now(each: Json, folder: Folder) -> Iterator[Finding]:
    """Kit, placement and relation files in an exported round's folder against what the record holds."""
    inputs = each["inputs"]
    if not inputs:
        return
    parts = {"kit.json": inputs["kit"]} | {
        f"{kind}-{i}.json": one
        for kind in ("placement", "relation")
        for i, one in enumerate(inputs.get(f"{kind}s", ()), start=1)
    }
    for name, part in parts.items():
        if not folder.has(name):
            continue  # the record's own serves; whoever unpacked it may have left it out
        try:
            is_same = fingerprint_of(parse_json(folder.read(name), name, InputFileError)) == fingerprint_of(
                part["file"]
            )
        except InputFileError:
            is_same = False
        if not is_same:
            says = f"{name} of round {each['number']} is not what was signed. The record's own was used."
            yield Finding("kit_changed", name, says)


def _exported(folder: Folder, body: bytes, removed: frozenset[str]) -> Photos:
    try:
        photos = json.loads(body)["photos"]
        named = [(photo["round"], photo["name"], photo["sha256"]) for photo in photos]
    except (ValueError, KeyError, TypeError):
        return {}  # `_rounds` says what is wrong with it
    made = {}
    for number, name, sha256 in named:
        inside = folder.under(f"round-{number}")
        is_there = number is not None and inside.has(name)
        state = "there" if is_there else "removed" if sha256 in removed else "missing"
        made[number, name] = PhotoPlace(inside, name, state)  # type: ignore[arg-type]
    return made
