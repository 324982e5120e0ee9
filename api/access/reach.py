"""How a phone reaches the service: addresses, a name that stays, QR codes, and what to try otherwise."""

import io
import ipaddress
import socket
import threading
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import ifaddr
import segno

from api.settings import Settings

# A name is looked up in the local network; whoever has it answers at once.
_LOOK_UP_SECONDS = 2.0
# Clocks that a network sets agree to a second; a minute is read off a wall.
CLOCKS_AGREE = timedelta(minutes=1)
_STANDARD_PORTS = {"http": 80, "https": 443}


@dataclass(frozen=True)
class Way:
    """One way to the service.

    Attributes:
        host: Name or address.
        adapter: The machine's network that it belongs to; empty for a name.
        url: Of the first page.
        says: When to use it.
    """

    host: str
    adapter: str
    url: str
    says: str

    def pairing_url(self, code: str) -> str:
        """The link that a pairing QR code carries.

        The code is the link's fragment: a browser keeps it to itself, so that it stands in no log on the way.
        """
        return f"{self.url}pair#{code}"


@dataclass(frozen=True)
class Help:
    """Something that keeps a phone from reaching the service, and what to do about it."""

    key: str
    sign: str
    remedy: str


HELPS = (
    Help(
        "isolation",
        "The page does not load, though the phone is in the same wireless network.",
        "Guest networks keep their devices apart. Use the shop's own network, "
        "or the hotspot of this machine or of the phone.",
    ),
    Help(
        "firewall",
        "It loads on this machine, and on no phone.",
        "This machine's firewall keeps phones out. "
        "Let it take incoming connections on this port in private networks.",
    ),
    Help(
        "address",
        "It loaded before and does not any more.",
        "The address changed with the network. Scan a fresh code from the terminal: "
        "nothing that was stored is lost.",
    ),
    Help(
        "no-internet",
        "The phone says that the network has no internet, and leaves it.",
        "Tell the phone to stay connected without internet, and switch its mobile data off while you work.",
    ),
    Help(
        "lid",
        "It stops when nobody uses the laptop.",
        "A closed lid puts it to sleep. Leave it open, or set it to stay awake while it is on mains power.",
    ),
)


def clocks_say(at: datetime, device_time_ms: int | None) -> str:
    """What is wrong between this machine's clock and a device's; empty if they agree or none was told.

    A photo's time comes from the phone and a round's from this machine: where they differ by minutes,
    photos seem to be taken outside their round and wait in its tray.
    """
    if device_time_ms is None:
        return ""
    ahead = timedelta(milliseconds=device_time_ms) - (at - datetime(1970, 1, 1, tzinfo=UTC))
    if abs(ahead) < CLOCKS_AGREE:
        return ""
    minutes = round(abs(ahead) / timedelta(minutes=1))
    which = "ahead of" if ahead > timedelta(0) else "behind"
    return f"This device's clock is {minutes} minutes {which} the service's. Set the one that is wrong."


def addresses() -> dict[str, str]:
    """This machine's network addresses (IPv4) and the adapter each belongs to."""
    found = {
        str(one.ip): adapter.nice_name
        for adapter in ifaddr.get_adapters()
        for one in adapter.ips
        if one.is_IPv4
    }
    return {address: name for address, name in found.items() if _is_of_network(address)}


def _is_of_network(address: str) -> bool:
    """Not loopback, nor what a machine gives itself where nobody gives it an address (RFC 3927)."""
    one = ipaddress.ip_address(address)
    return not (one.is_loopback or one.is_link_local)


def stable_names() -> tuple[str, ...]:
    """Names of this machine that its network knows; a name stays when the address changes."""
    own = set(addresses())
    name = socket.gethostname().partition(".")[0].lower()
    candidates = dict.fromkeys([f"{name}.local", socket.getfqdn().lower().removesuffix(".")])
    return tuple(one for one in candidates if "." in one and _looked_up(one) & own)


def _looked_up(name: str) -> set[str]:
    """The addresses that a name stands for; none if nobody answers in time."""
    found: set[str] = set()

    def look_up() -> None:
        try:
            found.update(str(one[4][0]) for one in socket.getaddrinfo(name, None, socket.AF_INET))
        except OSError:
            return

    # The system's own look-up cannot be given a time limit.
    thread = threading.Thread(target=look_up, daemon=True)
    thread.start()
    thread.join(_LOOK_UP_SECONDS)
    return set(found)


def ways(settings: Settings, called_as: str = "") -> tuple[Way, ...]:
    """Every way to the service, the best first.

    A name comes first, since it stays; then the way by which the asking device came itself; then the
    address by which this machine reaches others; then the rest.
    """
    if ipaddress.ip_address(settings.listen).is_loopback:
        return (own_way(settings),)
    names = [host for host in settings.hosts if host != "localhost" and not _is_address(host)]
    outward = _outward_address()
    order = {called_as: 0, outward: 1}
    by_address = sorted(addresses().items(), key=lambda one: order.get(one[0], 2))
    found = [
        _way(settings, name, "", "This name stays when the address changes: prefer it.") for name in names
    ]
    for address, adapter in by_address:
        found.append(_way(settings, address, adapter, f"For phones in the network of {adapter}."))
    return tuple(found) or (own_way(settings),)


def own_way(settings: Settings) -> Way:
    """The way for a browser on the machine itself; it never changes."""
    return _way(settings, "localhost", "", "On this machine only.")


def _way(settings: Settings, host: str, adapter: str, says: str) -> Way:
    scheme = "https" if settings.is_https else "http"
    port = "" if settings.port == _STANDARD_PORTS[scheme] else f":{settings.port}"
    return Way(host, adapter, f"{scheme}://{host}{port}/", says)


def _outward_address() -> str:
    """The address that this machine would use towards others; nothing is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documentation (RFC 5737)
            return str(probe.getsockname()[0])
        except OSError:
            return ""


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def qr_svg(text: str) -> str:
    """A QR code as SVG, dark on white also on a dark page."""
    return segno.make(text, error="m", micro=False).svg_inline(light="white", omitsize=True)


def qr_terminal(text: str, is_coloured: bool) -> str:
    """A QR code of half blocks; coloured, it is dark on white in any terminal."""
    out = io.StringIO()
    segno.make(text, error="l", micro=False).terminal(out, border=2, compact=True)
    lines = out.getvalue().splitlines()
    return "\n".join(f"\033[97;40m{line}\033[0m" if is_coloured else line for line in lines)
