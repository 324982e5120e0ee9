"""Previews and drawings: upright, small, sharp, without metadata."""

import io

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageOps

from api.photos.pictures import LONG_SIDE_PX, NEAR_SIDE_PX, points_upright, preview, upright, with_findings
from tests.api.test_metadata import exif_with_place
from vision.detect import Detection
from vision.photo import ExifFacts, Photo
from vision.sightings import FoundPhoto

ORIENTATIONS = range(1, 9)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_upright_is_what_another_library_shows(orientation):
    stored = np.arange(12, dtype=np.uint8).reshape(3, 4)
    image = Image.fromarray(stored)
    image.getexif()[0x0112] = orientation
    assert (upright(stored, orientation) == np.asarray(ImageOps.exif_transpose(image))).all()


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_points_go_where_their_pixels_go(orientation):
    stored = np.arange(12).reshape(3, 4)
    turned = upright(stored, orientation)
    points = np.array([[x, y] for y in range(3) for x in range(4)], float)
    for (x, y), (to_x, to_y) in zip(points, points_upright(points, (4, 3), orientation), strict=True):
        assert turned[int(to_y), int(to_x)] == stored[int(y), int(x)]


def colourful() -> np.ndarray:
    rgb = np.zeros((1500, 2000, 3), np.uint8)
    rgb[:750, :, 0], rgb[750:, :, 2] = 200, 200  # red above blue
    return rgb


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "HEIC"])
def test_a_preview_is_small_upright_in_colour_and_bare(kind):
    out = io.BytesIO()
    if kind == "HEIC":
        heif = pillow_heif.from_pillow(Image.fromarray(colourful()))
        heif.info["exif"] = exif_with_place().tobytes()  # its orientation is for information only
        heif.save(out, quality=80)
    else:
        Image.fromarray(colourful()).save(out, kind, exif=exif_with_place())  # orientation 6
    data = preview(out.getvalue(), LONG_SIDE_PX)
    shown = Image.open(io.BytesIO(data))
    assert shown.format == "JPEG" and max(shown.size) == LONG_SIDE_PX
    assert not shown.getexif() and b"Exif" not in data and b"GPS" not in data
    rgb = np.asarray(shown).astype(int)
    if shown.size[0] < shown.size[1]:  # a quarter clockwise: what was above is at the right
        red, blue = rgb[:, -100:], rgb[:, :100]
    else:
        red, blue = rgb[:100], rgb[-100:]
    assert red[..., 0].mean() > 150 > 60 > red[..., 2].mean()
    assert blue[..., 2].mean() > 150 > 60 > blue[..., 0].mean()


def found_photo(orientation: int = 1) -> tuple[Photo, FoundPhoto]:
    """A grey photo of 4000 x 3000 in which a plate was found round (3000, 500)."""
    grid = np.array([[x, y] for y in range(5) for x in range(5)], float)
    detection = Detection(
        plate=7,
        layout="ring13",
        saddle_index=np.arange(25),
        saddles_px=grid * 40 + [2920, 420],
        cov_px2=np.broadcast_to(np.eye(2) * 1e-3, (25, 2, 2)),
        u_shift_px=0.01,
        u_affine_px=0.01,
        tag_read=True,
        tag_edge_px=60,
        incidence_deg=20,
    )
    grey = np.full((3000, 4000), 128, np.uint8)
    exif = ExifFacts(orientation=orientation)
    return Photo("p.jpg", "0" * 64, (4000, 3000), exif, grey), FoundPhoto(
        "p.jpg", "0" * 64, (4000, 3000), exif, (detection,)
    )


def coloured(data: bytes) -> np.ndarray:
    """Where the drawing is not grey, as fractions of width and height: the middle of it."""
    bgr = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR).astype(int)
    spread = bgr.max(axis=2) - bgr.min(axis=2)
    rows, columns = np.nonzero(spread > 80)
    return np.array([np.median(columns) / bgr.shape[1], np.median(rows) / bgr.shape[0], max(bgr.shape)])


@pytest.mark.parametrize(
    ("orientation", "place"), [(1, (0.75, 1 / 6)), (6, (5 / 6, 0.75)), (3, (0.25, 5 / 6))]
)
def test_findings_are_drawn_where_the_plate_is_seen(orientation, place):
    photo, found = found_photo(orientation)
    x, y, size = coloured(with_findings(photo, found, None))
    assert (x, y) == pytest.approx(place, abs=0.03) and size == LONG_SIDE_PX


def test_near_a_plate_it_fills_the_picture():
    photo, found = found_photo()
    x, y, size = coloured(with_findings(photo, found, 7))
    assert (x, y) == pytest.approx((0.5, 0.5), abs=0.06) and size == pytest.approx(NEAR_SIDE_PX, abs=2)


def test_a_plate_that_is_not_in_the_photo_shows_the_whole():
    photo, found = found_photo()
    assert coloured(with_findings(photo, found, 8))[2] == LONG_SIDE_PX


def test_what_the_second_look_found_is_drawn_too():
    photo, found = found_photo()
    late = FoundPhoto(found.name, found.sha256, found.size_px, found.exif, (), "", (found.detections,))
    assert coloured(with_findings(photo, late, None))[0] == pytest.approx(0.75, abs=0.03)
