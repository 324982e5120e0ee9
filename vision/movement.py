"""Statistical consistency tests of movement: did a fixture, the vehicle or a plate move between photos?"""

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from vision.adjust import Adjustment
from vision.frame import FramePlan
from vision.hypotheses import Score
from vision.kit import Kit
from vision.trial import Body, Case, ConsistencyTest, Tried, family

# A displacement has three terms of shift and three of turn.
DISPLACEMENT_TERMS = 6
# Nothing moves further unnoticed between two photos of a round; common practice, no source.
MOST_SHIFT_MM, MOST_TURN_RAD = 1000.0, 0.5


def rigidity(case: Case, level: float) -> Iterator[ConsistencyTest]:
    """Each fixture and the vehicle against having moved between two successive photos."""
    n_photos, state = case.adjustment.network.observed.n_photos, case.adjustment.state
    everything = list(bodies(case.adjustment, case.plan, case.kit))
    for body, plates, poses in everything:
        groups = np.flatnonzero(np.isin(case.adjustment.network.observed.plate, plates))
        T_world_body = state.poses[poses[0]]
        tried = [t for k in range(1, n_photos) for t in _moved_at(case, body, groups, T_world_body, k)]
        passed = f"{body.words} did not move between photos, as far as they show it"
        yield from family(f"rigidity of {body.words}", passed, tried, level / max(2, len(everything)))


def plate_rigidity(case: Case, level: float) -> Iterator[ConsistencyTest]:
    """Each plate by itself against having moved between two successive photos."""
    o, T_world_plate = case.adjustment.network.observed, _plate_poses(case)
    tried: dict[tuple[int, float], Tried] = {}
    for index, number in enumerate(o.plates):
        body, groups = Body("plate", str(number)), case.groups_of([number])
        for k in range(1, o.n_photos):
            for t in _moved_at(case, body, groups, T_world_plate[index], k):
                # Splits between photos that do not show the plate are the same hypothesis: it counts once.
                tried.setdefault((number, t.score.statistic), t)
    yield from family("rigidity of each plate", "no plate moved between photos", list(tried.values()), level)


def plate_in_photo(case: Case, level: float) -> Iterator[ConsistencyTest]:
    """Each plate in each photo against standing elsewhere than in the others."""
    o, T_world_plate = case.adjustment.network.observed, _plate_poses(case)
    tried = []
    for g, (photo, plate) in enumerate(zip(o.photo, o.plate, strict=True)):
        score = case.scores.moved(np.array([g]), T_world_plate[plate])
        says = (
            f"Photo {o.photo_names[photo]} shows plate {o.plates[plate]} elsewhere than the other photos do "
            f"({_by(score)}). Look whether it is another print with the same number, a reflection, or a "
            "plate that moved."
        )
        tried.append(Tried(score, says, is_likely_size=_is_likely(score)))
    yield from family("plates in each photo", "every photo shows the plates in the same places", tried, level)


def bodies(adjustment: Adjustment, plan: FramePlan, kit: Kit) -> Iterator[tuple[Body, NDArray, NDArray]]:
    """Fixtures and vehicle: what, indices of its plates that were seen, and all poses that go with it."""
    network = adjustment.network
    o, u = network.observed, network.unknowns

    def seen(plates: Sequence[int]) -> NDArray:
        return np.flatnonzero(np.isin(o.plates, plates))

    for f, k in enumerate(network.fixtures()):
        fixture = kit.fixtures[k]
        plates = seen(sorted(fixture.plates))
        body = Body("mat" if fixture.is_mat else "fixture", fixture.name)
        yield body, plates, np.r_[u.plate_pose(plates), u.fixture_pose(f)]
    if plan.wheels:
        plates = seen([c.plate for c in kit.clamps.values()] + [d.plate for d in kit.datum_plates])
        yield Body("vehicle"), plates, np.asarray(u.plate_pose(plates))


def _plate_poses(case: Case) -> NDArray:
    """T_world_plate (n_plates, 4, 4), in the order of the observed plates."""
    a = case.adjustment
    return a.state.poses[a.network.unknowns.plate_pose(np.arange(len(case.plates)))]


def _moved_at(case: Case, body: Body, groups: NDArray, T_world_body: NDArray, k: int) -> Iterator[Tried]:
    """The movement just before photo k; nothing where not both sides of it show the body."""
    after = _groups_from(case, groups, k)
    if len(after) in (0, len(groups)):
        return
    score = case.scores.moved(after, T_world_body)
    names = case.adjustment.network.observed.photo_names
    subject = body.words.capitalize() if body.kind == "plate" else f"The {body.words}"
    says = (
        f"{subject} moved between the photos {names[k - 1]} and {names[k]}, {_by(score)}. Make sure that "
        "nothing moves, set up anew if needed, and photograph again from the start."
    )
    yield Tried(score, says, body, _is_likely(score))


def _groups_from(case: Case, groups: NDArray, k: int) -> NDArray:
    """Those of the groups that are in photo k or a later one."""
    return groups[case.adjustment.network.observed.photo[groups] >= k]


def _is_likely(score: Score) -> bool:
    """Whether a displacement is one that happens."""
    shift, turn = score.estimate[:3], score.estimate[3:]
    return bool(np.linalg.norm(shift) < MOST_SHIFT_MM and np.linalg.norm(turn) < MOST_TURN_RAD)


def _by(score: Score) -> str:
    """A displacement's size in words."""
    if not _is_likely(score):
        return "by more than these photos can tell"
    shift_mm = np.linalg.norm(score.estimate[:3])
    return f"by about {shift_mm:.1f} mm and {np.degrees(np.linalg.norm(score.estimate[3:])):.2f} degrees"
