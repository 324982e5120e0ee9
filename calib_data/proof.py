"""What a proof round leaves behind: `plumbsight.proof/1`, as a pydantic model."""

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import Field

from calib_data.formats import FileModel, IsoDate, Line, PlateNumber, Sha256
from vision.proof import Proof

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
    *,
    date: str,
    kit: str,
    kit_sha256: str,
    phones: Sequence[str],
    photos_sha256: Sequence[str],
    plates: Sequence[int] = (),
    along: Literal["distance_mm", "lateral_mm"] | None = None,
) -> ProofFile:
    """A proof as its file. Args: date: As ISO 8601 writes it."""
    low, high = proof.interval95
    return ProofFile.model_validate(
        {
            "format": PROOF,
            "date": date,
            "kit": kit,
            "kit_sha256": kit_sha256,
            "phones": sorted(set(phones)),
            "what": proof.what,
            "plates": list(plates),
            "along": along,
            "value": round(proof.value, 4),
            "u": round(proof.u, 4),
            "reference": proof.reference,
            "u_reference": round(proof.u_reference, 4),
            "interval95": [round(low, 4), round(high, 4)],
            "shows": round(proof.shows, 4),
            "verdict": proof.verdict,
            "says": proof.says,
            "photos_sha256": list(photos_sha256),
        }
    )
