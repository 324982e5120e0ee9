"""A shop's first kit: which sheets to print, and a kit file with honest starting uncertainties.

What tape, cardboard and a steel rule give in the first hour (common practice, no source). They are on the
careful side; each is to be measured better once the kit has shown what it is good for.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

from calib_data.convert import to_kit
from calib_data.formats import KIT, KitFile, WheelName
from calib_data.layouts import load_layouts
from calib_data.reading import check
from vision.errors import KitError
from vision.kit import Placement, Tolerance, Vehicle
from vision.provable import outlook

LAYOUT = "ring13"
RULER_MM = 150.0  # as printed on its sheets
# A good steel rule (within 0.08 mm over 150 mm, rectangular: 0.0003), read to 0.1 mm (0.0007). Whoever has
# only a cheap rule, a tape or a plastic ruler must say so: "The rule is the scale of everything" in
# FIRST_HOUR.md.
U_RULER_SCALE, U_PRINTED_SCALE = 0.0003, 0.0007
# Which rules there are: FIRST_HOUR.md has the table (common practice, no source).
RULES: Mapping[str, float] = MappingProxyType({"steel": U_RULER_SCALE, "tape": 0.001, "plastic": 0.003})
U_BOW_MM, BOARD_MM = 0.3, 3.0
# A plate on a home-made clamp, or taped to cardboard on the fixture: by tape, square and eye.
U_STANDOFF_MM, U_ECCENTRICITY_MM, U_TILT_DEG = 1.0, 1.0, 0.15
U_POSITION_MM, U_ROTATION_DEG = 1.0, 0.15
U_FLATNESS_MM = 1.0
U_BAR_MM = 0.5

WHEEL_PLATES: Mapping[WheelName, int] = MappingProxyType(
    {"front_left": 0, "front_right": 1, "rear_left": 2, "rear_right": 3}
)
FIRST_FIXTURE, FIRST_FLOOR, BAR_PLATES = 4, 10, (30, 31)
MOST_FLOOR = 10

# Where targets stand, and what is asked of them there: orders of magnitude, common practice, no source.
DISTANCES_MM = (1500.0, 3000.0, 5000.0)
ASKED = {"distance_mm": 10.0, "lateral_mm": 5.0, "height_mm": 5.0, "yaw_deg": 0.5}
N_PHOTOS = 12
# Half of a tolerance's width is left for the target's place where u is this share of it (ISO 14253-1's rule
# at 95 %: 1.645 u on either side).
EASY_SHARE = 0.3


@dataclass(frozen=True)
class Answers:
    """What somebody measured on the first day. Lengths in mm.

    Attributes:
        standoffs_mm: By wheel, from the wheel's centre out to the printed face; a wheel without a clamp
            is left out.
        fixture_plates_mm: Each plate's centre (y to the vehicle's left, z up) from the fixture's origin.
        target_mm: The target's reference point from the fixture's origin: x away from the vehicle, y to the
            vehicle's left, z up.
        rulers_mm: By plate, the printed ruler's length as measured (nominal RULER_MM).
        bar_mm: Between the centres of the bar's two plates; None without a bar.
        u_ruler_scale: Of the rule that measured the printed rulers, as a share of its length.
    """

    name: str
    standoffs_mm: Mapping[WheelName, float]
    fixture_plates_mm: Sequence[tuple[float, float]]
    target_mm: tuple[float, float, float]
    target: str = "board"
    fixture: str = "front"
    n_floor: int = 5
    board_mm: float = BOARD_MM
    rulers_mm: Mapping[int, float] = field(default_factory=dict)
    bar_mm: float | None = None
    u_ruler_scale: float = U_RULER_SCALE

    def plates(self) -> tuple[int, ...]:
        """The numbers to print."""
        wheels = [WHEEL_PLATES[wheel] for wheel in WHEEL_PLATES if wheel in self.standoffs_mm]
        return (*wheels, *self.on_fixture(), *self.on_floor(), *(BAR_PLATES if self.bar_mm else ()))

    def on_fixture(self) -> range:
        return range(FIRST_FIXTURE, FIRST_FIXTURE + len(self.fixture_plates_mm))

    def on_floor(self) -> range:
        return range(FIRST_FLOOR, FIRST_FLOOR + self.n_floor)


# What a kit would be like before anything is measured: common practice, no source.
USUAL_STANDOFF_MM = 120.0
USUAL_FIXTURE_PLATES_MM = ((350.0, 0.0), (-350.0, 0.0))
USUAL_TARGET_MM = (12.0, 0.0, -200.0)


@dataclass(frozen=True)
class Proves:
    """What a kit proves of one value, in mm or degrees.

    Attributes:
        u: None where it would not be measured, and `says` why.
        at_best: A narrower tolerance, to each side, can never conform.
        easily: This one leaves half of its width for the target's place.
    """

    key: str
    u: float | None
    at_best: float | None = None
    easily: float | None = None
    says: str = ""


def what_it_proves(answers: Answers, distance_mm: float) -> tuple[Proves, ...]:
    """What the kit of these answers proves of a target ahead, from the front axle and the centreline.

    Computed for the kit once every ruler is measured, since that is a matter of minutes. It takes seconds.
    """
    rulers_mm = {**dict.fromkeys(answers.plates(), RULER_MM), **answers.rulers_mm}
    kit = to_kit(starting_kit(replace(answers, rulers_mm=rulers_mm)))
    nominal = {"distance_mm": distance_mm, "height_mm": 1000.0}
    values = {key: Tolerance(nominal.get(key, 0.0), half, half) for key, half in ASKED.items()}
    placement = Placement("", answers.fixture, answers.target, "centreline", "front_axle", values)
    expected = outlook(kit, [placement], Vehicle(), load_layouts(), N_PHOTOS)
    of_target = {key.removeprefix("0:"): value for key, value in expected.values.items()}
    return tuple(
        Proves(key, None, says=value.says)
        if value.u is None
        else Proves(key, value.u, value.u * ASKED[key] / value.largest_u, value.u / EASY_SHARE)
        for key, value in of_target.items()
    )


def starting_kit(answers: Answers) -> KitFile:
    """The kit file of these answers, with the starting uncertainties.

    Raises:
        KitError: A figure is out of all proportion; the message names its key in the kit.
    """
    kit = {
        "format": KIT,
        "name": answers.name,
        "u_ruler_scale": answers.u_ruler_scale,
        "plates": {str(number): _plate(answers, number) for number in answers.plates()},
        "wheels": {wheel: _wheel(wheel, mm) for wheel, mm in answers.standoffs_mm.items()},
        "fixtures": {answers.fixture: _fixture(answers)},
        "floor": [{"plate": number, "u_flatness_mm": U_FLATNESS_MM} for number in answers.on_floor()],
    }
    if answers.bar_mm is not None:
        kit["scale_bars"] = [
            {"plates": list(BAR_PLATES), "length_mm": answers.bar_mm, "u_length_mm": U_BAR_MM}
        ]
    return check(KitFile, kit, "the new kit", KitError)[0]


def _plate(answers: Answers, number: int) -> dict[str, Any]:
    plate: dict[str, Any] = {"layout": LAYOUT, "u_bow_mm": U_BOW_MM}
    if number in answers.rulers_mm:
        plate["printed_scale"] = round(answers.rulers_mm[number] / RULER_MM, 6)
        plate["u_printed_scale"] = U_PRINTED_SCALE
    if number in answers.on_floor():
        plate["thickness_mm"] = answers.board_mm
    return plate


def _wheel(wheel: WheelName, standoff_mm: float) -> dict[str, Any]:
    return {
        "plate": WHEEL_PLATES[wheel],
        "standoff_mm": standoff_mm,
        "u_standoff_mm": U_STANDOFF_MM,
        "u_eccentricity_mm": U_ECCENTRICITY_MM,
        "u_tilt_deg": U_TILT_DEG,
    }


def _fixture(answers: Answers) -> dict[str, Any]:
    def at(position_mm: Sequence[float]) -> dict[str, Any]:
        return {
            "position_mm": list(position_mm),
            "rotation_deg": [0.0, 0.0, 0.0],
            "u_position_mm": U_POSITION_MM,
            "u_rotation_deg": U_ROTATION_DEG,
        }

    plates = zip(answers.on_fixture(), answers.fixture_plates_mm, strict=True)
    return {
        "plates": [{"plate": number, **at((0.0, y, z))} for number, (y, z) in plates],
        "targets": {answers.target: at(answers.target_mm)},
    }
