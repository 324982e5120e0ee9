"""`plumbsight serve`, run as a person runs it."""

import errno
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from types import ModuleType

import httpx
import pytest

from api.access import pairing, people
from api.alone import as_the_only_service
from api.problems import ConflictError
from api.store import open_store
from tools.cli import WRONG_WORDS, run

ROOT = Path(__file__).parents[2]
LONGEST_START_SECONDS = 120.0  # of a busy machine


@pytest.fixture
def port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class Served:
    """A running service and what its terminal has shown."""

    def __init__(self, port: int, folder: Path, *words: str) -> None:
        self.url = f"http://localhost:{port}"
        self._shown = folder / "shown"
        with self._shown.open("w") as out:
            self.process = subprocess.Popen(
                [
                    sys.executable,
                    "-m",
                    "tools.cli",
                    "serve",
                    "--listen",
                    "127.0.0.1",
                    "--port",
                    str(port),
                    *words,
                ],
                cwd=ROOT,
                env={**os.environ, "PYTHONUNBUFFERED": "1"},
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=subprocess.STDOUT,
            )

    @property
    def shown(self) -> str:
        return self._shown.read_text(encoding="utf-8")

    def wait(self) -> None:
        """Wait until it answers."""
        end = time.monotonic() + LONGEST_START_SECONDS
        while time.monotonic() < end and self.process.poll() is None:
            try:
                httpx.get(f"{self.url}/api/reach").raise_for_status()
            except httpx.TransportError:
                time.sleep(0.1)
            else:
                return
        raise AssertionError(self.shown)


@pytest.fixture
def served(port: int, tmp_path: Path) -> Iterator:
    """`served(*words)`: a running service."""
    running: list[Served] = []

    def start(*words: str) -> Served:
        running.append(Served(port, tmp_path, *words))
        running[-1].wait()
        return running[-1]

    yield start
    for one in running:
        one.process.kill()
        one.process.wait()


@pytest.mark.skipif(os.name == "nt", reason="ends by a signal that Windows does not have")
def test_the_demo_is_paired_by_the_shown_link_and_leaves_nothing_behind(served):
    demo = served("--demo")
    assert "DEMO" in demo.shown
    folder = Path(re.search(r"keeps visits in (\S+)\.", demo.shown)[1])
    assert folder.is_dir()
    link = re.search(rf"{demo.url}/pair#(\S+)", demo.shown)
    with httpx.Client(base_url=demo.url) as phone:
        assert phone.post("/api/pair", json={"code": link[1]}).status_code == 201
        assert phone.get("/api/me").json()["person"]["name"] == "DEMO technician"
        assert "server" not in phone.get("/api/me").headers
        # A made-up proxy header is not believed.
        reached = phone.get("/api/reach", headers={"X-Forwarded-For": "10.0.0.9"}).json()
        assert reached["device_address"] == "127.0.0.1"
    demo.process.send_signal(signal.SIGTERM)
    assert demo.process.wait(LONGEST_START_SECONDS) == 0
    assert "What was stored is kept" in demo.shown
    assert not folder.exists()


def test_a_port_that_is_taken_is_told_in_words(port: int, tmp_path: Path, capsys):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", port))
        taken.listen()
        words = ["serve", "--listen", "127.0.0.1", "--port", str(port), "--store", str(tmp_path / "store")]
        assert run(words) == WRONG_WORDS
    assert f"Port {port}" in capsys.readouterr().err
    assert not (tmp_path / "store").exists()


HOLDER = """
import sys, time
from pathlib import Path
from types import ModuleType
from api.alone import as_the_only_service
from api.store import open_store

with as_the_only_service(open_store(Path(sys.argv[1]))):
    print("held", flush=True)
    time.sleep(600)
"""


def test_a_second_service_on_a_folder_is_refused_and_a_killed_one_leaves_it_to_the_next(
    port: int, tmp_path: Path, capsys
):
    folder = tmp_path / "store"
    words = [sys.executable, "-c", HOLDER, str(folder)]
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, env={**os.environ, "PYTHONPATH": str(ROOT)}
    ) as first:
        assert first.stdout.readline() == b"held\n"
        second = ["serve", "--listen", "127.0.0.1", "--port", str(port), "--store", str(folder)]
        assert run(second) == WRONG_WORDS
        said = capsys.readouterr()
        assert f"Another service runs on the store in {folder}" in said.err and not said.out
        first.kill()
    store = open_store(folder)
    with as_the_only_service(store), pytest.raises(ConflictError), as_the_only_service(store):
        pass
    store.close()


class Msvcrt(ModuleType):
    """Windows' locks as its maker describes them: on bytes from the file's position, of one open file."""

    LK_UNLCK, LK_NBLCK = 0, 2

    def __init__(self):
        super().__init__("msvcrt")
        self.held = {}

    def locking(self, file, mode, n_bytes):
        region = (os.fstat(file).st_ino, os.lseek(file, 0, os.SEEK_CUR), n_bytes)
        if mode == self.LK_UNLCK:
            assert self.held.pop(region) == file
        elif self.held.setdefault(region, file) != file:
            raise PermissionError(errno.EACCES, "Permission denied")


def test_on_windows_too_the_second_service_is_refused_and_the_next_one_is_not(tmp_path, monkeypatch):
    """The code for Windows, with a stand-in for what only Windows has."""
    standing_in = Msvcrt()
    with monkeypatch.context() as there:
        there.setattr(sys, "platform", "win32")
        there.setitem(sys.modules, "msvcrt", standing_in)
        spec = spec_from_file_location("alone_on_windows", ROOT / "api" / "alone.py")
        alone = module_from_spec(spec)
        spec.loader.exec_module(alone)
    store = open_store(tmp_path / "store")
    for _ in range(2):
        with alone.as_the_only_service(store):
            assert len(standing_in.held) == 1
            with pytest.raises(ConflictError, match="Another service"), alone.as_the_only_service(store):
                pass
            assert len(standing_in.held) == 1
        assert not standing_in.held
    store.close()


@pytest.mark.parametrize(
    "words",
    [
        ["--cert", __file__],
        ["--demo", "--store", "somewhere"],
        ["--listen", "van.local"],
        ["--listen", "::"],
        ["--port", "0"],
    ],
)
def test_words_that_do_not_go_together_are_refused(words: list[str], capsys):
    assert run(["serve", *words]) == WRONG_WORDS
    assert capsys.readouterr().err


def test_a_new_code_is_shown_beside_a_running_service(tmp_path: Path, capsys):
    assert run(["serve", "--store", str(tmp_path), "--new-code"]) == 0
    shown = capsys.readouterr().out
    assert "is the owner" in shown
    code = re.search(r"/pair#(\S+)", shown)[1]
    store = open_store(tmp_path)
    pairing.pair(store, code, pairing.Answers(name="A. Example", pin="2580"), "phone")

    assert run(["serve", "--store", str(tmp_path), "--new-code", "a. example"]) == 0
    shown = capsys.readouterr().out
    assert "chooses a new PIN" in shown
    pairing.pair(store, re.search(r"/pair#(\S+)", shown)[1], pairing.Answers(pin="2591"), "phone")
    with store.reading() as db:
        (person,) = people.present(db)
    people.check_pin(store, person.id, "2591")
    store.close()


def test_a_new_code_for_somebody_unknown_names_those_who_are_known(tmp_path: Path, capsys):
    store = open_store(tmp_path)
    with store.writing() as db:
        people.add(db, "A. Example", "owner")
    store.close()
    assert run(["serve", "--store", str(tmp_path), "--new-code", "Nobody"]) == WRONG_WORDS
    assert "A. Example" in capsys.readouterr().err
