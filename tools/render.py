"""Photos with known truth: plates ray-cast through the true camera, then what a phone does to light.

Every plate pixel is traced back exactly: truth.project_points is inverted, so distortion, bow, print
scale and the motion during read-out are those of tools/truth.py. After that, in the order of a phone:
motion blur, defocus and lens blur, exposure and clipping, shot and read noise, tone curve, sharpening,
JPEG with EXIF.
"""

import io
from dataclasses import dataclass, replace
from functools import lru_cache

import cv2
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from PIL import ExifTags, Image
from skimage.draw import polygon as polygon_pixels

from calib_data.layouts import load_layouts
from tools.scene import layout_of
from tools.shop import Surface, draw_surfaces, light_on
from tools.truth import (
    TruePhoto,
    TruePlate,
    camera_position_mm,
    plate_outline_mm,
    points_in_world_mm,
    project_points,
    segments_hit_boxes,
)
from vision.photo import ExifFacts

# Laser toner and copier paper, share of the light that comes back; common practice, no source.
BLACK, WHITE = 0.04, 0.80
_TEXEL_MM = 0.05  # all edges of both layouts lie on this grid
_NODE_PX = 4  # pixels between exactly traced ones; between them the map bends by less than 0.001 px
_SAMPLES = 5  # per pixel and axis


@dataclass(frozen=True)
class Look:
    """How a photo is taken and developed.

    Attributes:
        exposure: 1 is right; from 1.3 on white paper is clipped.
        psf_px: Standard deviation of the lens's blur; `defocus_px`, radius of the disc of defocus.
        full_well: Electrons at full scale: 8000 in daylight, 800 in a dim shop; `read_noise`, electrons.
        readout_s: Time from first to last row; with the exposure time it makes the motion blur.
        sharpening: Share of the unsharp mask that is added.
    """

    exposure: float = 1.0
    psf_px: float = 0.5
    defocus_px: float = 0.0
    full_well: float = 8000.0
    read_noise: float = 4.0
    readout_s: float = 0.014
    sharpening: float = 0.3


# Only geometry: for checks of the rendering itself.
IDEAL = Look(psf_px=0.0, full_well=float("inf"), read_noise=0.0, readout_s=float("inf"), sharpening=0.0)


def render_photo(
    rng: Generator,
    photo: TruePhoto,
    surfaces: tuple[Surface, ...] = (),
    look: Look = Look(),  # noqa: B008
) -> NDArray:
    """The developed photo, uint8 RGB (height, width, 3), in the stored array's axes."""
    straight = replace(photo, mirrored=False)
    colour = draw_surfaces(straight, surfaces)
    light = cv2.resize(
        cv2.cvtColor(colour, cv2.COLOR_RGB2GRAY), photo.size_px, interpolation=cv2.INTER_LINEAR
    )
    cover = np.zeros_like(light)
    camera_mm = camera_position_mm(photo)
    depth = [np.linalg.norm(p.T_world_plate[:3, 3] - camera_mm) for p in photo.plates]
    for i in np.argsort(depth)[::-1]:
        _draw_plate(light, cover, straight, photo.plates[i], look)
    light = _blur(light, look)
    light = np.clip(_noisy(rng, np.minimum(light * np.float32(look.exposure), 1.0), look), 0, 1)
    luma = _sharpen(_tone(light), look.sharpening)
    rgb = _with_colour(luma, colour, cover, look)
    return np.ascontiguousarray(rgb[:, ::-1]) if photo.mirrored else rgb


def encode_photo(pixels: NDArray, exif: ExifFacts, quality: int = 90) -> bytes:
    """JPEG bytes with the EXIF block of a phone."""
    block = Image.Exif()
    base = {
        ExifTags.Base.Make: exif.make,
        ExifTags.Base.Model: exif.model,
        ExifTags.Base.Software: exif.software,
    }
    block.update({tag: value for tag, value in base.items() if value is not None})
    block[ExifTags.Base.Orientation] = exif.orientation
    taken = exif.taken and exif.taken.replace("-", ":").replace("T", " ")
    more = {
        ExifTags.Base.FocalLength: exif.focal_length_mm,
        ExifTags.Base.FocalLengthIn35mmFilm: exif.focal_35mm and round(exif.focal_35mm),
        ExifTags.Base.ExposureTime: exif.exposure_time_s,
        ExifTags.Base.LensModel: exif.lens_model,
        ExifTags.Base.DigitalZoomRatio: exif.digital_zoom,
        ExifTags.Base.DateTimeOriginal: taken,
    }
    block.get_ifd(ExifTags.IFD.Exif).update({tag: value for tag, value in more.items() if value is not None})
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", quality=quality, exif=block)
    return file.getvalue()


# --- plates -----------------------------------------------------------------------------------------


@lru_cache(maxsize=64)
def plate_art(number: int) -> tuple[NDArray, ...]:
    """The sheet's reflectance at 0.25, 0.5 and 1 mm a texel, float32, first row at +y; white border included.

    Drawn from the layout's polygons and OpenCV's own marker images.
    """
    layout = layout_of(number)
    art = _ring_art(layout.name).copy()
    half = len(art) // 2
    for tag in layout.tags:
        dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, tag.dictionary))
        left, top = np.round(half + tag.corners_mm[0] * [1, -1] / _TEXEL_MM).astype(int)
        side = round((tag.corners_mm[1, 0] - tag.corners_mm[0, 0]) / _TEXEL_MM)
        marker = cv2.aruco.generateImageMarker(dictionary, layout.tag_id(number, tag.slot), 8)
        art[top : top + side, left : left + side] = cv2.resize(
            marker, (side, side), interpolation=cv2.INTER_NEAREST
        )
    fine = cv2.resize(art, None, fx=0.2, fy=0.2, interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    fine = BLACK + (WHITE - BLACK) * fine
    halved = cv2.resize(fine, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    return fine, halved, cv2.resize(halved, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)


@lru_cache
def _ring_art(name: str) -> NDArray:
    """All of a layout's artwork but the tags, 0 or 255, with a whole number of mm on each side."""
    layout = next(layout for layout in load_layouts() if layout.name == name)
    half = int(np.ceil(plate_outline_mm(layout)[2, 0])) * round(1 / _TEXEL_MM)
    art = np.full((2 * half, 2 * half), 255, np.uint8)
    for points in layout.black_mm:
        x, y = half + points[:, 0] / _TEXEL_MM - 0.5, half - points[:, 1] / _TEXEL_MM - 0.5
        art[polygon_pixels(y, x, art.shape)] = 0
    return art


def _draw_plate(light: NDArray, cover: NDArray, photo: TruePhoto, plate: TruePlate, look: Look) -> None:
    """Lay one plate over the photo, where no box stands before it."""
    camera_mm = camera_position_mm(photo)
    normal = plate.T_world_plate[:3, 2]
    outline_mm = plate_outline_mm(plate.layout)
    outline_px = project_points(photo, points_in_world_mm(plate, outline_mm))
    if normal @ (camera_mm - plate.T_world_plate[:3, 3]) <= 0 or np.isnan(outline_px).any():
        return
    kernel = _motion_kernel(photo, plate, look)
    margin = 2 * _NODE_PX + len(kernel) // 2
    low = np.floor(np.maximum(outline_px.min(axis=0), 0)).astype(int) - margin
    high = np.ceil(np.minimum(outline_px.max(axis=0), photo.size_px)).astype(int) + margin
    if (high <= 0).any() or (low >= photo.size_px).any():
        return
    n_nodes = -(-(high - low) // _NODE_PX)
    nodes_mm, seen = _trace_nodes(photo, plate, low, n_nodes, outline_px)
    patch, alpha = _sample(plate, nodes_mm, seen)
    patch = cv2.filter2D(patch * light_on(normal), -1, kernel, borderType=cv2.BORDER_REPLICATE)
    alpha = cv2.filter2D(alpha, -1, kernel, borderType=cv2.BORDER_REPLICATE)
    to_low, to_high = np.maximum(low, 0), np.minimum(low + patch.shape[::-1], photo.size_px)
    to = (slice(to_low[1], to_high[1]), slice(to_low[0], to_high[0]))
    cut = (slice(to_low[1] - low[1], to_high[1] - low[1]), slice(to_low[0] - low[0], to_high[0] - low[0]))
    # The patch is already multiplied by its coverage.
    light[to] = light[to] * (1 - alpha[cut]) + patch[cut]
    cover[to] = np.maximum(cover[to], alpha[cut])


def _trace_nodes(
    photo: TruePhoto, plate: TruePlate, low: NDArray, n_nodes: NDArray, outline_px: NDArray
) -> tuple[NDArray, NDArray]:
    """Where on the plate the middles of blocks of pixels lie, (rows, columns, 2) mm, and whether seen.

    The outline's homography is nearly the inverse of the projection; each round corrects by what the
    exact projection of the last answer misses, and gains a factor of 20 and more.
    """
    H = cv2.getPerspectiveTransform(
        outline_px.astype(np.float32), plate_outline_mm(plate.layout).astype(np.float32)
    )

    def on_plate(pixels: NDArray) -> NDArray:
        return cv2.perspectiveTransform(pixels[:, None], H)[:, 0]

    columns, rows = (low[k] + _NODE_PX * (np.arange(n_nodes[k]) + 0.5) - 0.5 for k in (0, 1))
    wanted = on_plate(np.stack(np.meshgrid(columns, rows), -1).reshape(-1, 2))
    points_mm = wanted
    for _ in range(6):
        points_mm = points_mm + wanted - on_plate(project_points(photo, points_in_world_mm(plate, points_mm)))
    shape = (n_nodes[1], n_nodes[0])
    seen = np.ones(shape, np.float32)
    if photo.boxes:
        hit = segments_hit_boxes(
            camera_position_mm(photo),
            points_in_world_mm(plate, points_mm),
            np.array([box.T_world_box for box in photo.boxes]),
            np.array([box.half_mm for box in photo.boxes]),
        )
        seen[hit.any(axis=0).reshape(shape)] = 0
    return points_mm.reshape(*shape, 2).astype(np.float32), seen


def _sample(plate: TruePlate, nodes_mm: NDArray, seen: NDArray) -> tuple[NDArray, NDArray]:
    """Mean reflectance times coverage, and coverage, of every pixel of the nodes' blocks."""
    factor = _NODE_PX * _SAMPLES
    points_mm = cv2.resize(nodes_mm, None, fx=factor, fy=factor, interpolation=cv2.INTER_LINEAR)
    step_mm = np.linalg.norm(nodes_mm[:, 1:] - nodes_mm[:, :-1], axis=-1).mean() / factor
    art = plate_art(plate.number)
    level = int(np.clip(round(float(np.log2(max(step_mm, 1e-9) / 0.25))), 0, len(art) - 1))
    texture = art[level]
    texel_mm = 0.25 * 2**level
    centre = (len(texture) - 1) / 2
    x, y = points_mm[..., 0] / texel_mm + centre, centre - points_mm[..., 1] / texel_mm
    value = cv2.remap(texture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    half_mm = plate_outline_mm(plate.layout)[2, 0]
    inside = ((np.abs(points_mm[..., 0]) < half_mm) & (np.abs(points_mm[..., 1]) < half_mm)).astype(
        np.float32
    )
    size = (nodes_mm.shape[1] * _NODE_PX, nodes_mm.shape[0] * _NODE_PX)
    alpha = cv2.resize(inside, size, interpolation=cv2.INTER_AREA)
    patch = cv2.resize(value * inside, size, interpolation=cv2.INTER_AREA)
    if seen.min() < 1:
        visible = cv2.resize(seen, size, interpolation=cv2.INTER_LINEAR)
        patch, alpha = patch * visible, alpha * visible
    return patch, alpha


def _motion_kernel(photo: TruePhoto, plate: TruePlate, look: Look) -> NDArray:
    """The path of the plate's middle during the exposure, symmetric about its mid-time, (k, k)."""
    share = (photo.exif.exposure_time_s or 0.0) / look.readout_s
    centre_mm = plate.T_world_plate[:3, 3][None]
    p = centre_mm @ photo.T_camera_world[:3, :3].T + photo.T_camera_world[:3, 3]
    velocity = np.cross(photo.twist[3:], p[0]) + photo.twist[:3]
    move_px = photo.lens.fx_px / p[0, 2] * (velocity[:2] - p[0, :2] / p[0, 2] * velocity[2]) * share
    radius = int(np.ceil(np.abs(move_px).max() / 2)) + 1
    kernel = np.zeros((2 * radius + 1, 2 * radius + 1), np.float32)
    for s in np.linspace(-0.5, 0.5, 33):
        x, y = radius + s * move_px
        i, j = int(y), int(x)
        wy, wx = y - i, x - j
        kernel[i : i + 2, j : j + 2] += np.outer([1 - wy, wy], [1 - wx, wx])[
            : len(kernel) - i, : len(kernel) - j
        ]
    return kernel / kernel.sum()


# --- the phone --------------------------------------------------------------------------------------


def _blur(light: NDArray, look: Look) -> NDArray:
    if look.defocus_px > 0:
        light = cv2.filter2D(light, -1, _disc(look.defocus_px), borderType=cv2.BORDER_REPLICATE)
    if look.psf_px > 0:
        light = cv2.GaussianBlur(light, (0, 0), look.psf_px, borderType=cv2.BORDER_REPLICATE)
    return light


def _disc(radius_px: float) -> NDArray:
    """A disc of light, each pixel by how much of it the disc covers."""
    reach = int(np.ceil(radius_px + 0.5))
    fine = (np.arange((2 * reach + 1) * 8) + 0.5) / 8 - reach - 0.5
    inside = (fine[:, None] ** 2 + fine**2 < radius_px**2).astype(np.float32)
    kernel = cv2.resize(inside, (2 * reach + 1, 2 * reach + 1), interpolation=cv2.INTER_AREA)
    return kernel / kernel.sum()


def _noisy(rng: Generator, light: NDArray, look: Look) -> NDArray:
    """Shot noise (as normal: more than ten electrons everywhere) and read noise."""
    if not np.isfinite(look.full_well):
        return light
    variance = light / np.float32(look.full_well) + np.float32((look.read_noise / look.full_well) ** 2)
    return light + np.sqrt(variance) * rng.standard_normal(light.shape, np.float32)


def _tone(light: NDArray) -> NDArray:
    """The sRGB curve (IEC 61966-2-1), 0..1 to 0..255 as float32, by a table of 4096 steps."""
    x = np.linspace(0, 1, 4096)
    table = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-9) ** (1 / 2.4) - 0.055) * 255
    return table.astype(np.float32)[(light * 4095 + 0.5).astype(np.uint16)]


def _sharpen(luma: NDArray, share: float) -> NDArray:
    if share > 0:
        luma = luma + np.float32(share) * (luma - cv2.GaussianBlur(luma, (0, 0), 1.0))
    return luma


def _with_colour(luma: NDArray, colour: NDArray, cover: NDArray, look: Look) -> NDArray:
    """Add the surroundings' colour (at half size), as differences to the luma; plates are grey."""
    toned = _tone(np.clip(colour * np.float32(look.exposure), 0, 1))
    tint = toned - cv2.cvtColor(toned, cv2.COLOR_RGB2GRAY)[..., None]
    tint = cv2.resize(tint, luma.shape[::-1], interpolation=cv2.INTER_LINEAR)
    tint *= (1 - cover)[..., None]
    return np.clip(luma[..., None] + tint + 0.5, 0, 255).astype(np.uint8)
