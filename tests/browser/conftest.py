"""A network of its own with the service in it, a real browser outside, and photos to choose."""

import contextlib
import hashlib
import os
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tools import story_photos
from tools.story_photos import StoryRound, story_round

ROOT = Path(__file__).parents[2]


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
