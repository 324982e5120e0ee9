"""What surrounds the plates in a rendered photo: floor, walls, car, fixture, and clutter to be mistaken.

Textured rectangles, drawn with a depth buffer at half the photo's resolution. Nothing here is measured,
so motion during read-out is left out and textures are only roughly sampled.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from types import MappingProxyType

import cv2
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tools.kinds import Bay
from tools.scene import facing, pose
from tools.truth import Box, Scene, TruePhoto, camera_position_mm, project_points

# Toward the light, in the world; the rest of the light comes from everywhere.
_TO_LIGHT = np.array([0.25, -0.2, 0.95])
_WORDS = ("BAY 2", "KEEP CLEAR", "OIL", "17", "DEMO", "LIFT 3", "EXIT", "0.5 t", "TOOLS A-F")


@dataclass(frozen=True, eq=False)
class Surface:
    """A rectangle in the xy plane of its own frame, seen from both sides, or from +z only (`one_sided`).

    `texture` (h, w, 3), linear light 0..1, its first row at +y; `round` keeps the inscribed ellipse only.
    """

    T_world_surface: NDArray
    half_mm: tuple[float, float]
    texture: NDArray
    round: bool = False
    one_sided: bool = False


def light_on(normal: NDArray) -> float:
    """Share of the light that a face with this normal in the world gets, 0.5 to 1."""
    return float(0.5 + 0.5 * max(0.0, normal @ _TO_LIGHT))


def make_shop(rng: Generator, scene: Scene | Bay) -> tuple[Surface, ...]:
    """Surfaces round a scene: room, car, fixtures, mats and some thirty pieces of clutter."""
    boxes = scene.photos[0].boxes
    body = next(box for box in boxes if box.what == "body")
    T_world_car = body.T_world_box.copy()
    T_world_car[2, 3] = 0.0
    places_mm = (np.linalg.inv(T_world_car) @ np.array(scene.T_world_targets))[:, :2, 3]
    low_mm = np.minimum(places_mm.min(0) - [3000, 2200], -5500)
    high_mm = np.maximum(places_mm.max(0) + [3000, 2200], [body.half_mm[0] + 2000, 5500])
    surfaces = _room(rng, T_world_car, low_mm, high_mm)
    for box in boxes:
        colour = {"body": rng.uniform(0.05, 0.5, 3), "cabin": np.array([0.03, 0.035, 0.04])}
        if box.what != "reflector":
            surfaces += _box_faces(box, colour.get(box.what, np.array([0.08, 0.08, 0.09])))
        if box.what in _FACES:
            surfaces += _FACES[box.what](box)
    surfaces += _mats(scene)
    surfaces += _wheels(scene)
    return tuple(surfaces)


def _room(rng: Generator, T_world_car: NDArray, low_mm: NDArray, high_mm: NDArray) -> list[Surface]:
    """Floor and four walls between two corners in the car's frame, posters and papers."""
    middle_mm, half_mm = (low_mm + high_mm) / 2, (high_mm - low_mm) / 2
    floor = Surface(T_world_car @ pose([*middle_mm, -1]), tuple(half_mm), _floor_texture(rng))
    surfaces = [floor]
    walls = [([middle_mm[0], low_mm[1]], half_mm[0], 90), ([middle_mm[0], high_mm[1]], half_mm[0], -90)]
    walls += [([high_mm[0], middle_mm[1]], half_mm[1], 180), ([low_mm[0], middle_mm[1]], half_mm[1], 0)]
    for middle_of_wall_mm, half_width_mm, facing_deg in walls:
        R = T_world_car[:3, :3] @ facing(pose([0, 0, 0], [0, 0, facing_deg])[:3, 0])
        T = np.eye(4)
        T[:3, :3] = R
        T[:3, 3] = (T_world_car @ [*middle_of_wall_mm, 1800, 1])[:3]
        surfaces.append(Surface(T, (half_width_mm, 1800), _wall_texture(rng)))
        for _ in range(6):
            place = pose([*rng.uniform(-0.9, 0.9, 2) * [half_width_mm, 1300], 5], [0, 0, rng.normal(0, 4)])
            half = (rng.uniform(100, 600), rng.uniform(100, 500))
            surfaces.append(Surface(T @ place, half, _clutter_texture(rng)))
    for _ in range(8):
        xy_mm = rng.uniform(low_mm + 500, high_mm - 500)
        place = pose([*xy_mm, 0.5], [0, 0, rng.uniform(0, 360)])
        surfaces.append(
            Surface(T_world_car @ place, (rng.uniform(40, 160), rng.uniform(40, 160)), _clutter_texture(rng))
        )
    return surfaces


def _floor_texture(rng: Generator) -> NDArray:
    """Concrete with stains, joints and a painted line."""
    texture = _mottled(rng, (1100, 1100), 0.22, 0.05)
    texture[::180] *= 0.6
    texture[:, ::180] *= 0.6
    texture[300:306] = (0.6, 0.5, 0.05)
    return texture


def _wall_texture(rng: Generator) -> NDArray:
    texture = _mottled(rng, (400, 1000), rng.uniform(0.3, 0.5), 0.01)
    texture[300:] *= rng.uniform(0.3, 0.8, 3).astype(np.float32)
    for x in range(0, 1000, 250):
        if rng.random() < 0.3:
            texture[40:160, x + 40 : x + 200] = rng.uniform(0.8, 1.6)  # a window, brighter than paper
    return texture


def _clutter_texture(rng: Generator) -> NDArray:
    """A poster, a checkerboard, a frame of a rectangle, a page of text or a photograph-like patch."""
    texture = np.full((240, 300, 3), rng.uniform(0.3, 0.8, 3), np.float32)
    kind = rng.integers(5)
    if kind == 0:
        cell = int(rng.integers(15, 50))
        rows, columns = np.mgrid[:240, :300] // cell
        texture[(rows + columns) % 2 == 0] = 0.03
    elif kind == 1:
        edge = int(rng.integers(5, 40))
        texture[edge:-edge, edge:-edge] = 0.03
        texture[2 * edge : -2 * edge, 2 * edge : -2 * edge] = 0.7
    elif kind == 2:
        for y in range(20, 240, int(rng.integers(12, 25))):
            _write(texture, str(rng.choice(_WORDS)) * 3, (10, y), 0.4, 1)
    elif kind == 3:
        _write(texture, str(rng.choice(_WORDS)), (20, 150), 2.0, 6)
    else:
        texture = _mottled(rng, (240, 300), 0.4, 0.3)
    return texture


def _write(texture: NDArray, words: str, at: tuple[int, int], size: float, width: int) -> None:
    ink = np.zeros(texture.shape[:2], np.uint8)
    cv2.putText(ink, words, at, cv2.FONT_HERSHEY_SIMPLEX, size, 255, width)
    texture[ink > 0] = 0.05


def _mottled(rng: Generator, size: tuple[int, int], level: float, contrast: float) -> NDArray:
    """Grey noise of several sizes, (h, w, 3)."""
    height, width = size
    grey = np.full(size, level, np.float32)
    for cell in (2, 8, 40):
        coarse = rng.normal(0, contrast / 2, (height // cell + 2, width // cell + 2)).astype(np.float32)
        grey += cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
    return np.repeat(np.clip(grey, 0.02, None)[..., None], 3, axis=2)


def _box_faces(box: Box, colour: NDArray) -> list[Surface]:
    """The six sides of a box in one colour, each a little lighter toward one edge."""
    faces = []
    half = np.asarray(box.half_mm)
    shade = np.linspace(0.8, 1.2, 32, dtype=np.float32)[:, None, None]
    texture = np.ascontiguousarray(np.broadcast_to(shade * colour.astype(np.float32), (32, 32, 3)))
    for axis in range(3):
        i, j = (axis + 1) % 3, (axis + 2) % 3
        for sign in (1.0, -1.0):
            T = np.eye(4)
            T[:3, :3] = np.eye(3)[:, [i, j, axis]]
            T[axis, 3] = sign * half[axis]
            if sign < 0:  # the frame's z looks outward
                T[:3, [0, 2]] *= -1
            faces.append(Surface(box.T_world_box @ T, (half[i], half[j]), texture, one_sided=True))
    return faces


def _board_face(board: Box) -> list[Surface]:
    """The target's face: rings and a cross, an invention."""
    texture = np.full((400, 450, 3), 0.75, np.float32)
    for radius in (170, 110, 50):
        cv2.circle(texture, (225, 200), radius, (0.04,) * 3, 18)
    cv2.line(texture, (225, 0), (225, 399), (0.04,) * 3, 4)
    cv2.line(texture, (0, 200), (449, 200), (0.04,) * 3, 4)
    return [_front(board, texture)]


def _plate_face(plate: Box) -> list[Surface]:
    """Bare metal, brighter toward its upper edge."""
    shade = np.linspace(0.75, 0.45, 64, dtype=np.float32)[:, None, None]
    return [_front(plate, np.ascontiguousarray(np.broadcast_to(shade, (64, 64, 3))))]


def _front(box: Box, texture: NDArray) -> Surface:
    """The side of a box toward its -x."""
    _, half_y, half_z = box.half_mm
    T = pose([-box.half_mm[0] - 1, 0, 0])
    T[:3, :3] = np.array([[0.0, 0, -1], [-1, 0, 0], [0, 1, 0]])
    return Surface(box.T_world_box @ T, (half_y, half_z), texture)


def _reflector_faces(box: Box) -> list[Surface]:
    """Three squares of sheet metal that meet at right angles, opening toward the box's -x."""
    edge_mm = 85.0
    # The squares' common edges, from the apex: all three lean equally out of the axis.
    edges = np.array(
        [[-1, np.sqrt(2) * np.cos(a), np.sqrt(2) * np.sin(a)] for a in np.radians((90, 210, 330))]
    )
    edges /= np.sqrt(3)
    faces = []
    for k, albedo in enumerate((0.35, 0.5, 0.65)):
        one, other = edges[k], edges[(k + 1) % 3]
        T = pose((one + other) * edge_mm / 2 + [20.0, 0, 0])
        T[:3, :3] = np.column_stack([one, other, np.cross(one, other)])
        texture = np.full((8, 8, 3), albedo, np.float32)
        faces.append(Surface(box.T_world_box @ T, (edge_mm / 2, edge_mm / 2), texture))
    return faces


_FACES = MappingProxyType({"board": _board_face, "plate": _plate_face, "reflector": _reflector_faces})


def _mats(scene: Scene | Bay) -> list[Surface]:
    """Mats as dark rubber with a light arrow along the mark, out to their plates' edges."""
    mats = []
    for fixture, T_world_target in zip(scene.kit.fixtures, scene.T_world_targets, strict=True):
        if not fixture.is_mat:
            continue
        T_world_mat = T_world_target @ np.linalg.inv(fixture.targets[0].T_fixture_target)
        half_mm = np.abs([m.T_fixture_plate[:2, 3] for m in fixture.mounts]).max(0) + 130
        texture = np.full((int(half_mm[1] / 2), int(half_mm[0] / 2), 3), 0.06, np.float32)
        rows, columns = texture.shape[:2]
        tip, foot = (columns // 2, rows // 4), (columns // 2, rows - rows // 4)
        cv2.arrowedLine(texture, foot, tip, (0.6, 0.6, 0.5), 6, tipLength=0.3)
        mats.append(Surface(T_world_mat @ pose([0, 0, -2]), (half_mm[0], half_mm[1]), texture))
    return mats


def _wheels(scene: Scene | Bay) -> list[Surface]:
    """Tyre and rim as discs just outside the body's side."""
    wheels = []
    half_width_mm = scene.photos[0].boxes[0].half_mm[1]
    R_world_car, t = scene.photos[0].boxes[0].T_world_box[:3, :3], scene.photos[0].boxes[0].T_world_box[:3, 3]
    for wheel, centre_mm in scene.truth.wheel_centres_mm.items():
        side = 1.0 if wheel.endswith("left") else -1.0
        in_car_mm = R_world_car.T @ (centre_mm - t)
        T = np.eye(4)
        T[:3, :3] = R_world_car @ facing(np.array([0.0, side, 0.0]))
        for radius_mm, out_mm, albedo in ((centre_mm[2] - 2, 2.0, 0.02), (210.0, 4.0, 0.25)):
            T[:3, 3] = R_world_car @ [in_car_mm[0], side * (half_width_mm + out_mm), in_car_mm[2]] + t
            texture = np.full((8, 8, 3), albedo, np.float32)
            wheels.append(Surface(T.copy(), (radius_mm, radius_mm), texture, round=True))
    return wheels


def draw_surfaces(photo: TruePhoto, surfaces: Sequence[Surface]) -> NDArray:
    """The surroundings in linear light at half the photo's size, (height / 2, width / 2, 3) float32."""
    width, height = photo.size_px
    size = ((height + 1) // 2, (width + 1) // 2)
    x, y = _rays(photo, size)
    canvas = np.full((*size, 3), 0.2, np.float32)
    depth_mm = np.full(size, np.inf, np.float32)
    camera_mm = camera_position_mm(photo)
    for surface in surfaces:
        _draw(canvas, depth_mm, x, y, photo, camera_mm, surface)
    return canvas


def _rays(photo: TruePhoto, size: tuple[int, int]) -> tuple[NDArray, NDArray]:
    """x/z and y/z of every second pixel, from every sixteenth by interpolation."""
    lens = photo.lens
    grid = np.stack(
        np.meshgrid(np.arange(8, 2 * size[1] + 16, 16.0), np.arange(8, 2 * size[0] + 16, 16.0)), -1
    )
    K = np.array([[lens.fx_px, 0, lens.cx_px], [0, lens.fx_px * (1 + lens.aspect), lens.cy_px], [0, 0, 1]])
    xy = cv2.undistortPoints(grid.reshape(-1, 1, 2) - 0.5, K, np.array(lens.distortion))
    xy = xy.reshape(grid.shape).astype(np.float32)
    whole = cv2.resize(xy, None, fx=8, fy=8, interpolation=cv2.INTER_LINEAR)[: size[0], : size[1]]
    return np.ascontiguousarray(whole[..., 0]), np.ascontiguousarray(whole[..., 1])


def _draw(
    canvas: NDArray,
    depth_mm: NDArray,
    x: NDArray,
    y: NDArray,
    photo: TruePhoto,
    camera_mm: NDArray,
    surface: Surface,
) -> None:
    """Draw one surface where it is nearer than what is there."""
    R, t = surface.T_world_surface[:3, :3], surface.T_world_surface[:3, 3]
    c = R.T @ (camera_mm - t)
    window = _window(photo, surface, canvas.shape[:2])
    if window is None or (surface.one_sided and c[2] < 0):
        return
    a = (R.T @ photo.T_camera_world[:3, :3].T).astype(np.float32)
    x, y = x[window], y[window]
    with np.errstate(divide="ignore", invalid="ignore"):
        k = np.float32(-c[2]) / (a[2, 0] * x + a[2, 1] * y + a[2, 2])
        u = (np.float32(c[0]) + k * (a[0, 0] * x + a[0, 1] * y + a[0, 2])) / np.float32(surface.half_mm[0])
        v = (np.float32(c[1]) + k * (a[1, 0] * x + a[1, 1] * y + a[1, 2])) / np.float32(surface.half_mm[1])
        inside = (u * u + v * v < 1) if surface.round else (np.abs(u) < 1) & (np.abs(v) < 1)
    nearer = inside & (k > 0) & (k < depth_mm[window])
    if not nearer.any():
        return
    rows, columns = surface.texture.shape[:2]
    at_x, at_y = (u + 1) * (columns / 2) - 0.5, (1 - v) * (rows / 2) - 0.5
    colour = cv2.remap(surface.texture, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    normal = R[:, 2] if c[2] > 0 else -R[:, 2]
    canvas[window][nearer] = colour[nearer] * np.float32(light_on(normal))
    depth_mm[window][nearer] = k[nearer]


def _window(photo: TruePhoto, surface: Surface, size: tuple[int, int]) -> tuple[slice, slice] | None:
    """The part of the half-size canvas where the surface may show; all of it when a corner is behind."""
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * surface.half_mm
    T = surface.T_world_surface
    world_mm = corners @ T[:3, :2].T + T[:3, 3]
    ahead = world_mm @ photo.T_camera_world[2, :3] + photo.T_camera_world[2, 3] > 300
    if not ahead.any():
        return None
    pixels = project_points(photo, world_mm) / 2
    if np.isnan(pixels).any():  # a corner behind the camera or far beside its view
        return slice(None), slice(None)
    # A distorted edge bulges a little beyond its corners.
    low, high = pixels.min(axis=0), pixels.max(axis=0)
    low, high = low - 0.05 * (high - low) - 4, high + 0.05 * (high - low) + 4
    low, high = np.maximum(low, 0).astype(int), np.minimum(high, [size[1], size[0]]).astype(int)
    return None if (low >= high).any() else (slice(low[1], high[1]), slice(low[0], high[0]))
