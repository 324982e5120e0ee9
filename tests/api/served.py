"""The service in a process of its own, that may be killed, and a phone that speaks to it over HTTP."""

import http.client
import json
import os
import socket
import subprocess
import sys
import time
from dataclasses import dataclass, field
from typing import Any

from api.access import sessions
from api.place import Place

SERVER = """
import sys
from pathlib import Path
import uvicorn
from api.app import create_app
from api.settings import Settings

if __name__ == "__main__":
    folder, port, workers, database, photos = sys.argv[1:]
    lies = {"folder": Path(folder), "database": database, "photos": photos}
    port = int(port)
    settings = Settings(**lies, port=port, n_workers=int(workers), reserve_bytes=0)
    uvicorn.run(create_app(settings), host="127.0.0.1", port=port, log_level="error")
"""
START_SECONDS = 600  # on a machine that has much else to do


@dataclass
class Server:
    """The service on one store and port; `start` and `kill` may take turns."""

    place: Place
    n_workers: int = 1
    port: int = field(default_factory=lambda: free_port())
    process: subprocess.Popen[bytes] | None = None
    n_kills: int = 0

    def start(self) -> None:
        place = self.place
        script = place.folder.parent / "server.py"
        script.write_text(SERVER)
        numbers = str(self.port), str(self.n_workers)
        command = [sys.executable, str(script), str(place.folder), *numbers, place.database, place.photos]
        self.process = subprocess.Popen(command, env={**os.environ, "PYTHONPATH": os.getcwd()})
        end = time.monotonic() + START_SECONDS
        while not self._is_answering():
            assert time.monotonic() < end and self.process.poll() is None, "the service does not start"
            time.sleep(0.1)

    def kill(self) -> None:
        """As a pulled plug: no signal that it could hear."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()
        self.n_kills += 1

    def end(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait()

    def _is_answering(self) -> bool:
        try:
            with socket.create_connection(("127.0.0.1", self.port), timeout=1):
                return True
        except OSError:
            return False


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return free.getsockname()[1]


@dataclass(frozen=True)
class Phone:
    """A paired device."""

    server: Server
    secret: str
    token: str

    def ask(self, method: str, path: str, body: Any = None, **headers: str) -> tuple[int, Any]:
        """One request; JSON in unless bytes, JSON out.

        Raises:
            OSError, http.client.HTTPException: The service went away under way: nothing was said.
        """
        data = body if isinstance(body, bytes) or body is None else json.dumps(body).encode()
        own = {"Cookie": f"{sessions.COOKIE}={self.secret}", sessions.TOKEN_HEADER: self.token}
        own |= {"Origin": f"http://127.0.0.1:{self.server.port}", "Content-Type": "application/json"}
        connection = http.client.HTTPConnection("127.0.0.1", self.server.port, timeout=120)
        try:
            connection.request(method, path, data, {**own, **headers})
            answer = connection.getresponse()
            raw = answer.read()
            is_json = "json" in (answer.getheader("Content-Type") or "")
            return answer.status, json.loads(raw) if is_json else raw
        finally:
            connection.close()

    def insist(self, method: str, path: str, body: Any = None, **headers: str) -> tuple[int, Any]:
        """The same request until it is answered, as the page does after a service went away."""
        while True:
            try:
                return self.ask(method, path, body, **headers)
            except (OSError, http.client.HTTPException, ValueError):
                time.sleep(0.2)


def unlike(jpeg: bytes, number: int) -> bytes:
    """The same picture in another file: a comment after the JPEG's first marker (ITU-T T.81, B.2.4.5)."""
    comment = f"{number:08d}".encode()
    return jpeg[:2] + b"\xff\xfe" + (2 + len(comment)).to_bytes(2) + comment + jpeg[2:]
