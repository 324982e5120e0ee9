"""What the terminal of a running service shows, and when it shows a fresh code."""

import re
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from api.access import pairing, people, reach
from api.settings import Settings
from api.store import Store, open_store
from tools import serve_terminal
from tools.serve_terminal import Terminal, help_text, invitation

PIN = "2580"


@pytest.fixture
def store(tmp_path: Path):
    opened = open_store(tmp_path)
    yield opened
    opened.close()


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(tmp_path, hosts=("127.0.0.1", "localhost", "van.local"))


@pytest.fixture
def network(monkeypatch) -> dict[str, str]:
    """This machine's addresses, to be changed while it runs."""
    now = {"192.168.4.1": "hotspot", "10.0.0.7": "cable"}
    monkeypatch.setattr(reach, "addresses", lambda: dict(now))
    monkeypatch.setattr(serve_terminal, "_LOOK_EVERY_SECONDS", 0.01)
    return now


def _owner(store: Store) -> str:
    with store.writing() as db:
        person = people.add(db, "A. Example", "owner")
        people.set_pin(db, person.id, people.hash_pin(PIN))
        return person.id


def _codes(shown: str) -> list[str]:
    return re.findall(r"localhost:8080/pair#(\S+)", shown)


def _wait(capsys, is_there: Callable[[str], object]) -> str:
    """What was shown, once it is there."""
    shown = ""
    end = time.monotonic() + 20
    while time.monotonic() < end and not is_there(shown):
        shown += capsys.readouterr().out
        time.sleep(0.01)
    assert is_there(shown), shown
    return shown


def test_each_way_has_a_qr_code_and_a_link_and_the_name_comes_first(store, settings, network):
    with store.writing() as db:
        code = pairing.make(db)
    shown = invitation(settings, store, code)
    links = re.findall(r"^   (http://\S+)", shown, re.MULTILINE)
    assert links[0] == f"http://van.local:8080/pair#{code.text}"
    assert {link.split("/")[2] for link in links[1:]} == {"192.168.4.1:8080", "10.0.0.7:8080"}
    for link in links:
        assert reach.qr_terminal(link, is_coloured=False) in shown


def test_what_the_code_asks_is_told(store, settings, network):
    with store.writing() as db:
        first = pairing.make(db)
    assert "is the owner" in invitation(settings, store, first)
    person_id = _owner(store)
    with store.writing() as db:
        people.add(db, "B. Example", "technician")
        codes = [pairing.make(db), pairing.make(db, person_id, True), pairing.make(db, person_id)]
    shown = [invitation(settings, store, code) for code in codes]
    assert "give your PIN" in shown[0]
    assert "A. Example, who chooses a new PIN" in shown[1]
    assert "for A. Example" in shown[2]


def test_a_changed_address_shows_a_fresh_code(store, settings, network, capsys):
    with Terminal(settings, store):
        network["172.20.10.2"] = "phone"
        shown = _wait(capsys, lambda shown: len(_codes(shown)) == 2)
    assert "address changed" in shown
    assert "http://172.20.10.2:8080/pair#" in shown
    assert len(set(_codes(shown))) == 2


def test_a_code_that_was_used_is_told_once(store, settings, network, capsys):
    person_id = _owner(store)
    with Terminal(settings, store):
        (code,) = _codes(_wait(capsys, _codes))
        pairing.pair(store, code, pairing.Answers(person_id=person_id, pin=PIN), "phone")
        _wait(capsys, lambda shown: "was paired" in shown)
        time.sleep(0.1)
        assert capsys.readouterr().out == ""


def test_a_code_that_has_ended_is_told(store, settings, network, capsys, monkeypatch):
    with Terminal(settings, store):
        _wait(capsys, _codes)
        monkeypatch.setattr(serve_terminal, "now", lambda: "9999-01-01T00:00:00.000000Z")
        _wait(capsys, lambda shown: "has ended" in shown)


def test_the_help_names_what_goes_wrong_most():
    text = " ".join(help_text().split())
    for word in ("Guest networks", "firewall", "address changed", "no internet", "lid"):
        assert word in text
