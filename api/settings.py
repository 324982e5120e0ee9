"""What a running service is told once, at its start."""

from dataclasses import dataclass
from pathlib import Path

from api.place import Place

MEGABYTE = 1_000_000


@dataclass(frozen=True)
class Settings:
    """The service's settings; what a shop changes while it runs lies in the table `setting` instead.

    Attributes:
        folder: The store: database, photo files, previews. Made if it is not there.
        database, photos: Where these lie instead, if not in the folder (Place).
        hosts: Names and addresses, without port, by which the service may be called; anything else is
            refused, also on loopback.
        listen, port: The address and port that the service listens on; 0.0.0.0: all networks.
        is_https: Whether it is served with a certificate; cookies are then marked secure.
        most_upload_bytes: Largest photo file that is taken in.
        most_import_bytes: Largest zip file of another store's visits that is taken in.
        results: The file of a re-check's results that reviewers look at; only read. None: there is none.
        reserve_bytes: Photos are taken in only while more than this is free; records need some room.
        n_workers: Worker processes; None: by cores and memory.
        workers_at_start: Begin them with the service, so that the first photo need not wait for them.
        worker_memory_bytes: Address space of one worker.
        look_seconds, measure_seconds: A worker that takes longer over one photo, one round, is ended.
    """

    folder: Path
    database: str = ""
    photos: str = ""
    hosts: tuple[str, ...] = ("127.0.0.1", "localhost")
    listen: str = "0.0.0.0"
    port: int = 8080
    is_https: bool = False
    most_upload_bytes: int = 250 * MEGABYTE
    most_import_bytes: int = 20_000 * MEGABYTE
    reserve_bytes: int = 300 * MEGABYTE
    results: Path | None = None
    n_workers: int | None = None
    workers_at_start: bool = True
    worker_memory_bytes: int = 6_000 * MEGABYTE
    look_seconds: float = 60.0
    measure_seconds: float = 300.0

    @property
    def place(self) -> Place:
        """Where the store lies."""
        return Place(self.folder, self.database, self.photos)
