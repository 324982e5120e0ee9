"""Layouts: what a layout file must hold, and that a plate number names one layout only."""

import copy
import json
from dataclasses import replace
from importlib import resources

import numpy as np
import pytest

from calib_data.layouts import load_layouts, ordered_layouts
from vision.errors import LayoutError
from vision.layout import parse_layout

RING13 = json.loads((resources.files("calib_data") / "layouts" / "ring13.json").read_text())


def test_the_shipped_layouts_are_as_designed():
    ring13, cross2x2 = load_layouts()
    # The design: 13 x 13 cells of 14.5 mm, 44 saddles; a 2 x 2 cross with 29 saddles (plates' README).
    assert (ring13.name, len(ring13.saddles_mm), ring13.pattern_half_mm) == ("ring13", 44, 13 * 14.5 / 2)
    assert (cross2x2.name, len(cross2x2.saddles_mm), len(cross2x2.tags)) == ("cross2x2", 29, 4)
    assert ring13.tag_id(7, 0) == 7 and cross2x2.tag_id(61, 3) == 107
    assert ring13.has_plate(59) and not ring13.has_plate(60) and cross2x2.has_plate(60)


@pytest.mark.parametrize("layout", load_layouts(), ids=lambda layout: layout.name)
def test_every_saddle_has_black_and_white_as_its_polarity_says(layout):
    def is_black(point):
        return any(
            (p.min(0) < point).all() and (point < p.max(0)).all() for p in layout.black_mm
        )  # rectangles

    quarter = 0.25 * layout.cell_mm
    for saddle, polarity in zip(layout.saddles_mm, layout.polarity, strict=True):
        on_main = [is_black(saddle + quarter * np.array(d)) for d in ((1, 1), (-1, -1))]
        on_other = [is_black(saddle + quarter * np.array(d)) for d in ((1, -1), (-1, 1))]
        assert on_main == [polarity > 0] * 2 and on_other == [polarity < 0] * 2


def test_arrays_are_read_only():
    with pytest.raises(ValueError, match="read-only"):
        load_layouts()[0].saddles_mm[0] = 1


@pytest.mark.parametrize("key", ["saddles", "tags", "numbering", "cell_mm", "refine_half_window_mm"])
def test_a_missing_key_is_named(key):
    data = {k: v for k, v in RING13.items() if k != key}
    with pytest.raises(LayoutError, match=f"ring13.*{key}.*missing"):
        parse_layout(data)


def changed(*path, to):
    data = copy.deepcopy(RING13)
    place = data
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = to
    return data


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (changed("saddles", 0, "x", to="left"), "wrong kind"),
        (changed("saddles", 0, "x", to=float("nan")), "not finite"),
        (changed("saddles", 0, "x", to=500.0), "outside"),
        (changed("saddles", 0, "polarity", to=0), "1 or -1"),
        (changed("saddles", to=RING13["saddles"][:5]), "at least 8"),
        (changed("cell_mm", to=-1), "positive"),
        (changed("tags", to=[]), "slots"),
        (changed("numbering", "ids_per_plate", to=0), "share an id"),
        (changed("numbering", "plates", to=0), "at least one plate"),
        ([], "wrong kind"),
    ],
)
def test_contradictions_are_refused_in_words(data, words):
    with pytest.raises(LayoutError, match=words):
        parse_layout(data)


def test_two_layouts_may_not_share_plate_numbers_ids_or_name():
    ring13, cross2x2 = load_layouts()
    with pytest.raises(LayoutError, match="both claim plate 59"):
        ordered_layouts([ring13, replace(cross2x2, first_plate=59)])
    with pytest.raises(LayoutError, match="both use tag id 59"):
        ordered_layouts([ring13, replace(cross2x2, first_id=59)])
    with pytest.raises(LayoutError, match="same name"):
        ordered_layouts([ring13, replace(cross2x2, name="ring13")])
    assert ordered_layouts([cross2x2, ring13]) == (ring13, cross2x2)
