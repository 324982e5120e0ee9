"""Rendered photos of every kind of target, from light to values: true to their u, and mistakes named.

The truth is the maker's (`tools.make_set`), which shares no geometry with `vision/`; photos have two
megapixels.
"""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from calib_data.layouts import load_layouts
from calib_data.photoset import read_photo_set
from tools.kind_families import FAMILIES
from tools.kind_mistakes import NAMED
from tools.make_set import write_family
from tools.studies.coverage import NO_ALARM
from tools.studies.families import true_of
from tools.studies.situations import difference
from vision.measure import Measurement, measure
from vision.photo import read_photo

pytestmark = pytest.mark.study

SEED, SIZE_PX = 1, (1640, 1230)
# Labels and level plates are in two of them.
SETS = {
    **{family: {"n_photos": 8} for family in FAMILIES},
    "corner_units": {"n_photos": 9},
    "rear_board": {"n_photos": 8, "with_label": True, "plumb": "yz"},
    "board_near_and_far": {"n_photos": 9, "with_label": True},
}
MISTAKES = {"pair swapped": 8, "mat turned round": 8, "target upside down": 8}


@dataclass(frozen=True, eq=False)
class Round:
    """One measured round and its true values, by the names of `Reported`."""

    m: Measurement
    true: dict[str, float]

    def z(self) -> dict[str, float]:
        r = self.m.reported
        return {k: difference(k, r.value(k), self.true[k]) / r.u(k) for k in r.keys if k in self.true}


@pytest.fixture(scope="module")
def rounds(tmp_path_factory):
    """`rounds(family, **how)`: rendered and measured, each once."""
    cv2.setNumThreads(1)

    @cache
    def made(family: str, **how) -> tuple[Round, ...]:
        folder = tmp_path_factory.mktemp("kinds") / "set"
        sets = write_family(folder, family, SEED, size_px=SIZE_PX, **how)
        return tuple(Round(measured(place), true_of(bay)) for place, bay in sets)

    return made


def measured(folder: Path) -> Measurement:
    read = read_photo_set(folder)
    assert read.warnings == ()
    photos = [read_photo(path.read_bytes(), path.name) for path in read.photos]
    return measure(photos, read.kit, read.vehicle, read.placements, load_layouts(), relations=read.relations)


@pytest.mark.parametrize("family", SETS)
def test_values_lie_within_what_u_says_and_nothing_is_said_against_a_correct_set(family, rounds):
    for one in rounds(family, **SETS[family]):
        assert [t.says for t in one.m.tests if not t.ok and t.name not in NO_ALARM] == []
        required = {f"{i}:{key}" for i, p in enumerate(one.m.placements) for key in p.placement.values}
        assert required <= set(one.m.reported.keys)
        z = one.z()
        assert len(z) >= 6
        # |z| > 4 comes once in 16,000 values of a normal distribution; all sets together have 150.
        assert {key: value for key, value in z.items() if abs(value) > 4} == {}


def test_most_errors_are_inside_their_interval(rounds):
    z = np.array(
        [v for family, how in SETS.items() for one in rounds(family, **how) for v in one.z().values()]
    )
    # Values of one round err together, so that not 95 % of any 150 are inside.
    assert np.mean(np.abs(z) < 1.96) > 0.85


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_in_the_photos_is_named_and_never_conforms(mistake, rounds):
    family, words = NAMED[mistake]
    (one,) = rounds(family, n_photos=MISTAKES[mistake], mistake=mistake)
    assert one.m.decision in ("undecided", "nonconforming")
    assert words in next(t.says for t in one.m.tests if not t.ok)
