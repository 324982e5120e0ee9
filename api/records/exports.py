"""Signed visits as a zip file: in the formats that people and programs share, with the chain that binds them.

Layout: calib_data/schemas/RECORD.md. What is hashed goes in as the very bytes that were hashed.
"""

import json
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import BinaryIO

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.access.shop import Shop, shop
from api.figures import Figures
from api.photos import photofiles
from api.photos.photofiles import PhotoFiles
from api.problems import ConflictError
from api.records import chain
from api.records.chain import Json, Link
from api.records.record_parts import Page
from api.records.record_pdf import record_pdf
from api.records.removal import REMOVAL_KIND
from api.records.reviewing import REVIEW_KIND
from api.records.signing import RECORD_KIND
from api.store import Store
from api.tables import Entry, Visit
from calib_data.formats import SET
from calib_data.record import CHAIN, LOOKS

# Of the zip's own entries: fixed, so that the same visit gives the same file.
ZIP_TIME = (1980, 1, 1, 0, 0, 0)
REFUSED_FOLDER = "refused"


@dataclass(frozen=True)
class _Photo:
    """A photo file that is stored."""

    sha256: str
    n_bytes: int


@dataclass(frozen=True)
class _Part:
    """A file of the zip."""

    name: str
    content: bytes | _Photo


def write_visits(db: Session, store: Store, visit_ids: Iterable[str], out: BinaryIO) -> None:
    """Write signed visits with their photos into a zip file; one lies at its top, several in folders.

    Raises:
        ConflictError: One of them is not signed.
    """
    entries = [_entry(db, visit_id) for visit_id in visit_ids]
    if not entries:
        raise ConflictError("There is no signed visit to write. Sign one first.")
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as file:
        files = photofiles.files_at(store.place)
        for part in _parts(db, store, entries):
            _write(file, part, files)


def signed_visits(db: Session, store_id: str) -> list[str]:
    """The visits that a store has signed, in the order of its chain."""
    rows = db.scalars(
        select(Entry).where(Entry.store_id == store_id, Entry.kind == RECORD_KIND).order_by(Entry.seq)
    )
    return [entry.visit_id for entry in rows if entry.visit_id]


def page_of(ours: Shop, entry: Entry | None) -> Page:
    """How a shop prints a record, or a draft."""
    page = Page(ours.paper, Figures(ours.units, ours.decimal_mark))
    if entry is None:
        return page
    link = f"entry {entry.seq} of store {entry.store_id[:8]}"
    return replace(page, head=chain.code(entry.sha256), link=link)


def file_name(visit: Visit, ending: str) -> str:
    """What a visit's file is called when it is saved."""
    return f"visit-{visit.number}-{visit.slip}{ending}"


def _entry(db: Session, visit_id: str) -> Entry:
    found = db.scalar(select(Entry).where(Entry.visit_id == visit_id, Entry.kind == RECORD_KIND))
    if found is None:
        raise ConflictError("This visit is not signed. Sign it first: until then it may still change.")
    return found


def _write(file: zipfile.ZipFile, part: _Part, files: PhotoFiles) -> None:
    info = zipfile.ZipInfo(part.name, ZIP_TIME)
    is_photo = isinstance(part.content, _Photo)
    info.compress_type = zipfile.ZIP_STORED if is_photo else zipfile.ZIP_DEFLATED
    info.external_attr = 0o644 << 16
    if isinstance(part.content, bytes):
        file.writestr(info, part.content)
        return
    info.file_size = part.content.n_bytes
    with file.open(info, "w") as out:
        for piece in photofiles.pieces(files.open(part.content.sha256)):
            out.write(piece)


def _parts(db: Session, store: Store, entries: list[Entry]) -> Iterator[_Part]:
    told: list[tuple[str, Link]] = []
    missing: list[str] = []
    ours, shops = shop(db), {store.id: shop(db).name}
    for entry in entries:
        record = chain.body_of(entry)
        folder = "" if len(entries) == 1 else f"visit-{record['visit']['number']}-{record['visit']['slip']}/"
        told.append((f"{folder}record.json", _link(entry)))
        shops[entry.store_id] = record["shop"]["name"]
        yield _Part(f"{folder}record.pdf", record_pdf(record, page_of(ours, entry)))
        yield from _rounds(store, record, folder, missing)
        for i, shift in enumerate(record.get("shifts", ()), start=1):
            yield _Part(f"{folder}shift-{i}.json", _json(shift["file"]))
    recorded = {entry.visit_id for entry in entries}
    for removal in db.scalars(select(Entry).where(Entry.kind == REMOVAL_KIND, Entry.body.is_not(None))):
        if recorded & {visit for photo in chain.body_of(removal)["photos"] for visit in photo["visits"]}:
            told.append((f"entries/{removal.store_id[:8]}-{removal.seq:06}.json", _link(removal)))
    of_visits = (Entry.kind == REVIEW_KIND, Entry.body.is_not(None), Entry.visit_id.in_(recorded))
    for review in db.scalars(select(Entry).where(*of_visits)):
        told.append((f"entries/{review.store_id[:8]}-{review.seq:06}.json", _link(review)))
    for name, link in told:
        assert link.body is not None
        yield _Part(name, link.body)
    yield from _chains(db, shops, told)
    yield _Part("VERIFY.txt", _verify_note(told, missing).encode("utf-8"))


def _link(e: Entry) -> Link:
    return Link(
        e.store_id, e.seq, e.kind, e.visit_id, e.at, e.body, e.body_sha256, e.previous_sha256, e.sha256
    )


def _chains(db: Session, shops: dict[str, str], told: list[tuple[str, Link]]) -> Iterator[_Part]:
    """Every link of each chain that an entry is of; the record's own chain is `chain.json`."""
    for i, store_id in enumerate(dict.fromkeys(link.store_id for _, link in told)):
        files = {link.seq: name for name, link in told if link.store_id == store_id}
        links = [
            {"seq": seq, "body_sha256": body, "sha256": own} | ({"file": files[seq]} if seq in files else {})
            for seq, body, own in db.execute(
                select(Entry.seq, Entry.body_sha256, Entry.sha256)
                .where(Entry.store_id == store_id)
                .order_by(Entry.seq)
            )
        ]
        head = chain.head(db, store_id)
        about = {"store_id": store_id, "shop": shops.get(store_id, ""), "head": head}
        value = {"format": CHAIN, **about, "links": links}
        yield _Part("chain.json" if i == 0 else f"chain-{store_id[:8]}.json", _json(value))


def _rounds(store: Store, record: Json, folder: str, missing: list[str]) -> Iterator[_Part]:
    """One folder a round, which `plumbsight measure` computes again, and one of refused photos."""
    for one in record["rounds"]:
        inside = f"{folder}round-{one['number']}/"
        photos = [photo for photo in record["photos"] if photo["round"] == one["number"]]
        there = list(_photos(store, photos, inside, missing))
        yield from there
        listed = [part.name.removeprefix(inside) for part in there]
        observations = _observations(record, one, photos)
        if observations:
            yield _Part(f"{inside}observations.json", _json(observations))
            listed = [photo["name"] for photo in photos]
        kit = one["inputs"]["kit"] if one["inputs"] else record["kit"]
        yield _Part(f"{inside}kit.json", _json(kit["file"]))
        required = _required(record, one)
        for name, file in required.items():
            yield _Part(inside + name, _json(file))
        cameras = [camera["file"] for camera in one["inputs"].get("cameras", ())]
        for i, camera in enumerate(cameras, start=1):
            yield _Part(f"{inside}camera-{i}.json", _json(camera))
        made = _set(record, one, list(required), listed)
        made |= {"observations": "observations.json"} if observations else {}
        yield _Part(f"{inside}set.json", _json(made))
    refused = [photo for photo in record["photos"] if photo["round"] is None]
    yield from _photos(store, refused, f"{folder}{REFUSED_FOLDER}/", missing)


def _observations(record: Json, one: Json, photos: list[Json]) -> Json | None:
    """What was found in a round's photos; a check of clamps keeps both rounds' with the later."""
    if one["kind"] in LOOKS:
        return one["observations"]
    own = {photo["sha256"] for photo in photos}
    for other in record["rounds"]:
        found = [p for p in (other["observations"] or {}).get("photos", ()) if p["sha256"] in own]
        if found and other["kind"] not in LOOKS:
            return other["observations"] | {"photos": found}
    return None


def _required(record: Json, one: Json) -> dict[str, Json]:
    """Placements and relations as the round was measured with, else as the visit ended with, by file name."""
    given = one["inputs"] or record
    return {
        f"{kind}-{i}.json": each["file"]
        for kind in ("placement", "relation")
        for i, each in enumerate(given.get(f"{kind}s", ()), start=1)
    }


def _set(record: Json, one: Json, required: list[str], photos: list[str]) -> Json:
    made: Json = {
        "format": SET,
        "title": f"Visit {record['visit']['number']}, round {one['number']}",
        "taken": one["opened_at"][:10],
        "kit": "kit.json",
        "vehicle": one["inputs"].get("vehicle", record["visit"]["vehicle"]),
    }
    made |= {"study": _of_study(record["study"], one)} if record.get("study") else {}
    for kind in ("placement", "relation"):
        names = [name for name in required if name.startswith(kind)]
        made |= {f"{kind}s": names} if names else {}
    made |= {"photos": photos} if photos else {}
    n_cameras = len(one["inputs"].get("cameras", ()))
    made |= {"cameras": [f"camera-{i}.json" for i in range(1, n_cameras + 1)]} if n_cameras else {}
    made |= {"distrusted": one["inputs"]["distrusted"]} if "distrusted" in one["inputs"] else {}
    return made


def _of_study(study: Json, one: Json) -> Json:
    """Which round of the study it is; who took it by the record's id of the person, no name."""
    return {"name": study["name"], "set_up": study["set_up"], "by": one["opened_by"]}


def _photos(store: Store, photos: list[Json], folder: str, missing: list[str]) -> Iterator[_Part]:
    """The photo files that are there, by the names that results and observations call them."""
    for photo in photos:
        if photofiles.files_at(store.place).has(photo["sha256"]):
            yield _Part(folder + photo["name"], _Photo(photo["sha256"], photo["n_bytes"]))
        else:
            missing.append(f"{folder}{photo['name']}")


def _json(value: Json) -> bytes:
    return (json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode("utf-8")


NOTE = """How to check these files

1. Compute a round again: plumbsight measure round-1
   (observations.json stands in for photos that are not here; with --observations it is
   measured from alone)
   What is required from one round to another (shift-1.json): measure both with --json, then
   plumbsight shift shift-1.json RESULT-OF-ONE RESULT-OF-THE-OTHER
2. Take all of it into another store, checked first: plumbsight import THIS.zip --store FOLDER
3. Without plumbsight: the SHA-256 of each entry's bytes is its body_sha256 in chain.json. A
   link's own sha256 is the SHA-256 of the link's before (64 zeros before the first) followed by
   its body_sha256, both as 64 hex digits with nothing between. The head that a record prints is
   the first 130 bits of its link's sha256 in Crockford's base 32, and two symbols of check (the
   number modulo 1021). The SHA-256 of each photo stands in record.json.

Whoever holds the store could write its whole chain anew: only a head kept elsewhere, as on a
printed record, tells.

Entries here:
{entries}

Photos of the records that are not here (removed by order, or lost):
{missing}
"""


def _verify_note(told: list[tuple[str, Link]], missing: list[str]) -> str:
    """How to check the zip, with plumbsight and without."""
    entries = "\n".join(f"  {name}: entry {link.seq} of store {link.store_id}" for name, link in told)
    return NOTE.format(entries=entries, missing="\n".join(f"  {name}" for name in missing) or "  none")
