"""The store's tables. What counts as evidence is added and never changed; `entry` chains it by hash.

Times are UTC, ISO 8601 with "Z" and microseconds; order is told by the counting keys, since clocks jump.
Ids are 32 hex digits (uuid4), so that two stores' visits can be brought together without renaming.
JSON columns hold the exchange formats of calib_data as they were given.
"""

from typing import Any

from sqlalchemy import JSON, ForeignKey, LargeBinary, MetaData, String, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

ID_LENGTH, SHA_LENGTH, TIME_LENGTH = 32, 64, 27


class Table(DeclarativeBase):
    """Base of all tables; constraint names are fixed so that migrations can name them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_label)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {dict[str, Any]: JSON, list[Any]: JSON}


def _id(*args: Any, **kwargs: Any) -> Any:
    return mapped_column(String(ID_LENGTH), *args, **kwargs)


def _time(**kwargs: Any) -> Any:
    return mapped_column(String(TIME_LENGTH), **kwargs)


class Setting(Table):
    """What the shop has set: its name, zone, retention, hosts that a person added."""

    __tablename__ = "setting"
    name: Mapped[str] = mapped_column(String(64), primary_key=True)
    value: Mapped[dict[str, Any]]


# --- who ----------------------------------------------------------------------------------------


class Person(Table):
    """Who works with the service; roles: technician, reviewer, owner."""

    __tablename__ = "person"
    id: Mapped[str] = _id(primary_key=True)
    name: Mapped[str] = mapped_column(String(200))
    role: Mapped[str] = mapped_column(String(16))
    pin_hash: Mapped[str | None] = mapped_column(String(200))  # argon2; None: has not chosen one yet
    # Wrong ones in a row; an attempt counts before it is looked at.
    pin_failures: Mapped[int] = mapped_column(default=0)
    pin_tried_at: Mapped[str | None] = _time()
    added_at: Mapped[str] = _time()
    withdrawn_at: Mapped[str | None] = _time()


class Pairing(Table):
    """A code that pairs one phone with one person, once, for ten minutes.

    Without a person it is the terminal's: who scans it says who he is, and proves it by his PIN.
    """

    __tablename__ = "pairing"
    code_hash: Mapped[str] = mapped_column(String(SHA_LENGTH), primary_key=True)
    person_id: Mapped[str | None] = _id(ForeignKey("person.id"))
    # Whoever uses it chooses a new PIN instead of telling the old one.
    sets_pin: Mapped[bool] = mapped_column(default=False)
    made_at: Mapped[str] = _time()
    ends_at: Mapped[str] = _time()
    used_at: Mapped[str | None] = _time()


class Session(Table):
    """A paired device. Only the hash of its secret is kept; its form token is computed from the secret."""

    __tablename__ = "session"
    id: Mapped[str] = _id(primary_key=True)
    secret_hash: Mapped[str] = mapped_column(String(SHA_LENGTH), unique=True)
    person_id: Mapped[str] = _id(ForeignKey("person.id"))
    device: Mapped[str] = mapped_column(String(200))
    made_at: Mapped[str] = _time()
    seen_at: Mapped[str] = _time()
    withdrawn_at: Mapped[str | None] = _time()


class Answered(Table):
    """The answer to a request that carried an idempotency key: sent again, it is answered again."""

    __tablename__ = "answered"
    person_id: Mapped[str] = _id(primary_key=True)
    key: Mapped[str] = mapped_column(String(200), primary_key=True)
    request_sha256: Mapped[str] = mapped_column(String(SHA_LENGTH))
    status: Mapped[int]
    body: Mapped[dict[str, Any]]
    at: Mapped[str] = _time(index=True)


# --- kits and placements, in revisions ------------------------------------------------------------


class Kit(Table):
    __tablename__ = "kit"
    id: Mapped[str] = _id(primary_key=True)
    added_at: Mapped[str] = _time()
    retired_at: Mapped[str | None] = _time()


class KitRevision(Table):
    """A kit as it was from some day on. `file` is plumbsight.kit/1."""

    __tablename__ = "kit_revision"
    kit_id: Mapped[str] = _id(ForeignKey("kit.id"), primary_key=True)
    revision: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(200))
    file: Mapped[dict[str, Any]]
    is_demo: Mapped[bool]
    says: Mapped[str]  # what changed, and why
    confirmed: Mapped[list[Any]] = mapped_column(JSON, default=list)  # doubts that the person confirmed
    by: Mapped[str] = _id(ForeignKey("person.id"))
    at: Mapped[str] = _time()


class Placement(Table):
    __tablename__ = "placement"
    id: Mapped[str] = _id(primary_key=True)
    added_at: Mapped[str] = _time()
    retired_at: Mapped[str | None] = _time()


class PlacementRevision(Table):
    """What is required of one target, or between two. `file` is plumbsight.placement/1, relation/1 or
    shift/1; where from is recorded beside it."""

    __tablename__ = "placement_revision"
    placement_id: Mapped[str] = _id(ForeignKey("placement.id"), primary_key=True)
    revision: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(200))
    file: Mapped[dict[str, Any]]
    procedure_title: Mapped[str] = mapped_column(String(300))
    procedure_edition: Mapped[str] = mapped_column(String(100))
    family: Mapped[str] = mapped_column(String(64), default="")  # of the template; empty: the shop's own
    is_demo: Mapped[bool]
    says: Mapped[str]
    confirmed: Mapped[list[Any]] = mapped_column(JSON, default=list)  # doubts that the person confirmed
    by: Mapped[str] = _id(ForeignKey("person.id"))
    at: Mapped[str] = _time()


# --- visits, rounds, photos -----------------------------------------------------------------------


class Visit(Table):
    """One vehicle, once in the bay. `vehicle` is the vehicle of plumbsight.set/1."""

    __tablename__ = "visit"
    id: Mapped[str] = _id(primary_key=True)
    number: Mapped[int] = mapped_column(index=True)  # as printed on the slip; unique in the store it began in
    store_id: Mapped[str] = _id(index=True)  # where it began: another one's after an import
    slip: Mapped[str] = mapped_column(String(16), unique=True)  # what the slip's code says
    bay: Mapped[str] = mapped_column(String(200))
    vehicle: Mapped[dict[str, Any]]
    odometer_km: Mapped[int | None]
    vin: Mapped[str | None] = mapped_column(String(17))
    kit_id: Mapped[str] = _id(ForeignKey("kit.id"))
    kit_revision: Mapped[int]
    begun_by: Mapped[str] = _id(ForeignKey("person.id"))
    begun_at: Mapped[str] = _time(index=True)
    signed_at: Mapped[str | None] = _time()
    __table_args__ = (UniqueConstraint("store_id", "number"),)


class Study(Table):
    """Marks a visit as one of a study: a set-up is photographed again and again, and nothing is decided."""

    __tablename__ = "study"
    visit_id: Mapped[str] = _id(ForeignKey("visit.id"), primary_key=True)
    name: Mapped[str] = mapped_column(String(200), index=True)  # the same in all visits of the study
    set_up: Mapped[str] = mapped_column(String(200))
    varies: Mapped[list[Any]]  # some of calib_data.record.VARIED


class VisitPlacement(Table):
    """Which placements a visit checks, in order; after them, what is required between them."""

    __tablename__ = "visit_placement"
    visit_id: Mapped[str] = _id(ForeignKey("visit.id"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    placement_id: Mapped[str] = _id(ForeignKey("placement.id"))
    revision: Mapped[int]


class Condition(Table):
    """What was said of one condition; the latest by `seq` counts, the earlier ones stay."""

    __tablename__ = "condition"
    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=True)
    visit_id: Mapped[str] = _id(ForeignKey("visit.id"), index=True)
    name: Mapped[str] = mapped_column(String(64))
    state: Mapped[str] = mapped_column(String(16))  # measured, declared, not_checked
    value: Mapped[str] = mapped_column(String(200))
    by: Mapped[str] = _id(ForeignKey("person.id"))
    at: Mapped[str] = _time()


class Deviation(Table):
    """What was changed or done otherwise within a visit, in words; it goes into the record."""

    __tablename__ = "deviation"
    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=True)
    visit_id: Mapped[str] = _id(ForeignKey("visit.id"), index=True)
    says: Mapped[str]
    by: Mapped[str] = _id(ForeignKey("person.id"))
    at: Mapped[str] = _time()


class Round(Table):
    """One walk with the phone. Kinds: first, after_correction, after_calibration, of a study repeat, look at
    the target; clamps_before and clamps_after are a check of the clamps, before and after the vehicle is
    rolled; of upkeep, its groups."""

    __tablename__ = "round"
    id: Mapped[str] = _id(primary_key=True)
    visit_id: Mapped[str] = _id(ForeignKey("visit.id"), index=True)
    number: Mapped[int]
    kind: Mapped[str] = mapped_column(String(24))
    opened_by: Mapped[str] = _id(ForeignKey("person.id"))
    opened_at: Mapped[str] = _time()
    closed_by: Mapped[str | None] = _id(ForeignKey("person.id"))
    closed_at: Mapped[str | None] = _time()
    # Ids of the visit's placements whose targets stand in this round; None: of all.
    standing: Mapped[list[Any] | None] = mapped_column(JSON)
    __table_args__ = (UniqueConstraint("visit_id", "number"),)


class ClampOff(Table):
    """That a clamp was taken off after a check: from this round on, what was found of it holds no more."""

    __tablename__ = "clamp_off"
    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=True)
    visit_id: Mapped[str] = _id(ForeignKey("visit.id"), index=True)
    wheel: Mapped[str] = mapped_column(String(16))
    from_round: Mapped[int]
    says: Mapped[str]
    by: Mapped[str] = _id(ForeignKey("person.id"))
    at: Mapped[str] = _time()


class PhotoFile(Table):
    """A stored file, by the hash of what is stored. `came_as` differs where GPS or a video was taken out."""

    __tablename__ = "photo_file"
    sha256: Mapped[str] = mapped_column(String(SHA_LENGTH), primary_key=True)
    came_as_sha256: Mapped[str] = mapped_column(String(SHA_LENGTH), index=True)
    taken_out: Mapped[list[Any]]  # words: "place (GPS)", "video with sound"
    n_bytes: Mapped[int]
    kind: Mapped[str] = mapped_column(String(8))  # jpeg, png, heic: by content
    size_px: Mapped[list[Any]]
    exif: Mapped[dict[str, Any]]
    stored_at: Mapped[str] = _time()
    removed_at: Mapped[str | None] = _time()  # by order; the entry says who and why


class Arrival(Table):
    """A photo sent to a visit. It is in a round, in the tray, or refused; it never vanishes.

    States: waiting (for a worker), looked (plates found or not), failed (cannot be read).
    """

    __tablename__ = "arrival"
    id: Mapped[str] = _id(primary_key=True)
    seq: Mapped[int] = mapped_column(unique=True)  # order of arrival in this store
    visit_id: Mapped[str] = _id(ForeignKey("visit.id"), index=True)
    round_id: Mapped[str | None] = _id(ForeignKey("round.id"), index=True)  # None: tray or refused
    sent_to_round_id: Mapped[str] = _id(ForeignKey("round.id"))
    sha256: Mapped[str] = mapped_column(String(SHA_LENGTH), ForeignKey("photo_file.sha256"), index=True)
    name: Mapped[str] = mapped_column(String(200))  # as the phone calls it
    client_key: Mapped[str] = mapped_column(String(64))
    by: Mapped[str] = _id(ForeignKey("person.id"))
    at: Mapped[str] = _time()
    tray_reason: Mapped[str | None]  # why it did not go into the round by itself
    refused_reason: Mapped[str | None]  # why a person, or the service, left it out
    placed_by: Mapped[str | None] = _id(ForeignKey("person.id"))
    refused_by: Mapped[str | None] = _id(ForeignKey("person.id"))
    decided_at: Mapped[str | None] = _time()  # when a person placed or refused it
    state: Mapped[str] = mapped_column(String(8), index=True)
    remarks: Mapped[list[Any]]  # sentences on the file, for the technician
    # {"plates": [{"plate", "says"}], "says": [...]}; None: not looked at yet
    seen: Mapped[dict[str, Any] | None] = mapped_column(JSON)
    slip_seen: Mapped[str | None] = mapped_column(String(16))
    found: Mapped[bytes | None] = mapped_column(LargeBinary)  # one photo of plumbsight.observations/1, zlib
    __table_args__ = (UniqueConstraint("visit_id", "client_key"),)


class Measured(Table):
    """One measuring of a round; the latest by `seq` counts. States: waiting, done, not_enough, failed.

    Of a round of kind clamps_after, `result` is plumbsight.clamps/1, from both rounds of the check.
    """

    __tablename__ = "measured"
    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=True)
    round_id: Mapped[str] = _id(ForeignKey("round.id"), index=True)
    state: Mapped[str] = mapped_column(String(16), index=True)
    says: Mapped[str]  # why there is no result
    asked_at: Mapped[str] = _time()
    done_at: Mapped[str | None] = _time()
    inputs: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)  # as inputs.of_round gave them
    # plumbsight.result/1, after rolling clamps/1; of an upkeep that is no slide, as upkeep_work.py makes it
    result: Mapped[dict[str, Any] | None] = mapped_column(JSON)
    observations: Mapped[bytes | None] = mapped_column(LargeBinary)  # plumbsight.observations/1, zlib


# --- the kit's upkeep -------------------------------------------------------------------------------


class Upkeep(Table):
    """Marks a visit whose photos belong to the kit and to no customer's vehicle: taught, measured or proved.

    Kinds: upkeep.KINDS. It has number, slip, rounds, photos and tray as all visits, and is never signed.
    """

    __tablename__ = "upkeep"
    visit_id: Mapped[str] = _id(ForeignKey("visit.id"), primary_key=True)
    kind: Mapped[str] = mapped_column(String(16), index=True)
    asked: Mapped[dict[str, Any]]  # what its kind takes as given, such as a bar's length


class Proof(Table):
    """What a known length or way came to. None is ever removed or changed; `file` is plumbsight.proof/1.

    Without a visit it came with a record of another store, and says nothing of a kit here.
    """

    __tablename__ = "proof"
    id: Mapped[str] = _id(primary_key=True)
    seq: Mapped[int] = mapped_column(unique=True)  # the order in which they came out, in this store
    # Arrival.seq of the last photo that it rests on: old photos measured again make no newer proof.
    last_photo: Mapped[int]
    kit_id: Mapped[str] = _id(ForeignKey("kit.id"), index=True)
    kit_revision: Mapped[int]
    visit_id: Mapped[str | None] = _id(ForeignKey("visit.id"), index=True)
    what: Mapped[str] = mapped_column(String(16))  # bar, slide
    verdict: Mapped[str] = mapped_column(String(16))  # passed, flagged, undecided
    file: Mapped[dict[str, Any]]
    by: Mapped[str] = _id(ForeignKey("person.id"))  # who closed the photos of which it is made, and when
    at: Mapped[str] = _time()


class VisitProof(Table):
    """Which proofs of its kit counted when a visit was signed."""

    __tablename__ = "visit_proof"
    visit_id: Mapped[str] = _id(ForeignKey("visit.id"), primary_key=True)
    proof_id: Mapped[str] = _id(ForeignKey("proof.id"), primary_key=True)


class LensProfile(Table):
    """A phone's lens, measured; counts for all photos of that phone until retired.

    `file` is plumbsight.camera/1.
    """

    __tablename__ = "lens_profile"
    id: Mapped[str] = _id(primary_key=True)
    label: Mapped[str] = mapped_column(String(300))
    file: Mapped[dict[str, Any]]
    visit_id: Mapped[str] = _id(ForeignKey("visit.id"))
    by: Mapped[str] = _id(ForeignKey("person.id"))
    at: Mapped[str] = _time()
    retired_by: Mapped[str | None] = _id(ForeignKey("person.id"))
    retired_at: Mapped[str | None] = _time()


# --- the record -----------------------------------------------------------------------------------


class Entry(Table):
    """A link of a chain: record, removal, import, note. sha256 covers the link before and the body's hash.

    The body repeats store, place, kind, visit and time, so that the hash covers them too. Of another
    store's chain, links whose body was not brought along are kept without it, as kind "elsewhere".
    """

    __tablename__ = "entry"
    store_id: Mapped[str] = _id(primary_key=True)  # an imported store's chain keeps its own
    seq: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str] = mapped_column(String(24))
    visit_id: Mapped[str | None] = _id(index=True)
    body: Mapped[bytes | None] = mapped_column(LargeBinary)  # canonical JSON, the very bytes that were hashed
    body_sha256: Mapped[str] = mapped_column(String(SHA_LENGTH))
    previous_sha256: Mapped[str] = mapped_column(String(SHA_LENGTH))
    sha256: Mapped[str] = mapped_column(String(SHA_LENGTH), unique=True)
    at: Mapped[str] = _time()


class Change(Table):
    """What a page that is open should look at again; its `seq` is the event stream's position."""

    __tablename__ = "change"
    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=True)
    visit_id: Mapped[str | None] = _id(index=True)
    what: Mapped[str] = mapped_column(String(64))
