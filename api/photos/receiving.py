"""What a worker does with a file that has just come: checked by its header, cleaned, written, synced.

Imports little, so that the desk is ready soon after the service's start.
"""

import hashlib
import os
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from api.photos import metadata, photokinds
from vision.photo import check_size, read_header


def warm() -> None:
    """Nothing: that a worker has done it means that all is imported."""


@dataclass(frozen=True)
class Received:
    """A file that may be stored: its facts, and what was taken out of it.

    Attributes:
        taken: The photo's own time, ISO 8601, with an offset from UTC if it tells one.
    """

    sha256: str
    n_bytes: int
    kind: str
    size_px: tuple[int, int]
    exif: dict[str, Any]
    taken: str | None
    taken_out: tuple[str, ...]
    remarks: tuple[str, ...]


def receive(path: Path, clean_path: Path, name: str, keeps_place: bool) -> Received:
    """Check a file by its header and write what is stored of it, synced, to `clean_path`.

    Raises:
        PhotoError: It is no photo that can be measured.
        OSError: It cannot be written.
    """
    data = path.read_bytes()
    photokinds.refuse_other_files(data, name)
    header = read_header(data, name)
    check_size(header, name)
    extras = metadata.extras(data, header.kind)
    photokinds.refuse_panorama(header, extras, name)
    cleaned = metadata.clean(data, header.kind, keeps_place)
    with open(clean_path, "xb") as out:
        out.write(cleaned.data)
        out.flush()
        os.fsync(out.fileno())
    taken = header.exif.taken
    return Received(
        sha256=hashlib.sha256(cleaned.data).hexdigest(),
        n_bytes=len(cleaned.data),
        kind=header.kind,
        size_px=header.size_px,
        exif=asdict(header.exif),
        taken=f"{taken}{extras.offset}" if taken and extras.offset else taken,
        taken_out=cleaned.taken_out,
        remarks=photokinds.remarks(header, extras),
    )
