"""A phone's browser that walks through the served pages, and the service that it talks to.

For tests in a real browser and for screenshots. The browser is Debian's chromium; the service is the
command `plumbsight serve`, in a process of its own, so that it can be killed.
"""

import re
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Locator, Page, Playwright

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
PHONE_PX, LAPTOP_PX = (390, 844), (1280, 800)
PIN = "2580"
_CODE = re.compile(r"/pair#([0-9A-Z-]+)")
_START_SECONDS, _STOP_SECONDS = 60.0, 20.0


def launch(playwright: Playwright) -> Browser:
    """A browser that calls nobody of itself."""
    return playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))


@dataclass
class Served:
    """A running service.

    Attributes:
        inside: Words before the command, e.g. to run it in a network of its own.
        more: Further words of the command.
    """

    store: Path
    host: str
    port: int = 8080
    inside: Sequence[str] = ()
    more: Sequence[str] = ()
    process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://{self.host}:{self.port}"

    def start(self) -> None:
        """Start it, and wait until it answers."""
        words = ("--listen", self.host)
        log = (self.store.parent / "serve.log").open("ab")
        self.process = subprocess.Popen(self._command(*words), stdout=log, stderr=log)
        end = time.monotonic() + _START_SECONDS
        while not self._answers():
            if time.monotonic() > end or self.process.poll() is not None:
                raise RuntimeError(f"The service does not answer at {self.url}: see {log.name}")
            time.sleep(0.2)

    def kill(self) -> None:
        """End it without a word, as a pulled plug does."""
        assert self.process is not None
        self.process.kill()
        self.process.wait(_STOP_SECONDS)

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(_STOP_SECONDS)
            except subprocess.TimeoutExpired:
                self.kill()

    def code(self) -> str:
        """A fresh pairing code, as the terminal shows it."""
        shown = subprocess.run(self._command("--new-code"), check=True, capture_output=True, text=True)
        found = _CODE.search(shown.stdout)
        assert found is not None, shown.stdout
        return found[1]

    def _command(self, *words: str) -> list[str]:
        serve = [sys.executable, "-m", "tools.cli", "serve", "--store", str(self.store)]
        return [*self.inside, *serve, "--port", str(self.port), *self.more, *words]

    def _answers(self) -> bool:
        try:
            with urllib.request.urlopen(f"{self.url}/api/reach", timeout=2) as answer:
                return bool(answer.status == 200)
        except (urllib.error.URLError, OSError):
            return False


@dataclass
class Phone:
    """A paired phone: what a person does with it, and how often the screen was touched."""

    page: Page
    url: str
    taps: int = 0
    shots: Path | None = None

    def open(self, path: str) -> None:
        self.page.goto(self.url + path)

    def tap(self, what: Locator) -> None:
        self.taps += 1
        what.click()

    def tap_button(self, name: str) -> None:
        """Tap a button or a link that looks like one, by what it says."""
        pressed = self.page.get_by_role("button", name=name, exact=True)
        self.tap(pressed.or_(self.page.get_by_role("link", name=name, exact=True)).first)

    def fill(self, label: str, text: str) -> None:
        """Tap into a field and type."""
        place = self.page.get_by_label(re.compile(f"^{label}"))
        self.tap(place)
        place.fill(text)

    def pair_as_first(self, code: str, name: str, pin: str = PIN) -> None:
        """Scan the terminal's code and become the owner."""
        self.open(f"/pair#{code}")
        self.page.get_by_label("Your name").fill(name)
        self.page.get_by_label("A new PIN or password").fill(pin)
        self.tap_button("Pair")
        self.page.wait_for_url("**/visits")

    def pair_again(self, code: str, name: str, pin: str = PIN) -> None:
        """Scan the terminal's code as somebody who is known."""
        self.open(f"/pair#{code}")
        self.page.get_by_label("Your PIN or password").wait_for()
        me = self.page.get_by_label(name, exact=True)
        if me.is_visible():  # a shop of one is not asked who it is
            self.tap(me)
        self.page.get_by_label("Your PIN or password").fill(pin)
        self.tap_button("Pair")
        self.page.wait_for_url("**/visits")

    def begin_visit(self, label: str, wheelbase: str) -> str:
        """A new visit with what the last one had; its id."""
        self.tap_button("New visit")
        self.fill("Vehicle", label)
        self.fill("Wheelbase", wheelbase)
        self.tap_button("Begin")
        self.page.wait_for_url(re.compile(r"/visits/[0-9a-f]{32}$"))
        return self.page.url.rsplit("/", 1)[1]

    def open_round(self, button: str) -> str:
        """Open a round for photos; its id."""
        self.tap_button(button)
        self.page.wait_for_url(re.compile(r"/rounds/[0-9a-f]{32}$"))
        return self.page.url.rsplit("/", 1)[1]

    def choose(self, photos: Mapping[str, bytes]) -> None:
        """Choose photos from the gallery, all at once."""
        self.taps += 1
        files: list[Any] = [
            {"name": name, "mimeType": "image/jpeg", "buffer": data} for name, data in photos.items()
        ]
        self.page.locator("#gallery").set_input_files(files)

    def wait_for_stored(self, n: int, seconds: float = 60) -> None:
        words = "1 photo stored" if n == 1 else f"{n} photos stored"
        self.page.get_by_role("heading", name=words, exact=True).wait_for(timeout=1000 * seconds)

    def wait_for_looks(self, seconds: float = 60) -> None:
        """Until no photo of the round waits to be looked at."""
        waiting = self.page.locator("#stored").get_by_text("Waits to be looked at")
        end = time.monotonic() + seconds
        while waiting.count():
            assert time.monotonic() < end, "photos still wait to be looked at"
            self.page.wait_for_timeout(100)

    def measure(self, seconds: float = 90) -> str:
        """Close the round and wait for the result; the decision's word."""
        self.tap_button("That is all: measure")
        self.page.wait_for_url("**/result")
        word = self.page.locator("#result .decision .word").first
        word.wait_for(timeout=1000 * seconds)
        return word.inner_text()

    def shoot(self, name: str, *, whole: bool = False) -> None:
        """Keep what the screen shows, where screenshots are wanted; `whole`: the page to its end, too."""
        if self.shots is None:
            return
        self.page.screenshot(path=self.shots / f"{name}.png")
        if whole:
            self.page.screenshot(path=self.shots / f"{name}_whole.png", full_page=True)
