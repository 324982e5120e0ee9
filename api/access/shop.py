"""The shop's own settings, changed by an owner while the service runs."""

import os
import re
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session as Db

from api.problems import NotAcceptedError
from api.store import Store
from api.tables import Setting

_NAME = "shop"


@dataclass(frozen=True)
class Shop:
    """What a shop sets once.

    Attributes:
        name: As records carry it.
        zone: IANA name of the shop's time zone; the store itself keeps UTC.
        retention_days: After how many days a photo is proposed for removal; None: never. Nothing is
            removed by itself.
        proof_months: How long a kit's proof counts, after which the next is due; None: never. A reminder
            only: nothing is refused for it. A year unless the shop says otherwise (common practice for
            gauges, no source), since a shop that is never asked proves nothing.
        keeps_place: Whether the place (GPS) stays in photos; otherwise it is taken out on arrival.
        bays: Names of the places where vehicles stand; a visit chooses one.
        extra_hosts: Names by which the service may be called beside those it finds itself.
    """

    name: str = ""
    zone: str = "UTC"
    paper: Literal["A4", "Letter"] = "A4"
    units: Literal["mm", "in"] = "mm"
    decimal_mark: Literal[".", ","] = "."
    retention_days: int | None = None
    proof_months: int | None = 12
    keeps_place: bool = False
    bays: tuple[str, ...] = ()
    extra_hosts: tuple[str, ...] = ()


def shop(db: Db) -> Shop:
    """The shop as it is set now."""
    row = db.get(Setting, _NAME)
    if row is None:
        return Shop(zone=_zone_of_machine())
    kept = {**row.value, "bays": tuple(row.value["bays"]), "extra_hosts": tuple(row.value["extra_hosts"])}
    return Shop(**kept)


def change(db: Db, changes: dict[str, Any]) -> Shop:
    """Set some of the shop's settings, by their names."""
    changed = replace(shop(db), **changes)
    _check(changed)
    value = asdict(changed)
    db.merge(
        Setting(
            name=_NAME, value={**value, "bays": list(changed.bays), "extra_hosts": list(changed.extra_hosts)}
        )
    )
    return changed


def extra_hosts(store: Store) -> frozenset[str]:
    """Names by which the shop's people may call the service, in lower case."""
    with store.reading() as db:
        return frozenset(host.lower() for host in shop(db).extra_hosts)


def _check(shop: Shop) -> None:
    if not is_zone(shop.zone):
        raise NotAcceptedError(f"{shop.zone} is no time zone. Give one like Europe/Vienna.", "zone")
    if len(set(shop.bays)) != len(shop.bays) or not all(bay.strip() for bay in shop.bays):
        raise NotAcceptedError("Each bay needs a name of its own.", "bays")
    for host in shop.extra_hosts:
        if not re.fullmatch(r"[A-Za-z0-9]([A-Za-z0-9._-]*[A-Za-z0-9])?", host):
            raise NotAcceptedError(
                f"{host} is no host name. Give it without http:// and port.", "extra_hosts"
            )


def is_zone(name: str) -> bool:
    """Whether this machine knows a time zone of this name."""
    try:
        ZoneInfo(name)
    except (OSError, ValueError, KeyError):  # ZoneInfoNotFoundError is a KeyError
        return False
    return True


def _zone_of_machine() -> str:
    """The zone that the machine is set to, where it says so by name."""
    name = os.environ.get("TZ") or os.path.realpath("/etc/localtime").partition("/zoneinfo/")[2]
    return name if name and is_zone(name) else "UTC"
