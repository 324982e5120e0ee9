"""Cluttered photos without a plate: how many plates does detection find in them? None is right.

`python -m tools.studies.false_plates --sets 1000` Each photo is a drawn workshop wall: textures, print,
chequered and striped surfaces, grids, tags of other families, and 36h11 tags without a ring.
"""

import cv2
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from calib_data.layouts import load_layouts
from tools.studies.counting import run, share, study_words
from vision.detect import detect_plates
from vision.photo import ExifFacts, Photo

SIZE_PX = (2048, 1536)
OTHER_FAMILIES = (
    cv2.aruco.DICT_4X4_250,
    cv2.aruco.DICT_5X5_250,
    cv2.aruco.DICT_6X6_250,
    cv2.aruco.DICT_APRILTAG_16h5,
    cv2.aruco.DICT_APRILTAG_25h9,
    cv2.aruco.DICT_APRILTAG_36h11,
)


def cluttered_photo(rng: Generator, number: int) -> Photo:
    """One photo of a wall full of things that look like plates in part."""
    width, height = SIZE_PX
    rough = rng.normal(0, 1, (height // 16, width // 16)).astype(np.float32)
    wall = 120 + 40 * cv2.resize(rough, SIZE_PX, interpolation=cv2.INTER_CUBIC)
    for _ in range(int(rng.integers(15, 40))):
        _paste(rng, wall, _thing(rng))
    wall = cv2.GaussianBlur(wall, (0, 0), rng.uniform(0.4, 1.5))
    wall = wall + rng.normal(0, rng.uniform(0, 6), wall.shape)
    grey = np.clip(wall * rng.uniform(0.5, 1.5), 0, 255).astype(np.uint8)
    return Photo(f"clutter{number}", f"{number:064x}", SIZE_PX, ExifFacts(focal_35mm=26.0), grey)


def _thing(rng: Generator) -> NDArray:
    """A flat picture, 240 px square, of something a workshop wall may carry."""
    kind = rng.integers(6)
    if kind == 0:
        family = cv2.aruco.getPredefinedDictionary(int(rng.choice(OTHER_FAMILIES)))
        tag = cv2.aruco.generateImageMarker(family, int(rng.integers(len(family.bytesList))), 180)
        return cv2.copyMakeBorder(tag, 30, 30, 30, 30, cv2.BORDER_CONSTANT, value=255).astype(np.float32)
    if kind == 1:
        n = int(rng.integers(4, 16))
        board = (np.indices((n, n)).sum(0) % 2 * 255).astype(np.float32)
        return cv2.resize(board, (240, 240), interpolation=cv2.INTER_NEAREST)
    if kind == 2:
        n = int(rng.integers(8, 26))
        dots = rng.integers(0, 2, (n, n)).astype(np.float32) * 255
        return cv2.resize(dots, (240, 240), interpolation=cv2.INTER_NEAREST)
    if kind == 3:
        page = np.full((240, 240), 245, np.uint8)
        for row in range(20, 230, 18):
            word = "".join(rng.choice(list("ABEHKMRST1234580"), 14))
            cv2.putText(page, word, (6, row), cv2.FONT_HERSHEY_SIMPLEX, 0.55, 10, 2)
        return page.astype(np.float32)
    if kind == 4:
        frame = np.full((240, 240), rng.uniform(180, 255), np.float32)
        for _ in range(int(rng.integers(1, 5))):
            low = rng.integers(0, 120, 2)
            high = low + rng.integers(30, 120, 2)
            cv2.rectangle(frame, low.tolist(), high.tolist(), float(rng.uniform(0, 90)), -1)
        return frame
    stripes = np.tile(np.where(np.arange(240) // rng.integers(4, 30) % 2, 255.0, 20.0), (240, 1))
    return stripes.astype(np.float32)


def _paste(rng: Generator, wall: NDArray, thing: NDArray) -> None:
    """The thing, seen under a random perspective, somewhere on the wall."""
    centre, size = rng.uniform((0, 0), SIZE_PX), rng.uniform(30, 260)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) + rng.uniform(-0.35, 0.35, (4, 2))
    angle = rng.uniform(0, 2 * np.pi)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    seen = (centre + size * corners @ turn.T).astype(np.float32)
    flat = np.array([[0, 0], [239, 0], [239, 239], [0, 239]], np.float32)
    H = cv2.getPerspectiveTransform(flat, seen)
    cover = cv2.warpPerspective(np.ones_like(thing), H, SIZE_PX)
    drawn = cv2.warpPerspective(thing, H, SIZE_PX)
    np.copyto(wall, drawn, where=cover > 0.5)


def n_false(task: tuple[int, int]) -> int:
    """How many plates detection finds in photo `number` of a seed's series."""
    cv2.setNumThreads(1)
    seed, number = task
    found = detect_plates(cluttered_photo(np.random.default_rng((seed, number)), number), load_layouts())
    for d in found:
        print(f"photo {number}: plate {d.plate}, {len(d.saddle_index)} saddles, tag read: {d.tag_read}")
    return len(found)


def main() -> None:
    """Count false plates."""
    words = study_words("False plates in cluttered photos that show none.", 1000).parse_args()
    counts = list(run(n_false, words.jobs, [(words.seed, k) for k in range(words.sets)]))
    with_any = sum(count > 0 for count in counts)
    print(f"{words.sets} photos, {sum(counts)} false plates; photos with any: {share(with_any, words.sets)}")


if __name__ == "__main__":
    main()
