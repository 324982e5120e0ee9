"""The published tag codes: which code do sampled cells show, turned how, and with how many wrong bits."""

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class TagFamily:
    """All codes of a published family in all four turns.

    Attributes:
        size: Data cells along one side; the black border adds one cell all round.
        signs: (n, 4, size * size) of +1 (white) and -1, row by row from the top-left; turn t is what
            is read when the reader starts at the printed corner t (OpenCV's corner order).
    """

    size: int
    signs: NDArray


@dataclass(frozen=True, eq=False)
class CodeReading:
    """The nearest code of each of m tags.

    `turn` is the printed corner at which the reading started; `wrong` counts cells that differ;
    `lead` is how many more cells differ for the next best code or turn.
    """

    tag_id: NDArray
    turn: NDArray
    wrong: NDArray
    lead: NDArray


@cache
def tag_family(dictionary: str) -> TagFamily:
    """The family that OpenCV carries under this name (`DICT_APRILTAG_36h11`)."""
    published = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    size = published.markerSize
    upright = np.stack(
        [cv2.aruco.Dictionary.getBitsFromByteList(code[None], size) for code in published.bytesList]
    )
    # Starting at printed corner t, the reader sees the code turned t quarter turns counter-clockwise.
    turned = np.stack([np.rot90(upright, t, axes=(1, 2)) for t in range(4)], axis=1)
    signs = (2.0 * turned - 1.0).reshape(len(upright), 4, size * size).astype(np.float32)
    signs.flags.writeable = False
    return TagFamily(size, signs)


def nearest_code(
    family: TagFamily, ids: NDArray, cells: NDArray, turns: tuple[int, ...] = (0, 1, 2, 3)
) -> CodeReading:
    """The nearest among the codes `ids` for cells (m, size * size) that run from -1 (black) to +1 (white)."""
    candidates = family.signs[ids][:, turns, :].reshape(len(ids) * len(turns), -1)
    hard = np.where(cells >= 0, np.float32(1), np.float32(-1))
    wrong = (family.size**2 - hard @ candidates.T) / 2
    # Among codes with equally many wrong bits the one that contradicts the grey levels least comes first.
    doubt = wrong - 0.5 * (np.clip(cells, -1, 1).astype(np.float32) @ candidates.T) / family.size**2
    best = np.argmin(doubt, axis=1)
    rows = np.arange(len(cells))
    least = wrong[rows, best]
    wrong[rows, best] = np.inf
    lead = wrong.min(axis=1) - least if candidates.shape[0] > 1 else np.full(len(cells), np.inf)
    return CodeReading(
        tag_id=np.asarray(ids)[best // len(turns)],
        turn=np.asarray(turns)[best % len(turns)],
        wrong=np.round(least).astype(int),
        lead=lead,
    )
