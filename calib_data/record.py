"""What a signed record holds, and the other entries of a chain, as pydantic models.

A record is written once, when a visit is signed, and tells a reader who has nothing else what was checked,
with what, by whom, and what it says; RECORD.md beside the schemas explains it. Ids are those of the store
in which the visit began. Times are UTC; `shop.zone` is the zone in which the people lived.
"""

from typing import Annotated, Any, Literal

from pydantic import Field, StringConstraints

from calib_data.clamps import ClampsFile
from calib_data.formats import (
    FileModel,
    IsoDate,
    KitFile,
    PlacementFile,
    RelationFile,
    ResultFile,
    ResultValue,
    Sha256,
    ShiftFile,
    ValueName,
    VehicleFile,
    _field,
)
from calib_data.proof import ProofFile

RECORD, REMOVAL = "plumbsight.record/1", "plumbsight.removal/1"
REVIEW = "plumbsight.review/1"
IMPORT, NOTE, CHAIN = "plumbsight.import/1", "plumbsight.note/1", "plumbsight.chain/1"

# Kinds of round that look at the target: a visit's decision is that of the last of these.
LOOKS = ("first", "after_correction", "after_calibration", "repeat")
# Of a study, which decides nothing.
REPEAT = LOOKS[-1]
# The round of a check of the clamps before which the vehicle was rolled.
ROLLED = "clamps_after"
# What a study's rounds may differ in.
VARIED = ("person", "phone", "kit", "shop")

Id = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{32}$")]
Time = Annotated[
    str,
    StringConstraints(pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{6}Z$"),
]
# A name in a folder on any system, never a way out of it.
PhotoName = Annotated[
    str, StringConstraints(max_length=200, pattern=r"^[^./\\:\x00-\x1f\x7f][^/\\:\x00-\x1f\x7f]*$")
]
Decision = Literal["conforming", "nonconforming", "undecided", "none"]
Probability = Annotated[float, Field(ge=0, le=1)]


class Place(FileModel):
    """Where in which chain an entry stands, and since when."""

    store_id: Id
    seq: int = Field(ge=1)
    kind: str
    visit_id: Id | None
    at: Time


class PersonOfRecord(FileModel):
    """A person whom the record names by `id` elsewhere, as named and with the role held at signing."""

    id: Id
    name: str
    role: Literal["technician", "reviewer", "owner"]


class ShopOfRecord(FileModel):
    """Where the visit was."""

    name: str
    zone: str = Field(description="The shop's time zone, an IANA name.")


class VisitOfRecord(FileModel):
    """Which visit, and of which vehicle."""

    id: Id
    store_id: Id = Field(description="The store in which it began.")
    number: int = Field(ge=1)
    slip: str = Field(description="What the slip's code said, photographed with the vehicle.")
    bay: str
    begun_by: Id
    begun_at: Time
    vehicle: VehicleFile
    odometer_km: int | None = None
    vin: str | None = None
    identity: str = Field(description="On what it rests that the photos show this vehicle, in words.")


class StudyOfRecord(FileModel):
    """That the visit is one of a study: it says how far rounds of one set-up agree, and proves no job."""

    name: str = Field(description="The same in all visits of the study, in other shops too.")
    set_up: str = Field(description="Which set-up was photographed.")
    varies: list[Literal["person", "phone", "kit", "shop"]] = Field(
        description="What was to differ between its rounds, here or in other visits."
    )


class _Revision(FileModel):
    id: Id
    revision: int = Field(ge=1)
    name: str
    is_demo: bool
    says: str = Field(description="What this revision changed, and why.")
    confirmed: list[Any] = Field([], description="Doubts that the person who entered it confirmed.")
    by: Id
    at: Time


class KitOfRecord(_Revision):
    """The kit, in the revision that the visit began with."""

    file: KitFile


class ProofOfRecord(FileModel):
    """A known length or way, measured with the kit in one of its revisions, and what came of it."""

    id: Id
    kit_revision: int = Field(ge=1)
    by: Id = Field(description="Who closed its photos.")
    at: Time
    file: ProofFile


class StandingOfRecord(FileModel):
    """How the kit stood by its proofs when the visit was signed."""

    says: list[str]
    is_flagged: bool = Field(
        description="A proof missed, and none of its kind passed since: nothing was decided with the kit."
    )
    due: IsoDate | None = Field(
        None, description="When the shop wanted the next proof; null: it asks for none."
    )


class PlacementOfRecord(_Revision):
    """What was required of one target, and by which procedure."""

    procedure_title: str
    procedure_edition: str
    family: str = ""
    file: PlacementFile


class RelationOfRecord(_Revision):
    """What was required of two of the placements together; each round's result decides it."""

    procedure_title: str
    procedure_edition: str
    family: str = ""
    file: RelationFile


class CameTo(FileModel):
    """What a shift came to: the difference of two rounds' values, with their joint covariance."""

    before_round: int | None = Field(description="The round that it starts from; null: there is none.")
    after_round: int | None
    name: str
    from_: str = Field(alias="from")
    to: str
    decision: Decision
    values: dict[ValueName, ResultValue]
    says: list[str]
    advice: list[str]


class ShiftOfRecord(_Revision):
    """What was required from one round to a later one, and what it came to."""

    procedure_title: str
    procedure_edition: str
    family: str = ""
    file: ShiftFile
    came_to: CameTo


class ConditionOfRecord(FileModel):
    """What was said of one condition. The last of a name counts; earlier ones are kept."""

    name: str
    asks: str = Field(description="What the condition asks for.")
    state: Literal["measured", "declared", "not_checked"]
    value: str
    by: Id | None = Field(description="null: nobody said anything of it.")
    at: Time | None


class DeviationOfRecord(FileModel):
    """What was changed or done otherwise within the visit."""

    says: str
    by: Id
    at: Time


class PhotoOfRecord(FileModel):
    """A photo that reached the visit: in a round, or refused with the reason. None is left out."""

    id: Id
    name: PhotoName
    round: int | None = Field(description="The round it counts in; null: refused.")
    sent_to_round: int
    sha256: Sha256 = Field(description="Of the file as stored.")
    came_as_sha256: Sha256 = Field(description="Of the file as the phone sent it.")
    taken_out: list[str] = Field(description="What was removed before storing, in words.")
    n_bytes: int = Field(ge=0)
    kind: str
    size_px: list[int]
    exif: dict[str, Any]
    by: Id
    at: Time
    state: Literal["looked", "failed"]
    remarks: list[Any] = Field(description="Sentences on the file.")
    seen: dict[str, Any] | None = Field(None, description="Sentences on what it shows, by plate.")
    tray_reason: str | None = None
    refused_reason: str | None = None
    refused_by: Id | None = None
    placed_by: Id | None = None
    decided_at: Time | None = None
    slip_seen: str | None = None
    removed_at: Time | None = Field(
        None, description="By order, before signing; an entry says by whom and why."
    )


class EarlierMeasuring(FileModel):
    """A measuring of the same round that a later one replaced, as after a photo came out of the tray."""

    asked_at: Time
    done_at: Time | None = None
    state: str
    says: str
    result: ResultFile | None = None
    clamps: ClampsFile | None = None


class RoundOfRecord(FileModel):
    """One walk with the phone: what was given, what was seen, what came of it."""

    id: Id
    number: int = Field(ge=1)
    kind: str
    opened_by: Id
    opened_at: Time
    closed_by: Id | None = None
    closed_at: Time
    standing: list[Id] | None = Field(
        None, description="Ids of the placements whose targets stood in it; null: all of them."
    )
    state: Literal["done", "not_enough", "failed", "not_asked"] = Field(
        description="done: `result` says. Otherwise there is none, and `says` tells why."
    )
    says: str
    asked_at: Time | None = None
    done_at: Time | None = None
    inputs: dict[str, Any] = Field(
        description="Vehicle, kit and placements as they stood when this round was measured."
    )
    result: ResultFile | None = None
    clamps: ClampsFile | None = Field(
        None, description="Of a round after rolling: what the check of clamps found, in place of a result."
    )
    observations: dict[str, Any] | None = Field(
        None, description="plumbsight.observations/1: enough to compute the result again."
    )
    earlier: list[EarlierMeasuring] = []


class ClampOff(FileModel):
    """That a clamp was taken off after it was checked: from this round on the check no longer holds of it."""

    wheel: str
    from_round: int
    says: str
    by: Id
    at: Time


class JointOfRecord(FileModel):
    """The probability that all required values of a placement lie within their tolerances at once."""

    placement: str
    p_conform_at_least: Probability
    p_conform: Probability | None = None


class RuleOfRecord(FileModel):
    """How values became decisions, and what several decisions at once are worth, in the last round."""

    says: str
    conforming_from_p: Probability
    nonconforming_to_p: Probability
    joint: list[JointOfRecord]


class Signature(FileModel):
    """Who closed the visit. Not a qualified electronic signature."""

    by: Id
    name: str
    role: Literal["technician", "reviewer", "owner"]
    at: Time
    statement: str = Field(description="What the person added, in their own words.")
    means: str


class RecordFile(FileModel):
    """A signed visit."""

    format: Literal["plumbsight.record/1"] = _field("the file's kind and version", f'It is "{RECORD}".')
    chain: Place
    decision: Decision = Field(
        description="The worst of what was required, each by the last round in which it was looked at."
    )
    says: str = Field(description='The decision in words, e.g. "conforming in round 3 of 3".')
    covers: str = Field(description="What the record speaks of, and what not.")
    shop: ShopOfRecord
    people: list[PersonOfRecord]
    visit: VisitOfRecord
    study: StudyOfRecord | None = Field(None, description="null: a job, and no study.")
    kit: KitOfRecord
    proof: StandingOfRecord | None = Field(None, description="null: written before proofs were recorded.")
    proofs: list[ProofOfRecord] = Field(
        [], description="Of each kind the latest that passed or flagged, and the newest; newest first."
    )
    placements: list[PlacementOfRecord]
    relations: list[RelationOfRecord] = []
    shifts: list[ShiftOfRecord] = []
    conditions: list[ConditionOfRecord]
    deviations: list[DeviationOfRecord]
    rounds: list[RoundOfRecord] = Field(min_length=1)
    clamps_off: list[ClampOff] = []
    photos: list[PhotoOfRecord]
    phones: list[str]
    rule: RuleOfRecord
    not_checked: list[str]
    cautions: list[str]
    made_with: dict[str, str]
    signature: Signature


class RemovedPhoto(FileModel):
    """A photo file that was deleted; what was seen in it stays."""

    sha256: Sha256
    came_as_sha256: Sha256
    arrivals: list[Id]
    visits: list[Id]


class RemovalFile(FileModel):
    """An entry that says who had photo files deleted, and why."""

    format: Literal["plumbsight.removal/1"]
    chain: Place
    photos: list[RemovedPhoto] = Field(min_length=1)
    why: str = Field(min_length=1)
    by: Id
    name: str
    role: str


class ReviewedMeasuring(FileModel):
    """Which measuring a reviewer looked at: the row of a re-check's results."""

    archive: str
    set_id: str
    number: int
    mode: Literal["observations", "photos"]
    fingerprint: str
    software: str
    outcome: str
    decision: str | None


class ReviewFile(FileModel):
    """An entry that says what a reviewer makes of a round that was measured again."""

    format: Literal["plumbsight.review/1"]
    chain: Place
    round_id: str
    measured: ReviewedMeasuring
    verdict: Literal["sound", "doubtful", "wrong"]
    words: str
    by: Id
    name: str
    role: str


class ImportFile(FileModel):
    """An entry that says what was taken in from another store, with the links that came."""

    format: Literal["plumbsight.import/1"]
    chain: Place
    from_store: Id
    from_shop: str
    head: Sha256 = Field(description="The hash of the other chain's last link that came.")
    n_links: int = Field(ge=1)
    entries: dict[str, Sha256] = Field(
        description="Place in the other chain -> hash, of entries with content."
    )
    visits: list[Id]
    by: Id | None
    name: str


class NoteFile(FileModel):
    """An entry that says what befell the store, such as that it was restored from a copy."""

    format: Literal["plumbsight.note/1"]
    chain: Place
    says: str
    by: Id | None = None
    name: str = ""


class ChainLink(FileModel):
    """A link without its body."""

    seq: int = Field(ge=1)
    body_sha256: Sha256
    sha256: Sha256
    file: str | None = Field(None, description="The file beside this one whose bytes are the body.")


class ChainFile(FileModel):
    """A chain as it goes with an export: every link, bodies only of what is exported."""

    format: Literal["plumbsight.chain/1"]
    store_id: Id
    shop: str
    head: str = Field(description="The code of the last link, as records print it.")
    links: list[ChainLink] = Field(min_length=1)


ENTRIES: dict[str, type[FileModel]] = {
    "record": RecordFile,
    "removal": RemovalFile,
    "review": ReviewFile,
    "import": ImportFile,
    "note": NoteFile,
}
