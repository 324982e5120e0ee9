"""Addresses, names, QR codes, clocks."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import cv2
import ifaddr
import numpy as np
import pytest

from api.access import reach
from api.settings import Settings

URL = "http://192.168.178.123:8080/"


@pytest.fixture
def settings(tmp_path) -> Settings:
    return Settings(tmp_path, hosts=("127.0.0.1", "localhost", "van.local"), port=8080)


@pytest.fixture
def two_networks(monkeypatch) -> None:
    monkeypatch.setattr(reach, "addresses", lambda: {"192.168.4.1": "hotspot", "10.0.0.7": "cable"})
    monkeypatch.setattr(reach, "_outward_address", lambda: "10.0.0.7")


def test_a_name_comes_first_then_the_outward_address(settings, two_networks):
    assert [way.url for way in reach.ways(settings)] == [
        "http://van.local:8080/",
        "http://10.0.0.7:8080/",
        "http://192.168.4.1:8080/",
    ]


def test_the_way_by_which_the_asking_device_came_comes_before_other_addresses(settings, two_networks):
    assert [way.host for way in reach.ways(settings, "192.168.4.1")] == [
        "van.local",
        "192.168.4.1",
        "10.0.0.7",
    ]


def test_a_standard_port_is_left_out_and_a_certificate_makes_https(settings, two_networks):
    encrypted = replace(settings, is_https=True, port=443)
    assert reach.ways(encrypted)[0].url == "https://van.local/"


def test_without_a_network_or_on_loopback_only_this_machine_is_shown(settings, monkeypatch):
    monkeypatch.setattr(reach, "addresses", dict)
    alone = replace(settings, hosts=("127.0.0.1", "localhost"))
    for one in (alone, replace(settings, listen="127.0.0.1")):
        assert [way.url for way in reach.ways(one)] == ["http://localhost:8080/"]


def test_a_pairing_code_is_a_fragment_that_browsers_keep_to_themselves(settings, two_networks):
    assert reach.ways(settings)[1].pairing_url("ABCDE-FGHJK") == "http://10.0.0.7:8080/pair#ABCDE-FGHJK"


def test_loopback_is_no_network_address():
    assert not [one for one in reach.addresses() if one.startswith("127.")]


@pytest.mark.parametrize(
    ("answers", "names"),
    [
        ({"van.local": {"192.168.4.1"}}, ("van.local",)),
        ({"van.local": {"127.0.1.1"}}, ()),  # the machine's own hosts file: of no use to a phone
        ({"van.local": {"192.168.4.99"}}, ()),  # somebody else's
        ({}, ()),
        ({"van.local": {"192.168.4.1"}, "van.shop.example": {"10.0.0.7"}}, ("van.local", "van.shop.example")),
    ],
)
def test_a_name_counts_only_if_it_stands_for_one_of_the_machines_addresses(
    two_networks, monkeypatch, answers, names
):
    monkeypatch.setattr("socket.gethostname", lambda: "Van")
    monkeypatch.setattr("socket.getfqdn", lambda: "van.shop.example")
    monkeypatch.setattr(reach, "_looked_up", lambda name: answers.get(name, set()))
    assert reach.stable_names() == names


def test_a_name_that_nobody_knows_is_looked_up_to_nothing():
    assert reach._looked_up("no-such-name.invalid") == set()  # RFC 6761: never resolves


@pytest.mark.parametrize(
    ("ahead", "says"),
    [
        (timedelta(seconds=59), ""),
        (timedelta(seconds=-59), ""),
        (timedelta(minutes=7), "7 minutes ahead of"),
        (timedelta(hours=-1), "60 minutes behind"),
    ],
)
def test_clocks_that_differ_by_a_minute_are_told(ahead: timedelta, says: str):
    at = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
    told = reach.clocks_say(at, round((at + ahead).timestamp() * 1000))
    assert says in told
    assert bool(told) == bool(says)


def test_a_device_that_tells_no_time_is_told_nothing():
    assert reach.clocks_say(datetime.now(UTC), None) == ""


def test_the_terminals_qr_code_is_read_back_by_another_library():
    lines = reach.qr_terminal(URL, is_coloured=False).splitlines()
    halves = {" ": (0, 0), "▀": (255, 0), "▄": (0, 255), "█": (255, 255)}
    rows = [[halves[sign] for sign in line] for line in lines]
    pixels = np.array(rows, np.uint8).transpose(0, 2, 1).reshape(2 * len(lines), -1)
    # An odd number of rows leaves half a line that belongs to nothing.
    picture = cv2.copyMakeBorder(
        np.kron(pixels[:-1], np.ones((8, 8), np.uint8)), 32, 32, 32, 32, 0, value=255
    )
    assert cv2.QRCodeDetector().detectAndDecode(picture)[0] == URL


def test_the_terminals_qr_code_fits_beside_its_help():
    lines = reach.qr_terminal(f"{URL}pair#ABCDE-FGHJK", is_coloured=False).splitlines()
    assert len(lines) <= 18
    assert max(map(len, lines)) <= 40


def test_in_colours_it_is_dark_on_white_in_any_terminal():
    for line in reach.qr_terminal(URL, is_coloured=True).splitlines():
        assert line.startswith("\033[97;40m")
        assert line.endswith("\033[0m")


def test_the_pages_qr_code_is_dark_on_white_without_inline_style():
    svg = reach.qr_svg(URL)
    assert "style=" not in svg  # the content security policy forbids it
    assert {'fill="#fff"', 'stroke="#000"'} <= set(svg.replace(">", " ").replace("/", " ").split())


def test_an_address_that_the_machine_gave_itself_is_no_way(monkeypatch):
    def adapter(name: str, *addresses: str) -> ifaddr.Adapter:
        return ifaddr.Adapter(name, name, [ifaddr.IP(address, 24, name) for address in addresses])

    adapters = [adapter("cable", "169.254.3.4"), adapter("air", "192.168.4.1"), adapter("lo", "127.0.0.1")]
    monkeypatch.setattr(ifaddr, "get_adapters", lambda: adapters)
    assert reach.addresses() == {"192.168.4.1": "air"}
