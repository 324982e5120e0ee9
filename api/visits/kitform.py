"""A kit as a form shows it and takes it: lists of parts, and the printed rulers in mm instead of ratios.

`shown` makes the form of a kit's file; `kitfilled.py` makes the file of a form.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from calib_data.layouts import load_layouts
from vision.layout import Layout

Json = Mapping[str, Any]
AXES = ("x", "y", "z")


class Part(BaseModel):
    """What is left empty is None; whether it may be is for the file's own check to say."""

    model_config = ConfigDict(extra="forbid")


class Plane(Part):
    """Two numbers of a plate's own plane."""

    x: float | None = None
    y: float | None = None


class Vector(Plane):
    z: float | None = None


class PlatePart(Part):
    """A printed sheet.

    Attributes:
        was: Its key in the file that is revised; None of a new one. So of the other parts, a list's by place.
        ruler_mm, u_ruler_mm: The printed ruler as measured, and the standard uncertainty of that reading.
        height_mm, width_mm: Of the pattern, where they differ.
    """

    was: str | None = None
    number: int | None = None
    ruler_mm: float | None = None
    u_ruler_mm: float | None = None
    height_mm: float | None = None
    width_mm: float | None = None
    thickness_mm: float | None = None
    u_bow_mm: float | None = None


class WheelPart(Part):
    plate: int | None = None
    standoff_mm: float | None = None
    u_standoff_mm: float | None = None
    u_eccentricity_mm: float | None = None
    u_tilt_deg: float | None = None
    eccentricity_mm: Plane = Plane()
    tilt_deg: Plane = Plane()
    measured_on: str | None = None


class _OnFixture(Part):
    position_mm: Vector = Vector()
    rotation_deg: Vector = Vector()
    u_position_mm: float | None = None
    u_rotation_deg: float | None = None


class MountPart(_OnFixture):
    was: int | None = None
    plate: int | None = None


class LabelPart(_OnFixture):
    plate: int | None = None


class TargetPart(_OnFixture):
    """A target; `label` is None where its face has no plate."""

    was: str | None = None
    name: str | None = None
    label: LabelPart | None = None


class FixturePart(Part):
    was: str | None = None
    name: str | None = None
    plates: list[MountPart | None] = []
    targets: list[TargetPart | None] = []


class _OnMat(Part):
    position_mm: Plane = Plane()
    rotation_deg: float | None = None
    u_position_mm: float | None = None
    u_rotation_deg: float | None = None


class MatPlatePart(_OnMat):
    was: int | None = None
    plate: int | None = None


class MarkPart(_OnMat):
    was: str | None = None
    name: str | None = None


class MatPart(Part):
    was: str | None = None
    name: str | None = None
    u_flatness_mm: float | None = None
    plates: list[MatPlatePart | None] = []
    targets: list[MarkPart | None] = []


class LevelPart(Part):
    """A plate that shows the plumb line; `up` is y or z."""

    was: int | None = None
    plate: int | None = None
    up: str | None = None
    u_deg: float | None = None


class FloorPart(Part):
    was: int | None = None
    plate: int | None = None
    u_flatness_mm: float | None = None


class BarPart(Part):
    was: int | None = None
    one: int | None = None
    other: int | None = None
    length_mm: float | None = None
    u_length_mm: float | None = None


class DatumPart(Part):
    was: str | None = None
    name: str | None = None
    plate: int | None = None
    offset_mm: Vector = Vector()
    u_mm: float | None = None


class KitForm(Part):
    """A whole kit; a row that was taken out of a list leaves a gap.

    Attributes:
        rule_mm_per_m: How far the rule that measured all sheets may be off over one metre.
    """

    name: str | None = Field(None, examples=["van 1"])
    rule_mm_per_m: float | None = Field(None, examples=[0.3])
    plates: list[PlatePart | None] = []
    wheels: dict[str, WheelPart] = {}
    fixtures: list[FixturePart | None] = []
    mats: list[MatPart | None] = []
    floor: list[FloorPart | None] = []
    scale_bars: list[BarPart | None] = []
    datum_plates: list[DatumPart | None] = []
    levels: list[LevelPart | None] = []


# --- a file, shown ----------------------------------------------------------------------------------


def shown(file: Json) -> KitForm:
    """The form of a kit's file that has passed its checks."""
    return KitForm(
        name=file.get("name"),
        rule_mm_per_m=_times(file.get("u_ruler_scale"), 1000.0),
        plates=[_plate_shown(key, plate) for key, plate in file.get("plates", {}).items()],
        wheels={name: WheelPart(**fields_of(WheelPart, one)) for name, one in file.get("wheels", {}).items()},
        fixtures=[
            FixturePart(
                was=name,
                name=name,
                plates=[MountPart(was=i, **fields_of(MountPart, m)) for i, m in enumerate(one["plates"])],
                targets=[_target_shown(key, t) for key, t in one["targets"].items()],
            )
            for name, one in file.get("fixtures", {}).items()
        ],
        mats=[
            MatPart(
                was=name,
                name=name,
                plates=[
                    MatPlatePart(was=i, **fields_of(MatPlatePart, m)) for i, m in enumerate(one["plates"])
                ],
                targets=[
                    MarkPart(was=key, name=key, **fields_of(MarkPart, t)) for key, t in one["targets"].items()
                ],
                **fields_of(MatPart, one),
            )
            for name, one in file.get("mats", {}).items()
        ],
        floor=[FloorPart(was=i, **fields_of(FloorPart, f)) for i, f in enumerate(file.get("floor", []))],
        scale_bars=[
            BarPart(was=i, one=bar["plates"][0], other=bar["plates"][1], **fields_of(BarPart, bar))
            for i, bar in enumerate(file.get("scale_bars", []))
        ],
        datum_plates=[
            DatumPart(was=name, name=name, **fields_of(DatumPart, one))
            for name, one in file.get("datum_plates", {}).items()
        ],
        levels=[LevelPart(was=i, **fields_of(LevelPart, f)) for i, f in enumerate(file.get("levels", []))],
    )


def _target_shown(name: str, target: Json) -> TargetPart:
    label = target.get("label")
    return TargetPart(
        was=name,
        name=name,
        label=LabelPart(**fields_of(LabelPart, label)) if label else None,
        **fields_of(TargetPart, target),
    )


# What tells a part from its likes, what stands in it, and what the file calls otherwise.
_OF_THE_FORM = {"was", "name", "plates", "targets", "label", "one", "other"}


def figures_of(part: type[Part]) -> list[str]:
    """The fields that a part and a file's entry call by the same name."""
    return [name for name in part.model_fields if name not in _OF_THE_FORM]


def fields_of(part: type[Part], entry: Json) -> dict[str, Any]:
    """The figures of a file's entry, as its part has them."""
    found = {name: entry[name] for name in figures_of(part) if name in entry}
    return {name: _by_axis(v) if isinstance(v, list) else v for name, v in found.items()}


def _by_axis(values: Sequence[float]) -> dict[str, float]:
    return dict(zip(AXES, values, strict=False))


def _plate_shown(key: str, plate: Json) -> PlatePart:
    layout = layout_of(int(key))
    assert layout is not None  # the file has passed its checks
    size_mm = 2 * layout.pattern_half_mm
    xy = plate.get("printed_scale_xy")
    scale = xy[0] if xy else plate.get("printed_scale")
    return PlatePart(
        was=key,
        number=int(key),
        ruler_mm=_times(scale, layout.ruler_mm),
        u_ruler_mm=_times(plate.get("u_printed_scale"), layout.ruler_mm),
        height_mm=_times(xy[1] if xy else None, size_mm),
        width_mm=_times(xy[0] if xy else None, size_mm),
        thickness_mm=plate.get("thickness_mm"),
        u_bow_mm=plate.get("u_bow_mm"),
    )


def layout_of(number: int | None) -> Layout | None:
    """The layout that a plate's number belongs to."""
    return next((one for one in load_layouts() if number is not None and one.has_plate(number)), None)


def _times(ratio: float | None, length_mm: float) -> float | None:
    return None if ratio is None else round(ratio * length_mm, 6)
