"""A network of its own with the service in it, a real browser outside, and photos to choose."""

import contextlib
import hashlib
import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from tests.calib_data.drawn_rounds import draw
from tests.calib_data.stored_rounds import store as store_rounds
from tools import story_photos
from tools.phone import PHONE_PX, Phone, Served, launch
from tools.story_photos import StoryRound, story_round

ROOT = Path(__file__).parents[2]
SCRIPT_ERRORS: list[str] = []
expect.set_options(timeout=30_000)  # the machine may have more to do


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What is in this folder takes a browser."""
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.browser)


def _lacks() -> str:
    """What keeps the browser tests from running here; empty: nothing."""
    if not Path("/usr/bin/chromium").exists():
        return "Debian's chromium is not installed"
    if shutil.which("ip") is None:
        return "iproute2 is not installed"
    if os.geteuid() != 0:
        return "making a network namespace takes root"
    return ""


@dataclass
class Network:
    """A network of one machine: its addresses are no loopback, as those of a laptop in a van."""

    name: str
    number: int

    @property
    def inside(self) -> tuple[str, ...]:
        return ("ip", "netns", "exec", self.name)

    def address(self, last: int) -> str:
        return f"10.77.{self.number}.{last}"

    def give(self, address: str) -> None:
        _run(*self.inside, "ip", "addr", "add", f"{address}/24", "dev", f"{self.name}i")

    def take(self, address: str) -> None:
        _run(*self.inside, "ip", "addr", "del", f"{address}/24", "dev", f"{self.name}i")


def _run(*words: str) -> None:
    subprocess.run(words, check=True, capture_output=True)


@pytest.fixture(scope="session")
def network() -> Iterator[Network]:
    if lacks := _lacks():
        pytest.skip(f"{lacks}: the pages are not walked in a real browser here")
    number = os.getpid() % 250 + 1
    made = Network(f"plumb{number}", number)
    outer = f"{made.name}o"
    try:
        _run("ip", "netns", "add", made.name)
        _run("ip", "link", "add", outer, "type", "veth", "peer", "name", f"{made.name}i")
        _run("ip", "link", "set", f"{made.name}i", "netns", made.name)
        _run("ip", "addr", "add", f"{made.address(1)}/24", "dev", outer)
        _run("ip", "link", "set", outer, "up")
        _run(*made.inside, "ip", "link", "set", "lo", "up")
        _run(*made.inside, "ip", "link", "set", f"{made.name}i", "up")
        made.give(made.address(2))
        yield made
    except subprocess.CalledProcessError as refused:
        pytest.skip(f"this machine makes no network namespace: {refused.stderr.decode().strip()}")
    finally:
        for words in (("ip", "netns", "del", made.name), ("ip", "link", "del", outer)):
            with contextlib.suppress(subprocess.CalledProcessError):
                _run(*words)


@pytest.fixture(scope="session")
def cache(request: pytest.FixtureRequest) -> Path:
    """Where rendered photos are kept as long as the code that renders them stays as it is."""
    assert request.config.cache is not None
    names = ("story_photos", "scene", "shop", "render", "truth", "photo_round")
    code = b"".join((ROOT / "tools" / f"{name}.py").read_bytes() for name in names)
    return request.config.cache.mkdir(f"story-{hashlib.sha256(code).hexdigest()[:16]}")


@pytest.fixture(scope="session")
def rounds_of_photos(cache: Path) -> dict[str, StoryRound]:
    """The board as it stands at first, and corrected."""
    return {which: story_round(which, cache) for which in story_photos.LATERAL_MM}


# --- the walk ---------------------------------------------------------------------------------------


@dataclass
class Walk:
    """What the tests hand on."""

    browser: Browser
    served: Served
    phone: Phone
    ids: dict[str, str] = field(default_factory=dict)

    @property
    def page(self) -> Page:
        return self.phone.page

    def token(self) -> dict[str, str]:
        return {"X-Form-Token": self.page.locator("meta[name=form-token]").get_attribute("content") or ""}

    def post(self, path: str, body: dict[str, Any]) -> Any:
        """What another device of the same person does meanwhile."""
        answer = self.page.request.post(self.phone.url + path, data=body, headers=self.token())
        assert answer.ok, answer.text()
        return answer.json()


@pytest.fixture(scope="module")
def walk(network: Network, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Walk]:
    folder = tmp_path_factory.mktemp("walk")
    results = folder / "results.sqlite"
    store_rounds(results, draw(np.random.default_rng(1), 120, "another vehicle", "altered photo"))
    more = ("--results", str(results))
    served = Served(folder / "store", network.address(2), inside=network.inside, more=more)
    served.start()
    with sync_playwright() as playwright:
        browser = launch(playwright)
        page = new_page(browser)
        try:
            yield Walk(browser, served, Phone(page, served.url))
        finally:
            browser.close()
            served.stop()


def new_page(browser: Browser, scheme: str = "light", size_px: tuple[int, int] = PHONE_PX) -> Page:
    context = browser.new_context(
        viewport={"width": size_px[0], "height": size_px[1]},
        color_scheme="dark" if scheme == "dark" else "light",
        has_touch=True,
        locale="en",
    )
    page = context.new_page()
    page.set_default_timeout(30_000)
    page.on("pageerror", lambda error: SCRIPT_ERRORS.append(str(error)))
    # A feature that this browser does not know is told at each page.
    page.on(
        "console",
        lambda said: SCRIPT_ERRORS.append(said.text) if "Permissions-Policy" in said.text else None,
    )
    return page


@pytest.fixture(autouse=True)
def no_script_fails() -> Iterator[None]:
    SCRIPT_ERRORS.clear()
    yield
    assert not SCRIPT_ERRORS


@contextmanager
def weak_network(page: Page, bytes_per_second: int) -> Iterator[None]:
    """Uploads as slow as over a weak wireless network."""
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")
    limits = {"offline": False, "latency": 5, "downloadThroughput": -1, "uploadThroughput": bytes_per_second}
    session.send("Network.emulateNetworkConditions", limits)
    yield
    session.detach()
