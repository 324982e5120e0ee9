"""The check of clamps in two positions: is a clamp off its seat found and named, and do the figures hold?

`python -m tools.studies.seating --sets 300 --seed 11 --jobs 2`

The kit's clamps repeat to 0.3 mm and 0.03 degrees. One of them sits 5 mm or 0.3 degrees otherwise, in
any direction; or none does. Target 3 m ahead, placement along the thrust line, ten photos in either position.
"""

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from calib_data.layouts import load_layouts
from tools.mistakes import clamp_off_seat
from tools.rolled import rolled
from tools.scene import Care, make_scene
from tools.simulate import observe_scene
from tools.studies.coached import photographed
from tools.studies.counting import lower_bound, run, share, study_words, table
from tools.truth import Scene, true_values
from vision.coach import coach
from vision.errors import NotEnoughError
from vision.kit import WHEELS
from vision.measure import measure_found
from vision.seating import Seat, clamps_as_seated

PLANTED = ("nothing", "5 mm", "0.3 degrees")
CARE = Care(u_eccentricity_mm=0.3, u_tilt_deg=0.03)
N_PHOTOS, TARGET_MM = 10, 3000.0
MOST_MORE = 4  # photos that the coach may ask for beside them
INTERVAL = 1.959964  # half the 95 % interval in u


@dataclass(frozen=True, eq=False)
class Outcome:
    """One check.

    Attributes:
        wheel: Whose clamp was planted; the wheels that were `named`.
        z: Error over u of every eccentricity and tilt.
        u_lateral_mm: Of the target, by the thrust line, with the clamps as they were found.
        z_lateral: Its error over u.
        says: Why nothing was measured.
    """

    wheel: str
    named: tuple[str, ...] = ()
    z: NDArray | None = None
    u_lateral_mm: float = np.nan
    z_lateral: float = np.nan
    says: str = ""


def check_one(seed: int, planted: str, index: int) -> Outcome:
    """One vehicle photographed, rolled on, photographed again; then measured with what was found."""
    rng = np.random.default_rng([seed, index])
    scene = make_scene(
        rng, n_photos=N_PHOTOS, care=CARE, target_distance_mm=TARGET_MM, reference_line="thrust_line"
    )
    wheel = str(rng.choice(WHEELS))
    scene = _with_clamp_off(rng, scene, wheel, planted)
    before, after = observe_scene(rng, scene), observe_scene(rng, rolled(rng, scene))
    layouts = load_layouts()
    try:
        seating = clamps_as_seated(before, after, scene.kit, {layout.name: layout for layout in layouts})
        kit = seating.kit(scene.kit)
        m = measure_found(before, kit, scene.vehicle, [scene.placement], layouts)
    except NotEnoughError as wrong:
        return Outcome(wheel, says=str(wrong))
    true = true_values(scene.truth, "thrust_line", scene.placement.datum)["lateral_mm"]
    u_lateral_mm = m.reported.u("0:lateral_mm")
    return Outcome(
        wheel,
        tuple(seat.wheel for seat in seating.seats if not seat.is_seated),
        np.concatenate([_z(scene, seat) for seat in seating.seats]),
        u_lateral_mm,
        (m.reported.value("0:lateral_mm") - true) / u_lateral_mm,
    )


def coached_one(seed: int, index: int) -> tuple[float, float, float, int]:
    """A look with checked clamps, and the photos that the coach then asks for, four at most.

    Returns:
        u of lateral by the thrust line in mm, before and after; its error after, over u; photos added.
    """
    rng = np.random.default_rng([seed, index])
    scene = make_scene(
        rng, n_photos=N_PHOTOS, care=CARE, target_distance_mm=TARGET_MM, reference_line="thrust_line",
        T_world_vehicle=np.eye(4),
    )  # fmt: skip
    found, after = observe_scene(rng, scene), observe_scene(rng, rolled(rng, scene))
    layouts, phone = load_layouts(), (scene.photos[0].lens, scene.photos[0].exif)
    kit = clamps_as_seated(found, after, scene.kit, {one.name: one for one in layouts}).kit(scene.kit)
    first = measure_found(found, kit, scene.vehicle, [scene.placement], layouts).reported
    for n in range(MOST_MORE):
        now = coach(found, kit, [scene.placement], scene.vehicle, layouts)
        if now.next is None:
            break
        found += photographed(rng, scene, now, phone, N_PHOTOS + n)
    last = measure_found(found, kit, scene.vehicle, [scene.placement], layouts).reported
    true = true_values(scene.truth, "thrust_line", scene.placement.datum)["lateral_mm"]
    key = "0:lateral_mm"
    return first.u(key), last.u(key), (last.value(key) - true) / last.u(key), len(found) - N_PHOTOS


def _with_clamp_off(rng: Generator, scene: Scene, wheel: str, planted: str) -> Scene:
    angle_rad = rng.uniform(0, 2 * np.pi)
    across = np.array([np.cos(angle_rad), np.sin(angle_rad)])
    if planted == "5 mm":
        return clamp_off_seat(scene, wheel, [*(5 * across), 0], (0.0, 0.0)).scene
    if planted == "0.3 degrees":
        return clamp_off_seat(scene, wheel, np.zeros(3), 0.3 * across).scene
    return scene


def _z(scene: Scene, seat: Seat) -> NDArray:
    """(4,) error over u of one clamp's eccentricity and tilt, by the scene's truth."""
    T = next(p.T_world_plate for p in scene.plates if p.role == seat.wheel)
    axis_in_plate = T[:3, :3].T @ scene.truth.spin_axes[seat.wheel]
    off_mm = T[:3, :3].T @ (T[:3, 3] - scene.truth.wheel_centres_mm[seat.wheel])
    eccentricity_mm = off_mm - axis_in_plate * (off_mm[2] / axis_in_plate[2])
    # The axis is the plate's z turned back by a small tilt t: (-t_y, t_x, 1).
    true = np.array([*eccentricity_mm[:2], axis_in_plate[1], -axis_in_plate[0]])
    return (seat.miss - true) / np.sqrt(np.diag(seat.covariance))


def main() -> None:
    words = study_words(__doc__ or "", 300)
    words.add_argument("--coached", action="store_true", help="what the coach's photos bring instead")
    given = words.parse_args()
    if given.coached:
        done = np.array(list(run(partial(coached_one, given.seed), given.jobs, range(given.sets))))
        print(table(("u lateral mm", "with the coach", "in 95 %", "photos more"), [_coached_row(done)]))
        return
    rows = []
    for planted in PLANTED:
        outcomes = list(run(partial(check_one, given.seed, planted), given.jobs, range(given.sets)))
        rows.append(row(planted, outcomes))
    print(table(HEAD, rows))


HEAD = (
    "off its seat by",
    "checks",
    "named",
    "lower bound",
    "others accused",
    "in 95 %",
    "u lateral mm",
    "in 95 %",
)


def _coached_row(done: NDArray) -> list[str]:
    u, then, z, n = done.T
    return [
        *(f"{np.median(x):.2f}, at most {x.max():.2f}" for x in (u, then)),
        share(int((abs(z) <= INTERVAL).sum()), len(z)),
        f"{np.median(n):.0f}, at most {n.max():.0f}",
    ]


def row(planted: str, outcomes: list[Outcome]) -> list[str]:
    """What became of the checks of one kind."""
    done = [o for o in outcomes if not o.says]
    named = sum(o.wheel in o.named for o in done)
    others = sum(bool(set(o.named) - ({o.wheel} if planted != "nothing" else set())) for o in done)
    z = np.concatenate([o.z for o in done if o.z is not None])
    lateral = np.array([o.z_lateral for o in done])
    return [
        planted,
        f"{len(done)} of {len(outcomes)}",
        "-" if planted == "nothing" else share(named, len(done)),
        "-" if planted == "nothing" else f"{100 * lower_bound(named, len(done)):.1f} %",
        share(others, len(done)),
        share(int((abs(z) <= INTERVAL).sum()), len(z)),
        f"{np.median([o.u_lateral_mm for o in done]):.2f}, at most {max(o.u_lateral_mm for o in done):.2f}",
        share(int((abs(lateral) <= INTERVAL).sum()), len(done)),
    ]


if __name__ == "__main__":
    main()
