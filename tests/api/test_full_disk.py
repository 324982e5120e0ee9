"""A disk that is really full, mounted for the test: what was acknowledged stays, the rest is refused."""

import hashlib
import os
import subprocess
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from api.photos import photofiles
from tests.api.test_killed import unlike
from tests.api.test_photos_whole_way import DemoBay, demo_bay, demo_photo  # noqa: F401 (a fixture)

MEGABYTES = 16


@pytest.fixture
def small_disk(tmp_path: Path):
    place = tmp_path / "small"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", f"size={MEGABYTES}m", "tmpfs", str(place)]
    if (
        not hasattr(os, "geteuid")
        or os.geteuid() != 0
        or subprocess.run(command, capture_output=True).returncode
    ):
        pytest.skip("mounting a small disk takes root")
    yield place
    subprocess.run(["umount", "--lazy", str(place)], check=True)


@pytest.fixture
def service_settings(service_settings, small_disk):
    return replace(service_settings, folder=small_disk / "store", reserve_bytes=0)


@pytest.mark.study
def test_a_full_disk_loses_nothing_that_was_acknowledged(demo_bay: DemoBay, small_disk: Path):  # noqa: F811
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes(MEGABYTES * 1_000_000 - 7_000_000))
    round_id, photo = demo_bay.open(), demo_photo("p01.jpg")
    answers: Counter[int] = Counter()
    acknowledged = {}
    for k in range(24):
        answer = demo_bay.send(round_id, unlike(photo, k), f"{k}.jpg")
        answers[answer.status_code] += 1
        assert answer.status_code in (201, 507), answer.text
        if answer.status_code == 201:
            acknowledged[answer.json()["photo"]["id"]] = answer.json()["photo"]["sha256"]
        else:
            assert "disk is full" in answer.json()["detail"]
    assert answers[507] and answers[201]
    assert not list((demo_bay.store.folder / photofiles.INCOMING).iterdir())
    ballast.unlink()
    assert demo_bay.send(round_id, unlike(photo, 99), "99.jpg").status_code == 201
    photos = {p["id"]: p for p in demo_bay.wait_for_looks(120)}
    lost = [one for one in acknowledged if one not in photos]
    wrong = [
        one
        for one, sha256 in acknowledged.items()
        if hashlib.sha256(photofiles.local(demo_bay.store.folder, sha256).read_bytes()).hexdigest() != sha256
    ]
    print(f"\nanswers {dict(answers)}, lost {len(lost)}, wrong hash {len(wrong)}")
    assert not lost and not wrong and len(photos) == answers[201] + 1
    assert {p["state"] for p in photos.values()} == {"looked"}
