"""The shop's settings."""

import pytest

from api.access import shop
from api.problems import NotAcceptedError


def test_what_is_changed_is_kept_and_the_rest_stays(store):
    with store.writing() as db:
        shop.change(db, {"name": "Invented Motors", "bays": ("left", "right"), "zone": "Europe/Vienna"})
    with store.writing() as db:
        shop.change(db, {"paper": "Letter", "retention_days": 365})
    with store.reading() as db:
        kept = shop.shop(db)
    assert (kept.name, kept.bays, kept.zone) == ("Invented Motors", ("left", "right"), "Europe/Vienna")
    assert (kept.paper, kept.retention_days, kept.keeps_place) == ("Letter", 365, False)


def test_before_anyone_set_it_the_zone_is_the_machines(store, monkeypatch):
    monkeypatch.setenv("TZ", "America/Chicago")
    with store.reading() as db:
        assert shop.shop(db).zone == "America/Chicago"
    monkeypatch.setenv("TZ", "nonsense")
    with store.reading() as db:
        assert shop.shop(db).zone == "UTC"


@pytest.mark.parametrize(
    ("wrong", "where"),
    [
        ({"zone": "Vienna"}, "zone"),
        ({"zone": "../../etc/passwd"}, "zone"),
        ({"zone": ""}, "zone"),
        ({"bays": ("left", "left")}, "bays"),
        ({"bays": (" ",)}, "bays"),
        ({"extra_hosts": ("http://bay",)}, "extra_hosts"),
        ({"extra_hosts": ("bay:80",)}, "extra_hosts"),
        ({"extra_hosts": ("*",)}, "extra_hosts"),
    ],
)
def test_what_cannot_be_is_refused_by_its_field(store, wrong: dict, where: str):
    with store.writing() as db, pytest.raises(NotAcceptedError) as refused:
        shop.change(db, wrong)
    assert refused.value.where == where


def test_names_to_be_called_by_are_compared_in_lower_case(store):
    with store.writing() as db:
        shop.change(db, {"extra_hosts": ("Bay.Example",)})
    assert shop.extra_hosts(store) == {"bay.example"}
