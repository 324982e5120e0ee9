"""Broken and hostile files cost themselves only: refused in words, or stored and told to be unreadable.

PLUMBSIGHT_MUTATIONS and PLUMBSIGHT_SEED choose another number of mutated photos and other mutations.
"""

import os
import random
from collections import Counter
from pathlib import Path

import pytest

from tests.api.test_photos_whole_way import DemoBay, demo_bay, demo_photo  # noqa: F401 (a fixture)

INPUTS = Path(__file__).parents[3] / "shared" / "data" / "inputs"
MUTATIONS = int(os.environ.get("PLUMBSIGHT_MUTATIONS", "40"))
SEED = int(os.environ.get("PLUMBSIGHT_SEED", "1"))


def mutated(data: bytes, rng: random.Random) -> bytes:
    """The file cut, with bytes flipped, a piece doubled, dropped or blanked, mostly near its start."""
    out = bytearray(data)
    at = rng.randrange(min(len(out), 4000)) if rng.random() < 0.7 else rng.randrange(len(out))
    size = rng.choice([1, 2, 4, 64, 4096])
    kind = rng.choice(["cut", "flip", "double", "drop", "blank", "huge"])
    if kind == "cut":
        del out[rng.randrange(len(out)) :]
    elif kind == "flip":
        for _ in range(size):
            out[rng.randrange(at, min(at + 4096, len(out)))] = rng.randrange(256)
    elif kind == "double":
        out[at:at] = out[at : at + size]
    elif kind == "drop":
        del out[at : at + size]
    else:
        out[at : at + size] = bytes([0 if kind == "blank" else 255]) * len(out[at : at + size])
    return bytes(out)


@pytest.mark.study
@pytest.mark.skipif(not INPUTS.is_dir(), reason="the shared input files are not beside the checkout")
def test_no_file_harms_the_service_or_another_photo(demo_bay: DemoBay, monkeypatch):  # noqa: F811
    monkeypatch.setattr("api.photos.intake.MOST_IN_ROUND", 10_000)
    rng = random.Random(SEED)
    files = [path.read_bytes() for path in sorted(INPUTS.rglob("*")) if path.is_file()]
    whole = [
        (INPUTS / "heif" / "arrow.heic").read_bytes(),
        (INPUTS / "orientation" / "Landscape_6.jpg").read_bytes(),
    ]
    files += [mutated(rng.choice(whole), rng) for _ in range(MUTATIONS)]
    round_id = demo_bay.open()
    statuses: Counter[int] = Counter()
    for k, data in enumerate(files):
        answer = demo_bay.send(round_id, data, f"hostile-{k}.jpg")
        statuses[answer.status_code] += 1
        assert answer.status_code in (200, 201, 422), answer.text
        assert answer.status_code != 422 or answer.json()["detail"].strip()
    assert demo_bay.send(round_id, demo_photo("p01.jpg"), "good.jpg").status_code == 201
    photos = demo_bay.wait_for_looks(300)
    states = Counter(photo["state"] for photo in photos)
    assert all(photo["says"] for photo in photos if photo["state"] == "failed")
    assert next(photo for photo in photos if photo["name"] == "good.jpg")["plates"]
    print(f"\nseed {SEED}, files {len(files)}, answers {dict(statuses)}, photos {dict(states)}")
    assert statuses[201] + 1 == len(photos)
