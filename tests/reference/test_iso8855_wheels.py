"""ISO 8855:2011: axes (2.3), static toe (7.1.6, toe-in positive), angles positive to the left; thrust line.

With X forward and Y left the heading of a left wheel is -toe, of a right wheel +toe, and the thrust angle
(toe_RR - toe_LR) / 2. The four wheels of `SHOP` were worked out by plane geometry: in the vehicle FL (2704,
780), FR (2696, -780), RL (-2, 770), RR (2, -770) mm from the rear axle, rear toes 0.10 and 0.20 degrees,
the board's centre 4700 ahead and 3 to the left, its yaw 0.2; then turned by 12.3 degrees and shifted by
(1234, -567) mm into a shop frame. Thrust cases of 15 and 5 minutes: magnitudes as a workshop manual prints
them.
"""

from dataclasses import dataclass, replace

import numpy as np
import pytest

from vision import geometry
from vision.frame import FramePlan, HeightPlan, WheelPlan, quantities
from vision.kit import WHEELS, Clamp, Placement, Target, Vehicle
from vision.targets import TargetPlan

STANDOFF_MM = 120.0
WHEEL_HEIGHT_MM = 315.0


@dataclass(frozen=True)
class Car:
    """Wheel centres (x, y) in mm and headings in degrees, by wheel; board centre and heading."""

    centres: dict[str, tuple[float, float]]
    headings_deg: dict[str, float]
    board: tuple[float, float]
    board_yaw_deg: float


SHOP = Car(
    centres={
        "front_left": (3709.767532, 771.129713),
        "front_right": (4034.27857, -754.765627),
        "rear_left": (1068.012511, 184.899032),
        "rear_right": (1399.987489, -1318.899032),
    },
    headings_deg={"front_left": 12.3, "front_right": 12.3, "rear_left": 12.2, "rear_right": 12.5},
    board=(5825.475109, 437.173952),
    board_yaw_deg=12.5,
)


def plate_on_wheel(centre, heading_deg, wheel):
    """A plate STANDOFF_MM outside the wheel centre, its z outward along the spin axis, its y up."""
    h = np.radians(heading_deg)
    outward = np.array([-np.sin(h), np.cos(h), 0.0]) * (1 if wheel.endswith("left") else -1)
    up = np.array([0.0, 0.0, 1.0])
    R = np.stack([np.cross(up, outward), up, outward], axis=-1)
    return geometry.transform(R, np.array([*centre, 310.0]) + STANDOFF_MM * outward)


def measure(car, line, datum="front_axle"):
    clamps = [Clamp(k, STANDOFF_MM, 0.3, 0.3, 0.0005) for k in range(4)]
    wheels = tuple(WheelPlan(wheel, k, clamps[k], slice(5 * k, 5 * k + 5)) for k, wheel in enumerate(WHEELS))
    placement = Placement("board ahead", "front", "board", line, datum)
    board = Target("board", np.eye(4), 0.2, 0.0005)
    plan = FramePlan(
        wheels=wheels,
        # All wheel centres at one height, so that the floor is level as the handbook figures assume.
        heights=tuple(HeightPlan(WHEEL_HEIGHT_MM, 26 + k, wheel=k) for k in range(4)),
        targets=(TargetPlan(placement, 4, board, slice(20, 26)),),
        vehicle=Vehicle(),
        inputs=(),
        front_from="both",
        declared=slice(0, 0),
        weights=np.eye(4),
        up=np.array([0.0, 0.0, 1.0]),
    )
    plates = [plate_on_wheel(car.centres[w], car.headings_deg[w], w) for w in WHEELS]
    R_board = geometry.rz_ry_rx(*np.radians([car.board_yaw_deg, 0, 0]))
    poses = np.stack([*plates, geometry.transform(R_board, np.array([*car.board, 1200.0]))])
    return {key.removeprefix("0:"): float(v) for key, v in quantities(plan, poses, np.zeros(30)).items()}


def mirrored(car):
    """Everything seen in a mirror that stands along the shop's X axis."""
    swap = {"left": "right", "right": "left"}
    other = {w: w.rsplit("_", 1)[0] + "_" + swap[w.rsplit("_", 1)[1]] for w in WHEELS}
    return Car(
        centres={other[w]: (x, -y) for w, (x, y) in car.centres.items()},
        headings_deg={other[w]: -h for w, h in car.headings_deg.items()},
        board=(car.board[0], -car.board[1]),
        board_yaw_deg=-car.board_yaw_deg,
    )


def test_vehicle_facts_of_the_shop_example():
    facts = measure(SHOP, "centreline")
    expected = {
        "wheelbase_left_mm": 2706.0,
        "wheelbase_right_mm": 2694.0,
        "track_front_mm": 1560.0,
        "track_rear_mm": 1540.0,
        "thrust_angle_deg": 0.05,
        "toe_rear_left_deg": 0.10,
        "toe_rear_right_deg": 0.20,
        "toe_front_left_deg": 0.0,
        "steer_deg": 0.0,
    }
    assert {key: facts[key] for key in expected} == pytest.approx(expected, abs=1e-3)


def test_board_against_the_centreline():
    board = measure(SHOP, "centreline")
    assert board["distance_mm"] == pytest.approx(2000.0, abs=1e-3)
    assert board["lateral_mm"] == pytest.approx(3.0, abs=1e-3)
    assert board["yaw_deg"] == pytest.approx(0.2, abs=1e-3)
    assert measure(SHOP, "centreline", "rear_axle")["distance_mm"] == pytest.approx(4700.0, abs=1e-3)


def test_board_against_the_thrust_line():
    board = measure(SHOP, "thrust_line", "rear_axle")
    assert board["distance_mm"] == pytest.approx(4700.0008, abs=1e-3)
    assert board["lateral_mm"] == pytest.approx(-1.1015, abs=1e-3)
    assert board["yaw_deg"] == pytest.approx(0.15, abs=1e-3)


@pytest.mark.parametrize("line", ["centreline", "thrust_line"])
def test_a_mirrored_car_flips_every_sign(line):
    seen, in_mirror = measure(SHOP, line), measure(mirrored(SHOP), line)
    for key in ("lateral_mm", "yaw_deg", "thrust_angle_deg", "steer_deg"):
        assert in_mirror[key] == pytest.approx(-seen[key], abs=1e-6)
    assert in_mirror["distance_mm"] == pytest.approx(seen["distance_mm"], abs=1e-6)
    assert in_mirror["toe_rear_left_deg"] == pytest.approx(seen["toe_rear_right_deg"], abs=1e-6)


@pytest.mark.parametrize(
    ("toe_left_deg", "toe_right_deg", "thrust_deg"),
    [
        (15 / 60, 5 / 60, -5 / 60),
        (15 / 60, -5 / 60, -10 / 60),
        (0.20, 0.10, -0.05),
        (-0.05, 0.25, 0.15),
        (0.1, 0.1, 0),
    ],
)
def test_thrust_angle_from_the_rear_toes(toe_left_deg, toe_right_deg, thrust_deg):
    straight = Car(
        centres={
            "front_left": (2700, 780),
            "front_right": (2700, -780),
            "rear_left": (0, 780),
            "rear_right": (0, -780),
        },
        headings_deg={
            "front_left": 0,
            "front_right": 0,
            "rear_left": -toe_left_deg,
            "rear_right": toe_right_deg,
        },
        board=(4700, 0),
        board_yaw_deg=0,
    )
    facts = measure(straight, "centreline")
    assert facts["thrust_angle_deg"] == pytest.approx(thrust_deg, abs=1e-9)
    assert facts["toe_rear_left_deg"] == pytest.approx(toe_left_deg, abs=1e-9)
    assert facts["toe_rear_right_deg"] == pytest.approx(toe_right_deg, abs=1e-9)


def test_front_wheels_turned_left_steer_positive():
    turned = replace(SHOP, headings_deg=SHOP.headings_deg | {"front_left": 14.3, "front_right": 14.3})
    facts = measure(turned, "centreline")
    assert facts["steer_deg"] == pytest.approx(2.0, abs=1e-3)
    assert facts["toe_front_left_deg"] == pytest.approx(-2.0, abs=1e-3)


def test_thrust_line_against_centreline_over_6_7_m():
    # 5 minutes of thrust to the left over 6.7 m leave a board on the centreline 6700 sin(5') = 9.745 mm to
    # the thrust line's right.
    headings = {"front_left": 0.0, "front_right": 0.0, "rear_left": 5 / 60, "rear_right": 5 / 60}
    centres = {
        "front_left": (2700, 780),
        "front_right": (2700, -780),
        "rear_left": (0, 780),
        "rear_right": (0, -780),
    }
    car = Car(centres, headings, (6700.0, 0.0), 0.0)
    assert measure(car, "centreline")["lateral_mm"] == pytest.approx(0, abs=1e-9)
    assert measure(car, "thrust_line")["lateral_mm"] == pytest.approx(-9.745, abs=1e-3)


def test_the_typed_wheels_are_those_of_the_check_file(checks):
    inputs = checks["WHEELS"]["inputs"]
    short = {"front_left": "FL", "front_right": "FR", "rear_left": "RL", "rear_right": "RR"}
    for wheel, centre in SHOP.centres.items():
        assert list(centre) == inputs["shop_frame_mm"][short[wheel]]
    assert list(SHOP.board) == inputs["board_centre"]
