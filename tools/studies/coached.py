"""Whether a technician who follows the coach blindly gets there, and with how many photos.

`python -m tools.studies.coached --sets 100`, and `--shops thrust_line` or `--shops cheap`

Every set is a shop of its own. The technician takes the photo that the coach asks for, within 150 mm of the
place, the phone between 0.3 and 2.0 m high, the aim off by one to two degrees, the roll by 2.5 (sd), and asks
again, until no more photos are asked for: since it is enough, or since the kit is the limit. Against that
stands the smallest number of photos that a search finds to suffice, with every plate known where it truly
stands.
"""

import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.random import Generator

from calib_data.layouts import load_layouts
from tools.photo_round import Phone, as_asked, draw_phone, take_photo_from
from tools.scene import Care, make_scene
from tools.simulate import observe_scene
from tools.studies.counting import run, share, study_words, table
from tools.truth import Scene
from vision.bay import Bay, lay_out
from vision.coach import Coaching, coach, needed_u
from vision.errors import NotEnoughError
from vision.forecast import Phone as MiddlingPhone
from vision.forecast import forecast, shots_at
from vision.measure import measure_found
from vision.sightings import FoundPhoto
from vision.stations import Search, reachable_stations

SIZE_PX = (4032, 3024)
MOST_PHOTOS = 16  # more than 1.3 times the largest plan: whoever is not there by then has failed
FEWEST, MOST_PLANNED = 3, 12  # photos of the plans searched


@dataclass(frozen=True)
class Followed:
    """One set.

    Attributes:
        n_photos, n_until_u: Photos asked for until the coach said enough, closing photo included; and until
            each u was as small as needed.
        n_planned: Of the smallest plan that suffices, without a closing photo; None if none of 12 does.
        is_reached: Whether the measurement of all photos has every needed u.
        says_enough, says_limit: What the coach ended with; neither: it still asked after 16 photos.
        over_least: By value that is said to be the kit's limit, u as measured over the least that was said.
        forecast_over_reached: By value, what the coach expected with the last photo, over what was measured.
        cpu_s: Of each answer.
    """

    index: int
    n_photos: int
    n_until_u: int | None
    n_planned: int | None
    is_reached: bool
    says_enough: bool
    says_limit: bool
    over_least: dict[str, float]
    forecast_over_reached: dict[str, float] = field(default_factory=dict)
    cpu_s: tuple[float, ...] = ()
    wall_s: tuple[float, ...] = ()


def follow(seed: int, kind: str, index: int) -> Followed:
    """The set of this number, in a shop of this kind."""
    rng = np.random.default_rng([seed, index])
    scene = shop(rng, kind)
    required = needed_u([scene.placement])
    taken_with = draw_phone(rng, Phone(), SIZE_PX, 0)
    found: list[FoundPhoto] = []
    cpu_s, wall_s, n_until_u, n_planned = [], [], None, _planned(scene)
    while True:
        started = time.process_time(), time.perf_counter()
        now = coach(found, scene.kit, [scene.placement], scene.vehicle, load_layouts())
        cpu_s.append(time.process_time() - started[0])
        wall_s.append(time.perf_counter() - started[1])
        if n_until_u is None and _suffices(now.now.u, required):
            n_until_u = len(found)
        if now.next is None or len(found) == MOST_PHOTOS:
            break
        last = now
        found += photographed(rng, scene, now, taken_with, len(found))
    measured = measure_found(found, scene.kit, scene.vehicle, [scene.placement], load_layouts()).reported
    u = {key: measured.u(key) for key in required if key in measured.keys}
    return Followed(
        index,
        len(found),
        n_until_u,
        n_planned,
        _suffices(u, required),
        now.is_enough,
        now.is_over and not now.is_enough,
        {key: u[key] / now.least[key] for key in now.limited if key in u},
        {key: last.next.then.u[key] / u[key] for key in required if last.next and key in last.next.then.u},
        tuple(cpu_s),
        tuple(wall_s),
    )


SHOPS = ("careful", "thrust_line", "cheap")
# A tape, cardboard and tape of the other kind: 1 mm and 0.15 degrees everywhere; common practice, no source.
CHEAP = Care(
    u_ruler_scale=0.0005,
    u_printed_scale=0.001,
    u_bow_mm=0.5,
    u_standoff_mm=1.0,
    u_eccentricity_mm=1.0,
    u_tilt_deg=0.15,
    u_mount_mm=1.0,
    u_mount_deg=0.15,
    u_target_mm=1.0,
    u_target_deg=0.15,
    u_flatness_mm=1.0,
    u_wheelbase_mm=5.0,
)


def shop(rng: Generator, kind: str = "careful") -> Scene:
    """A shop whose design frame is the vehicle's, before any photo of the round.

    Args:
        kind: `careful`: the centreline, a kit measured with care. `thrust_line`: that kit, from the thrust
            line, with clamps that nobody measured (0.03 degrees of tilt). `cheap`: a kit of tape and
            cardboard, either line.
    """
    situation: dict[str, Any] = {
        "target_distance_mm": float(rng.uniform(1500, 5000)),
        "with_bar": bool(rng.random() < 0.4),
        "n_floor": int(rng.integers(4, 7)),
    }
    if kind == "cheap":
        situation |= {"care": CHEAP, "reference_line": str(rng.choice(["centreline", "thrust_line"]))}
    elif kind == "thrust_line":
        situation["reference_line"] = kind
    return make_scene(rng, n_photos=1, T_world_vehicle=np.eye(4), size_px=SIZE_PX, **situation)


def photographed(
    rng: Generator, scene: Scene, now: Coaching, taken_with: Any, number: int
) -> tuple[FoundPhoto, ...]:
    """What is found in the photo asked for, as a hand and two feet take it."""
    assert now.next is not None
    T = as_asked(rng, now.next.station.T_vehicle_camera)
    first = scene.photos[0]
    photo = take_photo_from(rng, Phone(), taken_with, SIZE_PX, T, number, first.plates, first.boxes)
    return observe_scene(rng, replace(scene, photos=(photo,)))


def _suffices(u: Any, required: Any) -> bool:
    return all(key in u and u[key] <= most for key, most in required.items())


def _planned(scene: Scene) -> int | None:
    """Photos of the smallest plan that suffices, with all plates where they truly stand."""
    bay, phone = _as_it_is(scene), MiddlingPhone()
    stations = reachable_stations(bay)
    search = Search(bay, (phone.lens_prior,), shots_at(bay, phone, stations))
    needed = needed_u([scene.placement])
    if not _suffices(dict(zip(search.keys, search.least_u, strict=True)), needed):
        return None
    for n in range(FEWEST, MOST_PLANNED + 1):
        try:
            u = forecast(bay, [stations[i] for i in search.best(n)], phone).u
        except NotEnoughError:
            continue
        if _suffices(u, needed):
            return n
    return None


def _as_it_is(scene: Scene) -> Bay:
    bay = lay_out(scene.kit, [scene.placement], scene.vehicle, load_layouts())
    true = MappingProxyType({p.number: p.T_world_plate for p in scene.plates})
    return replace(bay, T_vehicle_plate=true)


# --- in words -------------------------------------------------------------------------------------------


def summary(sets: Sequence[Followed]) -> str:
    """What it comes to."""
    can = [s for s in sets if s.n_planned is not None]
    others = [s for s in sets if s.n_planned is None]
    within = [s for s in can if s.n_until_u is not None and s.n_until_u <= 1.3 * (s.n_planned or 0)]
    closed = [s for s in can if s.says_enough and s.n_photos <= 1.3 * ((s.n_planned or 0) + 1)]
    ratios = [r for s in can for r in s.forecast_over_reached.values()]
    near = sum(abs(r - 1) <= 0.15 for r in ratios)
    over_least = [r for s in sets if s.says_limit for r in s.over_least.values()]
    endless = sum(not (s.says_limit or s.says_enough) for s in sets)
    rows = [
        ("sets that up to 12 planned photos suffice for", share(len(can), len(sets))),
        ("of these: every needed u reached, as measured", share(sum(s.is_reached for s in can), len(can))),
        ("of these: reached with 1.3 times the photos or fewer", share(len(within), len(can))),
        ("enough said, closing photo on both sides, so too", share(len(closed), len(can))),
        ("of these: the kit said to be the limit", share(sum(s.says_limit for s in can), len(can))),
        (
            "of the others: the kit said to be the limit",
            share(sum(s.says_limit for s in others), len(others)),
        ),
        (
            "of the others: every needed u reached, as measured",
            share(sum(s.is_reached for s in others), len(others)),
        ),
        ("of all: still asked after 16 photos", share(endless, len(sets))),
        ("photos where the kit is the limit", _quantiles([s.n_photos for s in sets if s.says_limit])),
        ("u of limited values as measured, over the least said", _quantiles(over_least)),
        ("values whose forecast is within 15 %", share(near, len(ratios))),
        ("forecast over reached", _quantiles(ratios, (0.025, 0.5, 0.975))),
        ("CPU time of an answer in s", _quantiles([t for s in sets for t in s.cpu_s])),
        ("time of an answer here in s", _quantiles([t for s in sets for t in s.wall_s])),
    ]
    counts = [
        (s.index, s.n_planned, s.n_until_u, s.n_photos, "yes" if s.is_reached else "no")
        for s in can
        if s not in within or not s.is_reached
    ]
    words = [table(("", ""), rows)]
    if counts:
        words += ["", table(("set", "planned", "until u", "in all", "reached"), counts)]
    return "\n".join(words)


def _quantiles(numbers: Sequence[float], shares: Sequence[float] = (0.5, 0.95, 1.0)) -> str:
    """`median, 95 %, most: 1.02, 1.10, 1.12`, or those asked for."""
    names = {0.5: "median", 1.0: "most"}
    which = ", ".join(names.get(s, f"{100 * s:g} %") for s in shares)
    return f"{which}: " + ", ".join(f"{q:.2f}" for q in np.quantile(numbers, shares)) if numbers else "-"


def main() -> None:
    parser = study_words("Whether following the coach blindly is enough.", 100)
    parser.add_argument("--shops", choices=SHOPS, default=SHOPS[0])
    words = parser.parse_args()
    print(summary(list(run(partial(follow, words.seed, words.shops), words.jobs, range(words.sets)))))


if __name__ == "__main__":
    main()
