"""Pictures for people, made from photos: previews, and photos with what was found drawn on them. JPEG."""

import os
from collections.abc import Sequence
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from uuid import uuid4

import cv2
import numpy as np
import pillow_heif
from numpy.typing import NDArray

from calib_data.drawings import draw_findings
from vision.detect import Detection
from vision.errors import PhotoError
from vision.photo import Photo, read_header
from vision.sightings import FoundPhoto

QUALITY = 82
LONG_SIDE_PX = 1600  # of a whole photo with findings
NEAR_SIDE_PX = 1000  # of the view of one plate
NEAR_REACH = 1.8  # how much of a plate's surroundings is shown, in plate sizes


def preview(data: bytes, long_side_px: int) -> bytes:
    """A small upright JPEG of a photo, without metadata.

    Raises:
        PhotoError: It cannot be decoded.
    """
    header = read_header(data, "the photo")
    if header.kind == "heic":
        # The decoder turns it upright.
        heif = pillow_heif.open_heif(BytesIO(data), convert_hdr_to_8bit=True)
        pixels = np.asarray(heif)
        upright_bgr = pixels if pixels.ndim == 2 else pixels[..., 2::-1]
        return jpeg(shrunk(np.ascontiguousarray(upright_bgr), long_side_px))
    pixels = _decoded_small(data, max(header.size_px), long_side_px)
    return jpeg(upright(shrunk(pixels, long_side_px), header.exif.orientation))


def _decoded_small(data: bytes, long_px: int, long_side_px: int) -> NDArray:
    flags = cv2.IMREAD_COLOR
    for factor, reduced in (
        (8, cv2.IMREAD_REDUCED_COLOR_8),
        (4, cv2.IMREAD_REDUCED_COLOR_4),
        (2, cv2.IMREAD_REDUCED_COLOR_2),
    ):
        if long_px >= factor * long_side_px:
            flags = reduced
            break
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), flags | cv2.IMREAD_IGNORE_ORIENTATION)
    if pixels is None:
        raise PhotoError("The file is damaged and cannot be decoded. Copy it from the phone again.")
    return pixels


def shrunk(pixels: NDArray, long_side_px: int) -> NDArray:
    """At most so many pixels on its long side."""
    scale = long_side_px / max(pixels.shape[:2])
    if scale >= 1:
        return pixels
    return cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)


_UPRIGHT = {
    1: (0, False),
    2: (0, True),
    3: (2, False),
    4: (2, True),
    5: (3, True),
    6: (3, False),
    7: (1, True),
    8: (1, False),
}


def upright(pixels: NDArray, orientation: int) -> NDArray:
    """As it is to be seen (EXIF 2.32, 4.6.4, Orientation)."""
    # Quarter turns counter-clockwise, then whether left and right change places.
    turns, mirrored = _UPRIGHT[orientation]
    turned = np.rot90(pixels, turns)
    return np.ascontiguousarray(turned[:, ::-1] if mirrored else turned)


def points_upright(points_px: NDArray, size_px: tuple[int, int], orientation: int) -> NDArray:
    """Where points (n, 2) of the stored array are in `upright`'s."""
    x, y = points_px[..., 0], points_px[..., 1]
    w, h = size_px[0] - 1, size_px[1] - 1
    places = {
        1: (x, y),
        2: (w - x, y),
        3: (w - x, h - y),
        4: (x, h - y),
        5: (y, x),
        6: (h - y, x),
        7: (h - y, w - x),
        8: (y, w - x),
    }
    return np.stack(places[orientation], -1)


def with_findings(photo: Photo, found: FoundPhoto, plate: int | None) -> bytes:
    """The photo upright with plates and points drawn on it, so that lines are sharp at this very size.

    Args:
        plate: Show its surroundings only, enlarged; None: the whole photo. A plate that is not in the
            photo shows the whole.
    """
    orientation = photo.exif.orientation
    grey = upright(photo.grey, orientation)
    detections = [*found.detections, *(d for look in found.predicted for d in look)]
    shown = [
        replace(d, saddles_px=points_upright(d.saddles_px, photo.size_px, orientation)) for d in detections
    ]
    left, top, right, bottom = _window(shown, plate, (grey.shape[1], grey.shape[0]))
    is_near = (right - left, bottom - top) != (grey.shape[1], grey.shape[0])
    scale = (NEAR_SIDE_PX if is_near else LONG_SIDE_PX) / max(right - left, bottom - top)
    method = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    view = cv2.resize(grey[top:bottom, left:right], None, fx=scale, fy=scale, interpolation=method)
    # A pixel's centre is at its index: half a pixel is lost and gained in scaling.
    scaled = [replace(d, saddles_px=(d.saddles_px - [left, top] + 0.5) * scale - 0.5) for d in shown]
    if is_near:
        scaled = [d for d in scaled if d.plate == plate]
    return jpeg(draw_findings(view, scaled))


def _window(
    detections: Sequence[Detection], plate: int | None, size_px: tuple[int, int]
) -> tuple[int, int, int, int]:
    own = [d for d in detections if d.plate == plate]
    if not own:
        return 0, 0, *size_px
    low, high = own[0].saddles_px.min(axis=0), own[0].saddles_px.max(axis=0)
    half = NEAR_REACH * (high - low).max() / 2
    left, top = np.maximum(np.rint((low + high) / 2 - half), 0).astype(int).tolist()
    right, bottom = np.minimum(np.rint((low + high) / 2 + half) + 1, size_px).astype(int).tolist()
    return left, top, right, bottom


def jpeg(pixels: NDArray) -> bytes:
    """Grey, or blue, green, red as OpenCV has them, as a JPEG without metadata."""
    ok, data = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    assert ok
    return data.tobytes()


def write_whole(path: Path, data: bytes) -> None:
    """Write a file that is whole or not there; it can be made anew, so it is not synced."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    temporary = path.with_name(f".{uuid4().hex}.tmp")
    try:
        temporary.write_bytes(data)
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)
