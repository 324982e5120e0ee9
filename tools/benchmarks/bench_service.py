"""The service while it works: how soon a photo is judged and a result stands, how quickly pages answer.

`python -m tools.benchmarks.bench_service`

Baselines of the same run: the command line's whole time on the same photos (the demo's), from its start to
its end; and the same pages of the service at rest. All over loopback, on an otherwise idle machine.
"""

import http.client
import json
import re
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import click
import uvicorn

from api.access import people, sessions
from api.app import create_app
from api.context import Caller
from api.settings import Settings
from api.store import open_store
from api.visits import rounds, visits
from api.visits.demo import FOLDER, file, lay_in

PORT = 18_573
N_ROUNDS = 4
_STAMP = re.compile(rb"20[0-9]{2}:[0-9]{2}:[0-9]{2} [0-9]{2}:[0-9]{2}:[0-9]{2}")


@dataclass(frozen=True)
class Phone:
    """A paired device on the service under measurement."""

    secret: str
    token: str

    def ask(self, method: str, path: str, body: bytes = b"", **headers: str) -> tuple[int, bytes]:
        connection = http.client.HTTPConnection("127.0.0.1", PORT, timeout=120)
        own = {"Cookie": f"{sessions.COOKIE}={self.secret}", sessions.TOKEN_HEADER: self.token}
        own |= {"Origin": f"http://127.0.0.1:{PORT}"}
        try:
            connection.request(method, path, body, {**own, **headers})
            answer = connection.getresponse()
            return answer.status, answer.read()
        finally:
            connection.close()

    def json(self, method: str, path: str, body: bytes = b"", **headers: str) -> Any:
        status, raw = self.ask(method, path, body, **headers)
        if status >= 300:
            raise click.ClickException(f"{method} {path}: {status} {raw[:300]!r}")
        return json.loads(raw)

    def send(self, round_id: str, number: int, data: bytes) -> Any:
        named = {"X-Photo-Key": f"{round_id[:8]}-{number}", "X-Photo-Name": f"p{number:02d}.jpg"}
        return self.json("POST", f"/api/rounds/{round_id}/photos", data, **named)["photo"]


@click.command()
def main() -> None:
    """Print each figure beside its baseline."""
    with tempfile.TemporaryDirectory() as folder:
        command_line_s = command_line_seconds()
        phone, round_ids = lay_out(Path(folder) / "store")
        server = uvicorn.Server(
            uvicorn.Config(
                create_app(Settings(folder=Path(folder) / "store", port=PORT)),
                host="127.0.0.1",
                port=PORT,
                log_level="error",
            )
        )
        running = threading.Thread(target=server.run)
        running.start()
        while not server.started:
            time.sleep(0.05)
        try:
            report(phone, round_ids, command_line_s)
        finally:
            server.should_exit = True
            running.join()


def report(phone: Phone, round_ids: Sequence[str], command_line_s: float) -> None:
    photos = [stamped(path) for path in sorted(FOLDER.glob("*.jpg"))]
    paths = page_paths(phone, round_ids)
    at_rest_ms = page_times_ms(phone, paths, 60)
    warm, *others = round_ids
    judged_s = [judged_seconds(phone, warm, number, data) for number, data in enumerate(photos)]
    begun = time.perf_counter()
    phone.json("POST", f"/api/rounds/{warm}/close")
    wait_for(phone, f"/api/rounds/{warm}/result", lambda answer: answer["state"] not in ("none", "waiting"))
    result_s = time.perf_counter() - begun
    for round_id in others:
        for number, data in enumerate(photos):
            phone.send(round_id, number, unlike(data, hash(round_id) % 10**8))
        phone.json("POST", f"/api/rounds/{round_id}/close")
    busy_ms = page_times_ms(phone, paths, 120)
    click.echo(f"photo judged after its arrival   median {statistics.median(judged_s):.2f} s, "
               f"worst {max(judged_s):.2f} s (goal 2 s; the first starts the workers)")  # fmt: skip
    click.echo(f"result after the last photo      {result_s:.2f} s = {result_s / command_line_s:.2f} of the "
               f"command line's {command_line_s:.2f} s (goal 0.5)")  # fmt: skip
    for name, times in (("at rest", at_rest_ms), (f"{len(others)} rounds measured", busy_ms)):
        click.echo(f"pages, {name:<24}  median {statistics.median(times):.0f} ms, "
                   f"p95 {statistics.quantiles(times, n=20)[-1]:.0f} ms (goal 100 ms)")  # fmt: skip


def command_line_seconds() -> float:
    """The demo's photos by the command line, best of three."""
    took = []
    for _ in range(3):
        begun = time.perf_counter()
        subprocess.run([sys.executable, "-m", "tools.cli", "measure", str(FOLDER), "--quiet"], check=False)
        took.append(time.perf_counter() - begun)
    return min(took)


def lay_out(folder: Path) -> tuple[Phone, list[str]]:
    """A store with the demo, one visit and open round for each round to measure."""
    store = open_store(folder)
    with store.writing() as db:
        person = people.add(db, "A benchmark", "owner")
        session = sessions.begin(db, person.id, "a benchmark")
        caller = Caller(person.id, person.name, "owner", session.id)
        laid = lay_in(db, caller)
        vehicle = file("set.json")["vehicle"]
        round_ids = []
        for _ in range(N_ROUNDS + 1):
            ids = [one.placement_id for one in laid.placements]
            wanted = visits.BeginVisit(vehicle, laid.kit.kit_id, ids, confirmed=True)
            visit = visits.begin(db, caller, wanted)
            db.flush()
            round_ids.append(rounds.open(db, caller, visit.id, "first").id)
            db.flush()
    store.close()
    return Phone(session.secret, session.form_token), round_ids


def page_paths(phone: Phone, round_ids: Sequence[str]) -> list[str]:
    visit_id = phone.json("GET", f"/api/rounds/{round_ids[0]}")["visit_id"]
    return ["/visits", f"/visits/{visit_id}", f"/rounds/{round_ids[0]}", f"/api/visits/{visit_id}/photos"]


def page_times_ms(phone: Phone, paths: Sequence[str], n: int) -> list[float]:
    took = []
    for k in range(n):
        begun = time.perf_counter()
        status, _ = phone.ask("GET", paths[k % len(paths)])
        took.append(1000 * (time.perf_counter() - begun))
        if status != 200:
            raise click.ClickException(f"{paths[k % len(paths)]}: {status}")
        time.sleep(0.05)
    return took


def judged_seconds(phone: Phone, round_id: str, number: int, data: bytes) -> float:
    """From the photo's being stored to its plates being told."""
    photo = phone.send(round_id, number, data)
    begun = time.perf_counter()
    wait_for(phone, f"/api/photos/{photo['id']}", lambda answer: answer["state"] != "waiting")
    return time.perf_counter() - begun


def wait_for(phone: Phone, path: str, until: Any) -> None:
    while not until(phone.json("GET", path)):
        time.sleep(0.02)


def stamped(path: Path) -> bytes:
    """A demo photo as if it were taken now: else it would wait in the tray."""
    return _STAMP.sub(datetime.now().strftime("%Y:%m:%d %H:%M:%S").encode(), path.read_bytes())


def unlike(jpeg: bytes, number: int) -> bytes:
    """The same picture in another file: a comment after the first marker (ITU-T T.81, B.2.4.5)."""
    comment = f"{number:08d}".encode()
    return jpeg[:2] + b"\xff\xfe" + (2 + len(comment)).to_bytes(2) + comment + jpeg[2:]


if __name__ == "__main__":
    main()
