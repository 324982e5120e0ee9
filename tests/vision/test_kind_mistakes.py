"""Mistakes with units and mats as they happen: each is named, and nothing conforms.

What each is called is common practice of the trade, no source.
"""

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from tools import kind_mistakes
from tools.kind_families import draw_bay
from tools.studies.families import measure_bay, told

# These are like others of the list, and slow.
LONG = ("mats swapped", "mat a quarter off", "pair swapped")


@pytest.mark.parametrize(
    "mistake",
    [pytest.param(m, marks=pytest.mark.study) if m in LONG else m for m in sorted(kind_mistakes.NAMED)],
)
def test_a_mistake_is_named_and_never_conforms(mistake):
    family, words = kind_mistakes.NAMED[mistake]
    rng = np.random.default_rng(7)
    bay = draw_bay(rng, family, with_label=mistake in kind_mistakes.LABELLED)
    bay = kind_mistakes.MISTAKES[mistake](rng, bay)
    m = measure_bay(rng, bay)
    assert m.decision in ("undecided", "nonconforming")
    said = [test.says for test in m.tests if not test.ok][:1]
    said += [words for p in m.placements for words in p.advice]
    assert any(words in one for one in said), said


def test_moves_of_a_pair_say_which_and_which_way():
    rng = np.random.default_rng(7)
    bay = draw_bay(rng, "pair_of_boards")
    asked = bay.relations[0].values["spacing_mm"]
    values = {**bay.relations[0].values, "spacing_mm": replace(asked, nominal=asked.nominal + 20)}
    relation = replace(bay.relations[0], values=MappingProxyType(values))
    m = measure_bay(rng, replace(bay, relations=(relation,)))
    assert m.relations[0].decision.decision == "nonconforming" and m.decision == "nonconforming"
    assert "away from" in m.relations[0].advice[0] and "'left placed'" in m.relations[0].advice[0]


@pytest.mark.study
def test_swapped_mats_are_named_where_one_shows_too_few_plates_to_be_flat():
    """What both have measured tells; a value that one of them lacks tells nothing."""
    assert told(1, "mats swapped", 6).named
