"""`plumbsight serve`: the service for phones in the local network, and its terminal."""

import functools
import ipaddress
import logging
import signal
import socket
import sys
import tempfile
from collections.abc import Callable
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any

import click
import uvicorn

from api.access import pairing, people, reach
from api.access.guard import MOST_HEADER_BYTES
from api.alone import as_the_only_service
from api.app import create_app
from api.place import Place
from api.problems import ServiceError
from api.settings import Settings
from api.store import Store, open_store
from tools import demo_store
from tools.serve_terminal import Terminal, invitation

DEFAULT_STORE = Path.home() / "plumbsight-store"
# More connections than this are answered "busy": each holds memory and a file handle.
_MOST_CONNECTIONS = 400
# Uploads under way at the end get so long; the page sends the rest again.
_SECONDS_TO_END = 5


_FOLDER = click.option(
    "--store",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="FOLDER",
    help=f"Where visits, photos and records are kept; {DEFAULT_STORE.name} in your home folder unless named.",
)
_DATABASE = click.option(
    "--database",
    default="",
    envvar="PLUMBSIGHT_DATABASE",
    metavar="URL",
    help="Keep the tables in this PostgreSQL database instead: postgresql://USER@HOST/NAME.",
)
_PHOTOS = click.option(
    "--photos",
    default="",
    envvar="PLUMBSIGHT_PHOTOS",
    metavar="URL",
    help="Keep the photo files in this object store instead: s3://BUCKET/FOLDER.",
)


def store_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Where the store lies: gives the command `place`, or none if nothing was said."""

    @functools.wraps(command)
    def run(folder: Path | None, database: str, photos: str, **more: Any) -> Any:
        is_said = folder is not None or database or photos
        place = Place(folder or DEFAULT_STORE, database, photos) if is_said else None
        return command(place=place, **more)

    return _FOLDER(_DATABASE(_PHOTOS(run)))


@click.command("serve")
@store_options
@click.option("--port", type=click.IntRange(1, 65535), default=8080, show_default=True)
@click.option(
    "--listen",
    default="0.0.0.0",
    show_default="all networks",
    metavar="ADDRESS",
    help="Take connections at this address only; 127.0.0.1: from this machine only.",
)
@click.option(
    "--host",
    "hosts",
    multiple=True,
    metavar="NAME",
    help="A further name by which phones may call the service; several times for several.",
)
@click.option(
    "--cert", type=click.Path(exists=True, dir_okay=False), metavar="FILE", help="Certificate (PEM)."
)
@click.option("--key", type=click.Path(exists=True, dir_okay=False), metavar="FILE", help="Its private key.")
@click.option(
    "--results",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    metavar="RESULTS",
    help="What plumbsight recheck --out wrote, for reviewers to look through; only read.",
)
@click.option("--demo", is_flag=True, help="Try it out: a store with a demo kit that is deleted at the end.")
@click.option(
    "--new-code",
    is_flag=False,
    flag_value="",
    metavar="[NAME]",
    help="Show a fresh pairing code and end; of NAME, for a forgotten PIN. The service may be running.",
)
def serve_command(
    place: Place | None,
    port: int,
    listen: str,
    hosts: tuple[str, ...],
    cert: str | None,
    key: str | None,
    results: Path | None,
    demo: bool,
    new_code: str | None,
) -> None:
    """Serve the pages for phones in the local network; Ctrl-C ends it, and nothing stored is lost."""
    _check_words(place, listen, cert, key, demo)
    names = dict.fromkeys(name.lower() for name in (*reach.stable_names(), *hosts))
    with ExitStack() as stack:
        if demo:
            place = Place(Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="plumbsight-demo-"))))
        place = place or Place(DEFAULT_STORE)
        settings = Settings(
            folder=place.folder,
            database=place.database,
            photos=place.photos,
            hosts=("127.0.0.1", "localhost", *names),
            listen=listen,
            port=port,
            is_https=cert is not None,
            results=results,
        )
        if new_code is not None:
            _show_new_code(settings, new_code)
            return
        listening = stack.enter_context(_listening(settings))
        store = _opened(settings)
        stack.callback(store.close)
        _check_alone(store)
        person_id = demo_store.fill(store) if demo else None
        with Terminal(settings, store, person_id):
            _serve(settings, listening, cert, key)


def _check_words(place: Place | None, listen: str, cert: str | None, key: str | None, demo: bool) -> None:
    if (cert is None) != (key is None):
        raise click.UsageError("--cert and --key go together: give both, or neither.")
    if demo and place is not None:
        raise click.UsageError("--demo has a store of its own: leave --store, --database and --photos out.")
    try:
        ipaddress.IPv4Address(listen)
    except ValueError:
        raise click.UsageError(f"{listen} is no address like 192.168.4.1. --host takes names.") from None


def _opened(settings: Settings) -> Store:
    try:
        return open_store(settings.place)
    except ServiceError as wrong:
        raise click.UsageError(str(wrong)) from wrong


def _check_alone(store: Store) -> None:
    """Before anything is shown; the service itself holds the store from its start."""
    try:
        with as_the_only_service(store):
            pass
    except ServiceError as wrong:
        raise click.UsageError(str(wrong)) from wrong


def _show_new_code(settings: Settings, name: str) -> None:
    store = _opened(settings)
    try:
        person_id = _person_of(store, name) if name else None
        with store.writing() as db:
            code = pairing.make(db, person_id, sets_pin=person_id is not None)
        click.echo(invitation(settings, store, code))
    finally:
        store.close()


def _person_of(store: Store, name: str) -> str:
    with store.reading() as db:
        known = {one.name.casefold(): one.id for one in people.present(db)}
        names = ", ".join(one.name for one in people.present(db)) or "nobody yet"
    if name.casefold() not in known:
        raise click.UsageError(f"There is no {name} here; there is {names}.")
    return known[name.casefold()]


def _listening(settings: Settings) -> socket.socket:
    """The socket that phones connect to; taken before anything is shown, so that what is shown is true."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if sys.platform != "win32":  # there, it would let two services share the port
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((settings.listen, settings.port))
    except OSError as wrong:
        listening.close()
        raise click.UsageError(
            f"Port {settings.port} at {settings.listen} cannot be had ({wrong.strerror}). If plumbsight runs "
            "already, use that one; otherwise choose another with --port."
        ) from None
    return listening


def _serve(settings: Settings, listening: socket.socket, cert: str | None, key: str | None) -> None:
    logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(levelname)s %(message)s")
    # A defect is logged once, with its number, where it is answered.
    logging.getLogger("uvicorn.error").addFilter(lambda record: not record.exc_info)
    config = uvicorn.Config(
        create_app(settings),
        log_config=None,
        log_level="warning",
        access_log=False,
        proxy_headers=False,  # nobody stands between; whoever sends such headers makes them up
        server_header=False,
        ws="none",
        ssl_certfile=cert,
        ssl_keyfile=key,
        limit_concurrency=_MOST_CONNECTIONS,
        h11_max_incomplete_event_size=2 * MOST_HEADER_BYTES,
        timeout_graceful_shutdown=_SECONDS_TO_END,
    )
    # The server ends in order and then raises the signal again, so that the caller knows: that is we.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    with suppress(KeyboardInterrupt):
        uvicorn.Server(config).run(sockets=[listening])
    click.echo("\nEnded. What was stored is kept.")
