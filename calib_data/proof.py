"""What a proof round leaves behind: `plumbsight.proof/1`, as a pydantic model."""

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Annotated, Any, Literal

from pydantic import Field

from calib_data.compare import RoundsCompared, compare_results
from calib_data.formats import FileModel, IsoDate, Line, PlateNumber, Sha256
from vision.errors import NotEnoughError
from vision.proof import Proof, proved_slide
from vision.sightings import FoundPhoto

PROOF = "plumbsight.proof/1"

Length = Annotated[float, Field(ge=0)]


class ProofFile(FileModel):
    """A known length or way, measured; lengths in mm."""

    format: Literal["plumbsight.proof/1"] = Field(description="The file's kind and version.")
    date: IsoDate = Field(description="The day of the photos as their EXIF says, else the day of the proof.")
    kit: Line = Field(description="The kit's name.")
    kit_sha256: Sha256 = Field(description="Of the kit file's bytes: a changed kit is not proved by it.")
    phones: list[Line] = Field(description="Make and model of the phones, as the photos' EXIF says.")
    what: Literal["bar", "slide"] = Field(description="A bar's length, or a fixture slid by a known way.")
    plates: list[PlateNumber] = Field([], description="The bar's two plates.", max_length=2)
    along: Literal["distance_mm", "lateral_mm"] | None = Field(
        None, description="The value that sliding changed; its sign is the way's."
    )
    value: float = Field(description="As measured.")
    u: Length = Field(description="Standard uncertainty of the value.")
    reference: float = Field(description="As known.")
    u_reference: Length = Field(description="Standard uncertainty of the reference.")
    budget: dict[str, float] = Field(
        {}, description="Shares of causes in the variance of the value, where they are known."
    )
    interval95: list[float] = Field(
        description="95 % interval of value less reference; zero lies in it unless the kit is flagged.",
        min_length=2,
        max_length=2,
    )
    shows: Length = Field(description="Smallest error that such a proof flags in 95 of 100 cases.")
    verdict: Literal["passed", "flagged", "undecided"] = Field(
        description="`undecided` where nothing is proved: it agrees, but would show gross errors only."
    )
    says: str = Field(description="The verdict in words, and what to do.")
    photos_sha256: list[Sha256] = Field(description="Hashes of the photos.")


def proof_file(
    proof: Proof,
    found: Sequence[FoundPhoto],
    *,
    today: str,
    kit: str,
    kit_sha256: str,
    plates: Sequence[int] = (),
    along: Literal["distance_mm", "lateral_mm"] | None = None,
    budget: Mapping[str, float] = MappingProxyType({}),
) -> ProofFile:
    """A proof as its file.

    Args:
        found: The photos that it rests on.
        today: The day of the proof, ISO 8601, for photos that do not tell theirs.
    """
    low, high = proof.interval95
    phones = {" ".join(filter(None, (f.exif.make, f.exif.model))) or "unknown phone" for f in found}
    taken = [f.exif.taken[:10] for f in found if f.exif.taken]
    return ProofFile.model_validate(
        {
            "format": PROOF,
            "date": max(taken, default=today),
            "kit": kit,
            "kit_sha256": kit_sha256,
            "phones": sorted(phones),
            "what": proof.what,
            "plates": list(plates),
            "along": along,
            "value": round(proof.value, 4),
            "u": round(proof.u, 4),
            "reference": proof.reference,
            "u_reference": round(proof.u_reference, 4),
            "budget": {cause: round(share, 4) for cause, share in budget.items()},
            "interval95": [round(low, 4), round(high, 4)],
            "shows": round(proof.shows, 4),
            "verdict": proof.verdict,
            "says": proof.says,
            "photos_sha256": [f.sha256 for f in found],
        }
    )


def slide_of(results: Sequence[Mapping[str, Any]], value: str, by_mm: float, u_by_mm: float) -> Proof:
    """The proof from the two rounds' results.

    Raises:
        NotEnoughError: The rounds do not tell the way, or something but the fixture moved.
    """
    compared = compare_results(dict(results[0]), dict(results[1]))
    _need_comparable(results, compared)
    difference = next(d for d in compared.placements[0].values if d.key == value)
    if difference.difference is None or difference.u is None:
        raise NotEnoughError(f"{value} was not measured in both rounds. {difference.says}")
    return proved_slide(difference.difference, difference.u, by_mm, u_by_mm)


def _need_comparable(results: Sequence[Mapping[str, Any]], compared: RoundsCompared) -> None:
    if not compared.placements:
        raise NotEnoughError("The two rounds have no placement in common. Name the same one for both.")
    if not compared.shares_kit:
        raise NotEnoughError(
            "The rounds were measured with different kit files. Prove one kit, with the same file for "
            "both."
        )
    moved = [d.key for d in compared.vehicle if d.is_moved]
    if moved or any(result.get("states") for result in results):
        raise NotEnoughError(
            "Something but the fixture moved between or within the rounds"
            + (f" ({', '.join(moved)} changed)" if moved else "")
            + ", so the way proves nothing. Chock the vehicle, touch no clamp, and photograph both rounds "
            "again."
        )
