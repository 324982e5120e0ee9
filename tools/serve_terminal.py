"""What the terminal of a running service shows: addresses, QR codes, and a fresh code when one is needed.

Whoever can read the terminal stands beside the machine, which is why its code lets a known person in by a
PIN alone. It is made afresh after a change of address and on Enter, and told to be used or over.
"""

import sys
import textwrap
import threading
from types import TracebackType

import click

from api.access import pairing, reach
from api.access.pairing import Code
from api.settings import Settings
from api.store import Store, now

WIDTH = 96
_LOOK_EVERY_SECONDS = 2.0


def invitation(settings: Settings, store: Store, code: Code) -> str:
    """Everything to scan, the best way first, and what the code asks."""
    ways = reach.ways(settings)
    is_coloured = sys.stdout.isatty()
    lines = [_which(ways), ""]
    for number, way in enumerate(ways, 1):
        url = way.pairing_url(code.text)
        lines += [
            f"{number}. {way.url}  {way.says}",
            "",
            reach.qr_terminal(url, is_coloured),
            f"   {url}",
            "",
        ]
    lines += [f"On this machine: {reach.own_way(settings).pairing_url(code.text)}", ""]
    return "\n".join(
        [*lines, *_wrapped(f"The code pairs one device, within ten minutes. {_asks(store, code)}")]
    )


def _which(ways: tuple[reach.Way, ...]) -> str:
    if len(ways) == 1:
        return "Scan this with the phone's camera. The phone must be in the same network as this machine."
    return "Scan number 1 with the phone's camera; if the page does not load, the next one."


def _asks(store: Store, code: Code) -> str:
    with store.reading() as db:
        asked = pairing.look(db, code.text)
    if "name" in asked.asks:
        return "Nobody is known here yet: whoever uses it gives a name, chooses a PIN and is the owner."
    if "person" in asked.asks:
        return "It is for those who are known here: choose your name and give your PIN. Others ask an owner."
    if "new_pin" in asked.asks and asked.person is not None:
        return f"It is for {asked.person.name}, who chooses a new PIN."
    return f"It is for {asked.person.name}." if asked.person is not None else ""


def help_text() -> str:
    """What to try when the page does not load."""
    helps = (line for one in reach.HELPS for line in _wrapped(f"{one.sign} {one.remedy}", "- "))
    return "\n".join(["When a phone does not get there:", *helps])


def _wrapped(text: str, first: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=" " * len(first))


class Terminal:
    """Shows what to scan while the service runs.

    Args:
        person_id: Whose phone its codes pair; None: a known person's, by PIN.
    """

    def __init__(self, settings: Settings, store: Store, person_id: str | None = None) -> None:
        self._settings = settings
        self._store = store
        self._person_id = person_id
        self._code: Code | None = None
        self._lock = threading.Lock()
        self._has_ended = threading.Event()

    def __enter__(self) -> None:
        demo = "DEMO: nothing here is kept, and nothing can be signed." if self._person_id else ""
        click.echo(f"plumbsight keeps visits in {self._settings.folder}. Ctrl-C ends it. {demo}\n")
        self._invite()
        click.echo(f"\n{help_text()}\n")
        threading.Thread(target=self._watch, daemon=True).start()
        if sys.stdin is not None and sys.stdin.isatty():
            threading.Thread(target=self._take_keys, daemon=True).start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._has_ended.set()

    def _invite(self) -> None:
        with self._lock:
            with self._store.writing() as db:
                self._code = pairing.make(db, self._person_id)
            click.echo(invitation(self._settings, self._store, self._code))
            click.echo(f"A fresh code: {self._how()}.")

    def _how(self) -> str:
        is_keyed = sys.stdin is not None and sys.stdin.isatty()
        return "press Enter" if is_keyed else "plumbsight serve --new-code, in another terminal"

    def _take_keys(self) -> None:
        for _ in sys.stdin:
            self._invite()

    def _watch(self) -> None:
        """Look for a changed address, and for the end of the code that is shown."""
        known = reach.addresses()
        while not self._has_ended.wait(_LOOK_EVERY_SECONDS):
            if (found := reach.addresses()) != known:
                known = found
                click.echo("\nThe address changed. Paired phones scan this once more:\n")
                self._invite()
            self._tell_end()

    def _tell_end(self) -> None:
        with self._lock:
            if self._code is None:
                return
            with self._store.reading() as db:
                is_used = pairing.is_used(db, self._code.text)
            if is_used:
                click.echo(f"A device was paired. For a further one: {self._how()}.")
            elif now() >= self._code.ends_at:
                click.echo(f"The code has ended. A fresh one: {self._how()}.")
            else:
                return
            self._code = None
