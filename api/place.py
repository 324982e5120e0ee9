"""Where a store lies: in one folder, or its database and its photo files elsewhere. Imports nothing heavy."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Place:
    """Where a store lies.

    Attributes:
        folder: The service's own: uploads under way, previews, drawings; and all else that does not lie
            elsewhere.
        database: URL of a PostgreSQL database (SQLAlchemy); empty: SQLite in the folder.
        photos: URL of an object store's bucket or of a folder in it (fsspec); empty: in the folder.
    """

    folder: Path
    database: str = ""
    photos: str = ""

    @classmethod
    def of(cls, at: Path | Place) -> Place:
        """A folder alone holds all."""
        return at if isinstance(at, Place) else cls(at)
