"""What the exchanged files hold, as pydantic models: set, kit, placement, result, camera profile.

Version 1 of every format. Unknown keys are kept (`model_extra`) and ignored; `reading.py` turns what
pydantic finds wrong into words, from the description and the advice that each field carries here.
Lengths in mm, angles in degrees. The bounds are sanity limits of a workshop (common practice, no
source): they catch inches, metres and slips of a digit, not poor work. Every `u_*` is a standard
uncertainty, per axis, and above 0: a prior of width 0 would make the adjustment singular.
"""

import datetime
import re
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, WithJsonSchema
from pydantic_core import PydanticCustomError

from vision.kit import EVERY_KEY, RELATION_KEYS

SET, KIT, PLACEMENT = "plumbsight.set/1", "plumbsight.kit/1", "plumbsight.placement/1"
RELATION, SHIFT = "plumbsight.relation/1", "plumbsight.shift/1"
RESULT, CAMERA = "plumbsight.result/1", "plumbsight.camera/1"

VALUE_KEYS = EVERY_KEY
LENS_ORDER = ("f", "cx", "cy", "k1", "k2", "p1", "p2", "k3", "aspect")  # of a profile's covariance

WheelName = Literal["front_left", "front_right", "rear_left", "rear_right"]
ValueName = Literal[
    "distance_mm", "lateral_mm", "height_mm", "yaw_deg", "pitch_deg", "roll_deg",
    "pitch_plumb_deg", "roll_plumb_deg",
    "range_mm", "bearing_deg", "gap_mm",
    "heading_deg", "tilt_along_deg", "tilt_across_deg", "flatness_mm",
]  # fmt: skip
RelationName = Literal[
    "spacing_mm", "distance_difference_mm", "lateral_difference_mm", "height_difference_mm",
    "symmetry_mm", "parallelism_deg",
]  # fmt: skip
DecisionWord = Literal["conforming", "nonconforming", "undecided"]

# Names and titles go to terminals, pages and file names: no control characters, one line.
_PRINTABLE = r"[^\x00-\x1f\x7f-\x9f]"
Name = Annotated[
    str, StringConstraints(max_length=200, pattern=rf"^{_PRINTABLE}*[^\s\x00-\x1f\x7f-\x9f]{_PRINTABLE}*$")
]
Line = Annotated[str, StringConstraints(max_length=200, pattern=rf"^{_PRINTABLE}*$")]
PlateKey = Annotated[str, StringConstraints(pattern=r"^(0|[1-9][0-9]{0,5})$")]
Sha256 = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]


def _iso_date(text: str) -> str:
    try:
        if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
            datetime.date.fromisoformat(text)
            return text
    except ValueError:
        pass
    raise PydanticCustomError("iso_date", "not a date")


IsoDate = Annotated[str, AfterValidator(_iso_date), WithJsonSchema({"type": "string", "format": "date"})]


class FileModel(BaseModel):
    """Base of all models: strict types, finite numbers, unknown keys kept."""

    model_config = ConfigDict(strict=True, extra="allow", allow_inf_nan=False, frozen=True)


def _field(what: str, advice: str, default: Any = ..., **bounds: Any) -> Any:
    """A field that can say what it is and what to do when it is wrong."""
    return Field(default, description=what, json_schema_extra={"x-advice": advice}, **bounds)


def _u(of: str, advice: str, most: float, default: Any = ..., least: float = 1e-6) -> Any:
    """A standard uncertainty; below `least` (a nanometre) nobody measures, and weights overflow."""
    return _field(f"the standard uncertainty of {of}", advice, default, ge=least, le=most)


def _vector(what: str, advice: str, n: int, default: Any = ...) -> Any:
    return _field(what, advice, default, min_length=n, max_length=n)


Coordinate = Annotated[float, Field(ge=-20000, le=20000)]  # a workshop's size
Turn = Annotated[float, Field(ge=-360, le=360)]
SmallTurn = Annotated[float, Field(ge=-5, le=5)]
SmallShift = Annotated[float, Field(ge=-20, le=20)]
Scale = Annotated[float, Field(ge=0.8, le=1.25)]
PlateNumber = Annotated[int, Field(ge=0, le=999999)]

_SCALE = "measured / nominal length of the printed ruler, a number near 1"
_RULER = "Measure the ruler and enter e.g. 0.9998."
_NUMBER = "the figure printed on the plate"
_READ = "Read it off the sheet and enter it as a whole number."


class PlateFile(FileModel):
    """One printed sheet."""

    layout: Name = _field("the pattern's name, printed on the sheet", 'Enter e.g. "ring13".')
    printed_scale: float | None = _field(_SCALE, _RULER, None, ge=0.8, le=1.25)
    printed_scale_xy: list[Scale] | None = _vector(
        "the same figure as printed_scale along the plate's x and y, two numbers near 1",
        "Measure along both edges and enter e.g. [0.9998, 1.0001].",
        2,
        None,
    )
    u_printed_scale: float | None = _u(
        "the printed scale",
        "Half a millimetre on a ruler of 150 mm is 0.003; a good steel rule gives 0.0005.",
        0.1,
        None,
        1e-7,
    )
    u_scale_difference: float = _u(
        "the scale's difference between x and y", "Leave it out for 0.0002.", 0.1, 0.0002, 1e-7
    )
    u_bow_mm: float = _u("the plate's flatness, as bow in its middle", "Leave it out for 0.2.", 20, 0.2)
    thickness_mm: float | None = _field(
        "the height of the printed face above the plate's underside",
        "Measure sheet and board together and enter e.g. 3.0.",
        None,
        ge=0,
        le=100,
    )


_Row = Annotated[list[float], Field(min_length=4, max_length=4)]


class SeatedFile(FileModel):
    """That a clamp was checked on its wheel, in two positions, and still hangs as then."""

    T_wheels_plate: Annotated[list[_Row], Field(min_length=4, max_length=4)] = _field(
        "how the plate hung among the wheels' plates at the check", "Leave `seated` as the check wrote it."
    )
    says: str = _field("which check it was", 'Enter e.g. "rounds 1 and 2".', "")


class WheelFile(FileModel):
    """A plate on a wheel clamp."""

    plate: PlateNumber = _field(_NUMBER, _READ)
    standoff_mm: float = _field(
        "the distance from the wheel centre out to the plate's printed face",
        "Measure it along the spin axis and enter e.g. 120.0.",
        ge=10,
        le=1000,
    )
    u_standoff_mm: float = _u("the standoff", "Enter e.g. 0.3.", 20)
    u_eccentricity_mm: float = _u("the plate centre's distance from the spin axis", "Enter e.g. 0.3.", 20)
    u_tilt_deg: float = _u(
        "the angle between the plate's normal and the spin axis",
        "Enter degrees: 0.15 for an ordinary clamp, 0.03 for one measured in two positions.",
        5,
    )
    eccentricity_mm: list[SmallShift] = _vector(
        "the measured place of the plate centre off the spin axis, x and y in the plate's frame",
        "Enter two numbers such as [0.2, -0.1], or leave it out.",
        2,
        [0.0, 0.0],
    )
    tilt_deg: list[SmallTurn] = _vector(
        "the measured tilt of the plate against the spin axis, about the plate's x and y",
        "Enter two numbers of degrees such as [0.05, -0.02], or leave it out.",
        2,
        [0.0, 0.0],
    )
    measured_on: IsoDate | None = _field(
        "the day on which the clamp was measured", "Enter e.g. 2026-03-14.", None
    )
    seated: SeatedFile | None = _field(
        "the check of the clamp as it hangs on this vehicle", "Leave it out of a kit that is kept.", None
    )


class _BodyOnFixture(FileModel):
    position_mm: list[Coordinate] = _vector(
        "the place [x, y, z] on the fixture", "Enter three numbers of millimetres such as [0, 350, 0].", 3
    )
    rotation_deg: list[Turn] = _vector(
        "the turn [rx, ry, rz] about the fixture's axes",
        "Enter three numbers of degrees such as [0, 0, 0].",
        3,
    )
    u_position_mm: float = _u("the position, per axis", "Enter e.g. 0.2.", 100)
    u_rotation_deg: float = _u("the rotation, per axis", "Enter degrees, e.g. 0.05.", 20)


class MountFile(_BodyOnFixture):
    """A plate fixed to a fixture."""

    plate: PlateNumber = _field(_NUMBER, _READ)


class LabelFile(_BodyOnFixture):
    """A plate on the target's face, by which the target is known; its place is in the target's own frame."""

    plate: PlateNumber = _field(_NUMBER, _READ)


class TargetFile(_BodyOnFixture):
    """What a fixture carries."""

    label: LabelFile | None = _field(
        "the plate on the target's own face", 'Enter e.g. {"plate": 45, …}, or leave it out.', None
    )


class FixtureFile(FileModel):
    """A frame that carries plates and targets."""

    plates: list[MountFile] = _field(
        "the list of plates fixed to the fixture", "Enter one at least, better two or three.", min_length=1
    )
    targets: dict[Name, TargetFile] = _field(
        "the targets that the fixture carries, by name",
        'Enter one at least, e.g. {"board": {…}}.',
        min_length=1,
    )


class MatPlateFile(FileModel):
    """A plate printed or stuck on a mat, in the mat's frame: that of a plate, z out of the face."""

    plate: PlateNumber = _field(_NUMBER, _READ)
    position_mm: list[Coordinate] = _vector(
        "the place [x, y] on the mat, x to the reader's right and y along the mat's mark",
        "Enter two numbers of millimetres such as [-300, 400].",
        2,
    )
    rotation_deg: float = _field(
        "the plate's turn on the mat, counter-clockwise for the reader",
        "Enter degrees, or leave it out for 0.",
        0.0,
        ge=-360,
        le=360,
    )
    u_position_mm: float = _u(
        "the place on the mat, per axis, with the mat's stretch", "Enter e.g. 1.0.", 100
    )
    u_rotation_deg: float = _u(
        "the plate's direction against the mat's, per axis", "Leave it out for 2.", 20, 2.0
    )


class MatTargetFile(FileModel):
    """A mark on a mat, in the mat's frame."""

    position_mm: list[Coordinate] = _vector(
        "the place [x, y] on the mat", "Enter two numbers of millimetres such as [0, 0].", 2
    )
    rotation_deg: float = _field(
        "the mark's turn on the mat, counter-clockwise for the reader",
        "Enter degrees, or leave it out for 0.",
        0.0,
        ge=-360,
        le=360,
    )
    u_position_mm: float = _u("the place on the mat, per axis", "Enter e.g. 0.5.", 100)
    u_rotation_deg: float = _u("the mark's direction", "Enter degrees, e.g. 0.1.", 20)


class MatFile(FileModel):
    """A mat that lies on the floor: plates and marks on something soft."""

    plates: list[MatPlateFile] = _field(
        "the list of plates on the mat", "Enter two at least, better one at each corner.", min_length=2
    )
    targets: dict[Name, MatTargetFile] = _field(
        "the marks on the mat, by name", 'Enter one at least, e.g. {"mark": {…}}.', min_length=1
    )
    u_flatness_mm: float = _u("the mat's flatness, at a plate", "Leave it out for 1.", 100, 1.0)


class FloorPlateFile(FileModel):
    """A plate that lies on the floor."""

    plate: PlateNumber = _field(_NUMBER, _READ)
    u_flatness_mm: float = _u("the floor's flatness at a plate", "Enter e.g. 0.5.", 100)


class ScaleBarFile(FileModel):
    """A known distance between the origins of two plates."""

    plates: list[PlateNumber] = _vector(
        "the two plates between whose centres the length holds",
        "Enter two plate numbers such as [30, 31].",
        2,
    )
    length_mm: float = _field(
        "the distance between the two plates' centres", "Measure it and enter e.g. 1000.0.", ge=50, le=20000
    )
    u_length_mm: float = _u("the bar's length", "Enter e.g. 0.05.", 100)


class DatumPlateFile(FileModel):
    """A plate stuck on a body point from which a distance starts."""

    plate: PlateNumber = _field(_NUMBER, _READ)
    offset_mm: list[Coordinate] = _vector(
        "the way [x, y, z], in the plate's frame, from the plate's centre to the body point",
        "Enter three numbers of millimetres such as [0, 0, 0].",
        3,
    )
    u_mm: float = _u("the body point, per axis", "Enter e.g. 1.0.", 100)


class LevelPlateFile(FileModel):
    """A plate that shows the plumb line."""

    plate: PlateNumber = _field(_NUMBER, _READ)
    up: Literal["y", "z"] = _field(
        "which of the plate's axes points up",
        'Enter "y" if it hangs free, its upper edge up, or "z" if it lies level, its face up.',
    )
    u_deg: float = _u("that axis against the plumb line, about either other axis", "Enter e.g. 0.1.", 5)


class KitFile(FileModel):
    """Which plates a shop owns and where they are mounted."""

    format: Literal["plumbsight.kit/1"] = _field("the file's kind and version", f'Enter "{KIT}".')
    name: Line = _field("the kit's name", 'Enter e.g. "van 1".', "")
    u_ruler_scale: float = _u(
        "the ruler that measured all sheets, as a share of its length",
        "A good steel rule is right to 0.0003, a cheap one or a steel tape to 0.001, a plastic one to 0.003; "
        "paper is no rule.",
        0.05,
        least=1e-7,
    )
    plates: dict[PlateKey, PlateFile] = _field(
        "the printed plates, by the number printed on each",
        'Enter e.g. {"0": {"layout": "ring13"}}.',
        min_length=1,
    )
    wheels: dict[WheelName, WheelFile] = _field(
        "the plates on the wheel clamps, by wheel",
        "The wheels are front_left, front_right, rear_left and rear_right.",
        {},
    )
    fixtures: dict[Name, FixtureFile] = _field("the fixtures, by name", 'Enter e.g. {"front": {…}}.', {})
    mats: dict[Name, MatFile] = _field("the mats, by name", 'Enter e.g. {"left": {…}}.', {})
    floor: list[FloorPlateFile] = _field(
        "the list of plates on the floor", 'Enter e.g. [{"plate": 10, "u_flatness_mm": 0.5}].', []
    )
    scale_bars: list[ScaleBarFile] = _field(
        "the list of known lengths between plates", "Enter a list, or leave it out.", []
    )
    datum_plates: dict[Name, DatumPlateFile] = _field(
        "the plates on body points, by name", "Enter an object, or leave it out.", {}
    )
    levels: list[LevelPlateFile] = _field(
        "the plates that show the plumb line", 'Enter e.g. [{"plate": 48, "up": "y", "u_deg": 0.1}].', []
    )


def _track(which: str) -> Any:
    return _field(
        f"the distance between the {which} wheel centres",
        "Enter millimetres, e.g. 1560, or leave it out.",
        None,
        ge=500,
        le=3500,
    )


def _radius(which: str) -> Any:
    return _field(
        f"the loaded radius of the {which} wheels, from the floor up to the wheel centre",
        "Enter millimetres, e.g. 315, or leave it out.",
        None,
        ge=100,
        le=1000,
    )


def _overhang(which: str, axle: str) -> Any:
    return _field(
        f"the distance from the {axle} axle to the {which} end of the body",
        "Enter millimetres, e.g. 850, or leave it out.",
        None,
        ge=50,
        le=5000,
    )


def _u_vehicle(of: str) -> Any:
    return _u(of, "Leave it out for 5.", 500, 5.0)


class VehicleFile(FileModel):
    """What is declared about the vehicle; no place for a number plate."""

    label: Line = _field("a few words that tell the vehicle from others", 'Enter e.g. "estate, white".', "")
    wheelbase_mm: float | None = _field(
        "the distance from front to rear wheel centres",
        "Enter millimetres, e.g. 2712.",
        None,
        ge=1000,
        le=8000,
    )
    u_wheelbase_mm: float = _u_vehicle("the wheelbase")
    track_front_mm: float | None = _track("front")
    u_track_front_mm: float = _u_vehicle("the front track")
    track_rear_mm: float | None = _track("rear")
    u_track_rear_mm: float = _u_vehicle("the rear track")
    wheel_radius_front_mm: float | None = _radius("front")
    u_wheel_radius_front_mm: float = _u_vehicle("the front wheels' radius")
    wheel_radius_rear_mm: float | None = _radius("rear")
    u_wheel_radius_rear_mm: float = _u_vehicle("the rear wheels' radius")
    overhang_front_mm: float | None = _overhang("front", "front")
    overhang_rear_mm: float | None = _overhang("rear", "rear")


class ToleranceFile(FileModel):
    """What one value must be. `minus` and `plus` are widths."""

    nominal: float = _field(
        "the value that is asked for", "Enter a number in the value's own unit.", ge=-50000, le=50000
    )
    minus: float = _field(
        "how far below nominal the value may lie, a width above 0",
        "Enter the width without a sign, e.g. 5.",
        gt=0,
        le=5000,
    )
    plus: float = _field(
        "how far above nominal the value may lie, a width above 0",
        "Enter the width without a sign, e.g. 5.",
        gt=0,
        le=5000,
    )


class OriginFile(FileModel):
    """Where range, bearing and gap start."""

    at: Name = _field(
        "the point from which it counts",
        'Enter "front_axle", "rear_axle", a wheel such as "front_left", or the name of a datum plate.',
    )
    offset_mm: list[Coordinate] = _vector(
        "the way [x, y] from there to the point meant, forward and to the left",
        "Enter two numbers of millimetres such as [650, 300], or leave it out.",
        2,
        [0.0, 0.0],
    )
    u_mm: float | None = _u("the offset, per axis", "Enter e.g. 2.0.", 100, None)
    axis_deg: float = _field(
        "the direction from which the bearing counts, from forward to the left",
        "Enter degrees, or leave it out for 0, forward.",
        0.0,
        ge=-360,
        le=360,
    )


class PlacementFile(FileModel):
    """What is required of one target."""

    format: Literal["plumbsight.placement/1"] = _field("the file's kind and version", f'Enter "{PLACEMENT}".')
    name: Name = _field("the placement's name", 'Enter e.g. "front camera board".')
    fixture: Name = _field(
        "the name of the kit's fixture or mat that carries the target", 'Enter e.g. "front".'
    )
    target: Name = _field("the name of the target on that fixture", 'Enter e.g. "board".')
    reference_line: Literal["centreline", "thrust_line"] = _field(
        "the line from which lateral and yaw are counted", 'Enter "centreline" or "thrust_line".'
    )
    datum: Name = _field(
        "where the distance starts",
        'Enter "front_axle", "rear_axle" or the name of one of the kit\'s datum plates.',
    )
    facing_deg: float = _field(
        "the side of the vehicle where the target stands, from which its yaw or heading counts",
        "Enter 0 for ahead, 90 for the left side, 180 for behind, -90 for the right side; or leave it out.",
        0.0,
        ge=-360,
        le=360,
    )
    origin: OriginFile | None = _field(
        "where range, bearing and gap start", 'Enter e.g. {"at": "rear_left"}, or leave it out.', None
    )
    values: dict[ValueName, ToleranceFile] = _field(
        "the required values, by name", f"The names are {', '.join(VALUE_KEYS)}.", {}
    )


class RelationFile(FileModel):
    """What is required of two placements of one round together."""

    format: Literal["plumbsight.relation/1"] = _field("the file's kind and version", f'Enter "{RELATION}".')
    name: Name = _field("the relation's name", 'Enter e.g. "pair of boards".')
    of: list[Name] = _vector(
        "the names of two placements of the set, first and second",
        'Enter e.g. ["left board", "right board"].',
        2,
    )
    values: dict[RelationName, ToleranceFile] = _field(
        "the required values, by name", f"The names are {', '.join(RELATION_KEYS)}.", min_length=1
    )


class ShiftFile(FileModel):
    """What is required of the difference between two rounds of a visit: later minus earlier."""

    format: Literal["plumbsight.shift/1"] = _field("the file's kind and version", f'Enter "{SHIFT}".')
    name: Name = _field("the shift's name", 'Enter e.g. "near to far".')
    from_: Name = _field(
        "the name of the placement in the earlier round", 'Enter e.g. "board near".', alias="from"
    )
    to: Name = _field("the name of the placement in the later round", 'Enter e.g. "board far".')
    values: dict[ValueName, ToleranceFile] = _field(
        "the required differences, by name", f"The names are {', '.join(VALUE_KEYS)}.", min_length=1
    )
    step: dict[ValueName, Annotated[float, Field(gt=0, le=20000)]] = _field(
        "from one stop of the fixture to the next, by value",
        'Enter e.g. {"yaw_deg": 2}, or leave it out.',
        {},
    )


def _path_or_object(value: Any) -> Any:
    if isinstance(value, dict) or (isinstance(value, str) and value.strip() and value.isprintable()):
        return value
    raise PydanticCustomError("reference", "neither a path nor an object")


# "x-schema" becomes "$ref" in `schema`: pydantic refuses references to another file.
def _reference(schema_file: str) -> WithJsonSchema:
    return WithJsonSchema({"anyOf": [{"type": "string"}, {"x-schema": schema_file}]})


KitReference = Annotated[Any, AfterValidator(_path_or_object), _reference("kit.schema.json")]
PlacementReference = Annotated[Any, AfterValidator(_path_or_object), _reference("placement.schema.json")]
RelationReference = Annotated[Any, AfterValidator(_path_or_object), _reference("relation.schema.json")]


class StudyFile(FileModel):
    """Of a study of repeatability: several people photograph the same set-ups, several times each."""

    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False, frozen=True)
    name: Line = _field("the study's name", 'Enter e.g. "people, spring", or leave it out.', "")
    set_up: Name = _field(
        "which set-up it is: vehicle, fixture and floor untouched", "Enter the same word in all its rounds."
    )
    by: Name = _field("who took the photos, by a sign, no name", 'Enter e.g. "A", the same in all rounds.')


class SetFile(FileModel):
    """One visit's photos, with the kit, the vehicle and what is required."""

    format: Literal["plumbsight.set/1"] = _field("the file's kind and version", f'Enter "{SET}".')
    title: Line = _field("a title for people", 'Enter e.g. "Bay 2, morning".', "")
    taken: IsoDate | None = _field("the day of the photos", "Enter e.g. 2026-03-14.", None)
    bay: Line = _field("the bay or place where it was", 'Enter e.g. "bay 2", or leave it out.', "")
    study: StudyFile | None = _field(
        "which round of a study it is", 'Enter e.g. {"set_up": "1", "by": "A"}, or leave it out.', None
    )
    kit: KitReference | None = _field(
        "the kit file's path beside the set, or the kit itself", 'Enter e.g. "kit.json".', None
    )
    vehicle: VehicleFile = _field(
        "what is known of the vehicle", "Enter an object, or leave it out.", VehicleFile.model_construct()
    )
    placement: PlacementReference | None = _field(
        "the placement file's path beside the set, or the placement itself",
        'Enter e.g. "placement.json".',
        None,
    )
    placements: list[PlacementReference] | None = _field(
        "the list of placement files or placements",
        'Enter e.g. ["left.json", "right.json"].',
        None,
        min_length=1,
    )
    relations: list[RelationReference] = _field(
        "the list of what is required of two placements together, files or relations",
        'Enter e.g. ["pair.json"], or leave it out.',
        [],
    )
    photos: list[Name] | None = _field(
        "the list of photo files, beside the set",
        "Enter their names, or leave it out for every photo in the folder.",
        None,
        min_length=1,
    )
    cameras: list[Name] | None = _field(
        "the list of lens profiles, files beside the set",
        'Enter e.g. ["camera-1.json"], or leave it out.',
        None,
    )
    distrusted: str | None = _field(
        "what is known against the kit, such as that a proof flagged it: nothing is then decided",
        "Leave it out for a kit that nothing speaks against.",
        None,
        max_length=1000,
    )
    observations: Name | None = _field(
        "the file of what was found in the photos, which counts for those that are not in the folder",
        'Enter e.g. "observations.json", or leave it out.',
        None,
    )


class LensFacts(FileModel):
    """By which facts a photo is known to be of a profile's lens; an absent one does not count."""

    make: str | None = None
    model: str | None = None
    lens_model: str | None = None
    focal_length_mm: float | None = Field(None, gt=0)
    focal_35mm: float | None = Field(None, gt=0)
    digital_zoom: float | None = Field(None, gt=0)


class CameraFile(FileModel):
    """A stored lens profile. Pixels of the stored photo, (0, 0) at the top-left pixel's centre."""

    format: Literal["plumbsight.camera/1"] = _field("the file's kind and version", f'Enter "{CAMERA}".')
    label: Name = _field("the profile's name", 'Enter e.g. "phone 2, main lens".')
    applies_to: LensFacts = _field(
        "the camera facts by which its photos are known", "Make the profile anew from photos."
    )
    size_px: list[Annotated[int, Field(ge=16, le=100000)]] = _vector(
        "the stored photo's width and height", "Enter e.g. [4032, 3024].", 2
    )
    f_px: float = _field("the focal length in pixels", "Make the profile anew from photos.", gt=0, le=1000000)
    cx_px: float = _field("the principal point's x", "Make the profile anew from photos.")
    cy_px: float = _field("the principal point's y", "Make the profile anew from photos.")
    k1: float = 0.0
    k2: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    k3: float = 0.0
    aspect: float = 0.0
    covariance: list[list[float]] = _field(
        f"the covariance in the order {', '.join(LENS_ORDER)} (the last may be missing)",
        f"It has {len(LENS_ORDER)} rows of {len(LENS_ORDER)} numbers.",
        min_length=len(LENS_ORDER) - 1,
        max_length=len(LENS_ORDER),
    )
    n_photos: int = _field("how many photos it was made from", "Enter a whole number.", ge=1)
    made_from: list[Sha256] = _field(
        "the SHA-256 of each photo it was made from", "Make the profile anew from photos.", []
    )


class Quantity(FileModel):
    """A measured value with its u, or null with the reason."""

    value: float | None
    u: float | None = Field(None, gt=0)
    interval95: list[float] | None = Field(None, min_length=2, max_length=2)
    says: str = ""


class ResultValue(Quantity):
    """A target's value; with a tolerance it carries a decision."""

    nominal: float | None = None
    minus: float | None = Field(None, gt=0)
    plus: float | None = Field(None, gt=0)
    decision: DecisionWord | None = None
    p_conform: float | None = Field(None, ge=0, le=1)


class Covariance(FileModel):
    """Joint covariance of the values that were measured, in the units of `keys`."""

    keys: list[ValueName]
    matrix: list[list[float]]


Share = Annotated[float, Field(ge=0, le=1)]


class ResultPlacement(FileModel):
    """One target's values, decision and advice."""

    name: str
    fixture: str
    target: str
    decision: Literal["conforming", "nonconforming", "undecided", "none"]
    values: dict[ValueName, ResultValue]
    covariance: Covariance | None = None
    budget: dict[ValueName, dict[str, Share]] = {}
    advice: list[str] = []


class RelationCovariance(FileModel):
    """Joint covariance of a relation's values, in the units of `keys`."""

    keys: list[RelationName]
    matrix: list[list[float]]


class ResultRelation(FileModel):
    """Values, decision and advice of two targets together."""

    name: str
    of: list[str] = Field(min_length=2, max_length=2)
    decision: Literal["conforming", "nonconforming", "undecided", "none"]
    values: dict[RelationName, ResultValue]
    covariance: RelationCovariance | None = None
    budget: dict[RelationName, dict[str, Share]] = {}
    advice: list[str] = []


class ResultTest(FileModel):
    """One consistency test, in words."""

    name: str
    ok: bool
    statistic: float | None = None
    limit: float | None = None
    says: str


class ResultPhoto(FileModel):
    """What became of one photo."""

    file: str
    used: bool
    camera: int | None = None
    plates: list[PlateNumber] = []
    rms_px: float | None = Field(None, ge=0)
    says: str = ""


class ResultCamera(FileModel):
    """One lens of the set, as the adjustment found it."""

    id: int
    label: str
    f_px: float = Field(gt=0)
    u_f_px: float = Field(gt=0)


class ResultFile(FileModel):
    """What a measurement says. More keys may follow."""

    format: Literal["plumbsight.result/1"] = _field("the file's kind and version", f'Enter "{RESULT}".')
    decision: Literal["conforming", "nonconforming", "undecided", "none"]
    placements: list[ResultPlacement]
    relations: list[ResultRelation] = []
    vehicle: dict[str, Quantity] = {}
    tests: list[ResultTest] = []
    photos: list[ResultPhoto]
    cameras: list[ResultCamera] = []
