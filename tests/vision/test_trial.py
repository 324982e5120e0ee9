"""A hypothesis that comes to a size that never happens is a symptom, however much it explains."""

import numpy as np

from vision.hypotheses import Score
from vision.trial import GAIN_OF_SYMPTOM, Tried, family

ABSURD = Tried(Score(1e9, 6, np.full(6, 1e7)), "moved by 17 km", is_likely_size=False)
PLAIN = Tried(Score(500.0, 6, np.full(6, 0.1)), "moved a little")


def test_what_happens_is_said_before_what_never_does():
    (test,) = family("rigidity", "", [ABSURD, PLAIN], 1e-3)
    assert not test.ok and test.says == "moved a little" and test.gain == PLAIN.score.gain


def test_alone_it_fails_all_the_same_and_ranks_below_every_cause():
    (test,) = family("rigidity", "", [ABSURD], 1e-3)
    assert not test.ok and test.gain == GAIN_OF_SYMPTOM
