"""Frozen values of what the user declares: plates, clamps, fixtures, floor, vehicle, placements.

calib_data/convert.py makes them from the files of FORMATS.md and has checked them by then; inside
`vision/` they are trusted. Lengths in mm, angles in radians (files carry degrees). Every `u_*` is a
standard uncertainty; of a vector or a rotation it is per axis.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from numpy.typing import NDArray

WHEELS = ("front_left", "front_right", "rear_left", "rear_right")

# Names of values: of all targets but mats; of those whose placement has an origin; of mats. KINDS.md, beside
# the schemas, says what they mean.
UPRIGHT_KEYS = ("distance_mm", "lateral_mm", "height_mm", "yaw_deg", "pitch_deg", "roll_deg")
POLAR_KEYS = ("range_mm", "bearing_deg", "gap_mm")
LYING_KEYS = ("heading_deg", "tilt_along_deg", "tilt_across_deg", "flatness_mm")
PLUMB_KEYS = ("pitch_plumb_deg", "roll_plumb_deg")
EVERY_KEY = (*UPRIGHT_KEYS, *PLUMB_KEYS, *POLAR_KEYS, *LYING_KEYS)
RELATION_KEYS = (
    "spacing_mm",
    "distance_difference_mm",
    "lateral_difference_mm",
    "height_difference_mm",
    "symmetry_mm",
    "parallelism_deg",
)


def _no_items() -> Mapping:
    return MappingProxyType({})


@dataclass(frozen=True)
class Plate:
    """A printed sheet. `number` is the figure printed on it.

    `printed_scale_xy` is measured / nominal length of the printed ruler, along the plate's x and y.
    `scale_is_measured` is False where nobody put a ruler on the print.
    """

    number: int
    layout: str
    printed_scale_xy: tuple[float, float] = (1.0, 1.0)
    u_printed_scale: float = 0.03
    u_scale_difference: float = 0.0002
    u_bow_mm: float = 0.2
    thickness_mm: float = 0.0
    scale_is_measured: bool = False


@dataclass(frozen=True, eq=False)
class Seated:
    """That a clamp was checked on its wheel, as it hangs now: it holds until the clamp is taken off.

    Attributes:
        T_wheels_plate: (4, 4) how the plate hung among the wheels' plates then (seated.py).
        says: Which check that was.
    """

    T_wheels_plate: NDArray
    says: str


@dataclass(frozen=True)
class Clamp:
    """A plate on a wheel. Wheel centre = plate origin - standoff * plate z (MEASUREMENT.md).

    `seated`: None where eccentricity and tilt are the kit's, not those of the clamp as it hangs now.
    """

    plate: int
    standoff_mm: float
    u_standoff_mm: float
    u_eccentricity_mm: float
    u_tilt_rad: float
    eccentricity_mm: tuple[float, float] = (0.0, 0.0)
    tilt_rad: tuple[float, float] = (0.0, 0.0)
    seated: Seated | None = None


@dataclass(frozen=True, eq=False)
class Mount:
    """A plate fixed to a fixture: `T_fixture_plate` (4, 4), uncertain about the plate's own axes.

    `u_flatness_mm` is for the plate's own z where that is known otherwise than x and y (mats).
    """

    plate: int
    T_fixture_plate: NDArray
    u_position_mm: float
    u_rotation_rad: float
    u_flatness_mm: float | None = None

    @property
    def u(self) -> tuple[float, ...]:
        """Of the tangent: 3 mm, 3 rad."""
        along_z_mm = self.u_position_mm if self.u_flatness_mm is None else self.u_flatness_mm
        return (*[self.u_position_mm] * 2, along_z_mm, *[self.u_rotation_rad] * 3)


@dataclass(frozen=True, eq=False)
class Label:
    """A plate on the target's own face: `T_target_plate` (4, 4), uncertain about the plate's own axes."""

    plate: int
    T_target_plate: NDArray
    u_position_mm: float
    u_rotation_rad: float


@dataclass(frozen=True, eq=False)
class Target:
    """What the fixture carries: `T_fixture_target` (4, 4), x away from the vehicle."""

    name: str
    T_fixture_target: NDArray
    u_position_mm: float
    u_rotation_rad: float
    label: Label | None = None


@dataclass(frozen=True)
class Fixture:
    """A frame with plates and targets; or a mat, whose plates lie on something soft."""

    name: str
    mounts: tuple[Mount, ...]
    targets: tuple[Target, ...]
    is_mat: bool = False

    @property
    def plates(self) -> frozenset[int]:
        """Numbers of all plates that go where the fixture goes, its targets' labels among them."""
        labels = [t.label.plate for t in self.targets if t.label is not None]
        return frozenset([*(m.plate for m in self.mounts), *labels])


@dataclass(frozen=True)
class FloorPlate:
    plate: int
    u_flatness_mm: float


@dataclass(frozen=True)
class ScaleBar:
    """The distance between the origins of two plates."""

    plates: tuple[int, int]
    length_mm: float
    u_length_mm: float


@dataclass(frozen=True)
class DatumPlate:
    """A plate stuck on the body; `offset_mm` runs in the plate's frame to the body point."""

    name: str
    plate: int
    offset_mm: tuple[float, float, float]
    u_mm: float


@dataclass(frozen=True)
class LevelPlate:
    """A plate that shows the plumb line: its `axis` points up to within `u_rad` about either other axis.

    "y": it hangs free, its upper edge up; "z": it lies on what was levelled, its face up.
    """

    plate: int
    axis: str
    u_rad: float


@dataclass(frozen=True)
class Kit:
    """Which plates a shop owns and where they are mounted. Keys of `plates` are plate numbers."""

    name: str
    u_ruler_scale: float
    plates: Mapping[int, Plate]
    clamps: Mapping[str, Clamp] = field(default_factory=_no_items)
    fixtures: tuple[Fixture, ...] = ()
    floor: tuple[FloorPlate, ...] = ()
    scale_bars: tuple[ScaleBar, ...] = ()
    datum_plates: tuple[DatumPlate, ...] = ()
    levels: tuple[LevelPlate, ...] = ()


@dataclass(frozen=True)
class Vehicle:
    """What is declared about the vehicle: for tests and fall-backs, never an observation of scale."""

    label: str = ""
    wheelbase_mm: float | None = None
    u_wheelbase_mm: float = 5.0
    track_front_mm: float | None = None
    u_track_front_mm: float = 5.0
    track_rear_mm: float | None = None
    u_track_rear_mm: float = 5.0
    wheel_radius_front_mm: float | None = None
    u_wheel_radius_front_mm: float = 5.0
    wheel_radius_rear_mm: float | None = None
    u_wheel_radius_rear_mm: float = 5.0
    overhang_front_mm: float | None = None
    overhang_rear_mm: float | None = None


@dataclass(frozen=True)
class Tolerance:
    """[nominal - minus, nominal + plus], in the unit that the value's name ends with (mm or deg)."""

    nominal: float
    minus: float
    plus: float


@dataclass(frozen=True)
class Origin:
    """Where range, bearing and gap start: `at` an axle's middle, a wheel's centre or a datum plate's point.

    `offset_mm` goes on from there along X and Y of the vehicle frame; `axis_rad` is about Z.
    """

    at: str
    offset_mm: tuple[float, float] = (0.0, 0.0)
    u_mm: float = 0.0
    axis_rad: float = 0.0


@dataclass(frozen=True)
class Placement:
    """What is required of one target. `values` maps names like `distance_mm` to their tolerance.

    `facing_rad`: Where its x axis is meant to point, about Z; yaw and heading count from it.
    """

    name: str
    fixture: str
    target: str
    reference_line: str  # "centreline" or "thrust_line"
    datum: str  # "front_axle", "rear_axle" or the name of a datum plate
    values: Mapping[str, Tolerance] = field(default_factory=_no_items)
    facing_rad: float = 0.0
    origin: Origin | None = None


def value_keys(placement: Placement, is_mat: bool, has_levels: bool) -> tuple[str, ...]:
    """The names of the values that a placement can have, in their order."""
    own = {*UPRIGHT_KEYS[:3], *LYING_KEYS} if is_mat else {*UPRIGHT_KEYS}
    if placement.origin is not None:
        own |= {*POLAR_KEYS}
    if not is_mat and (has_levels or any(key in placement.values for key in PLUMB_KEYS)):
        own |= {*PLUMB_KEYS}
    return tuple(key for key in EVERY_KEY if key in own)


@dataclass(frozen=True)
class Shift:
    """What is required of a difference: the second placement's values in a later round minus the first's."""

    name: str
    of: tuple[int, int]
    values: Mapping[str, Tolerance] = field(default_factory=_no_items)


@dataclass(frozen=True)
class Relation:
    """What is required of two placements together, by the numbers of both in the set."""

    name: str
    of: tuple[int, int]
    values: Mapping[str, Tolerance] = field(default_factory=_no_items)
