"""Statistical consistency tests of movement: did a fixture, the vehicle or a plate move between photos?"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from vision.hypotheses import Score
from vision.trial import Body, Case, ConsistencyTest, Tried, family, limit_of

# A nudge of this size must show, or the result says that it might not.
LARGEST_UNSEEN_MM = 8.0
# An unseen move above this is told as one of any size.
LARGEST_TOLD_MM = 1000.0
# A displacement has three terms of shift and three of turn.
DISPLACEMENT_TERMS = 6
# A normal variable stays below this with 97 %: so surely a move of the least size shows.
NORMAL_97 = 1.9


def rigidity(case: Case, level: float) -> Iterator[ConsistencyTest]:
    """Each fixture and the vehicle against having moved between two successive photos."""
    n_photos = case.adjustment.network.observed.n_photos
    for body, plates, T_world_body in _bodies(case):
        groups = case.groups_of(plates)
        tried = [t for k in range(1, n_photos) for t in _moved_at(case, body, groups, T_world_body, k)]
        passed = f"{body.words} did not move between photos{_unseen_moves(case, groups, T_world_body, level)}"
        # A set has two such bodies as a rule, a fixture and the vehicle, which share the level.
        yield from family(f"rigidity of {body.words}", passed, tried, level / 2)


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
        tried.append(Tried(score, says))
    yield from family("plates in each photo", "every photo shows the plates in the same places", tried, level)


def _bodies(case: Case) -> Iterator[tuple[Body, list[int], NDArray]]:
    """Fixtures and vehicle: what, its plates, T_world_body."""
    network, poses = case.adjustment.network, case.adjustment.state.poses
    for f, k in enumerate(network.fixtures()):
        fixture = case.kit.fixtures[k]
        plates = [m.plate for m in fixture.mounts]
        yield Body("fixture", fixture.name), plates, poses[network.unknowns.fixture_pose(f)]
    if case.plan.wheels:
        plates = [c.plate for c in case.kit.clamps.values()]
        yield Body("vehicle"), plates, poses[case.plan.wheels[0].pose]


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
    yield Tried(score, says, body)


def _unseen_moves(case: Case, groups: NDArray, T_world_body: NDArray, level: float) -> str:
    """Between which photos a large move would not show, in words; empty where every one would."""
    o = case.adjustment.network.observed
    noncentrality = (np.sqrt(limit_of(level / o.n_photos, DISPLACEMENT_TERMS)) + NORMAL_97) ** 2
    unseen = []
    for k in range(1, o.n_photos):
        after = _groups_from(case, groups, k)
        if 0 < len(after) < len(groups):
            least_mm = case.scores.least_shift_mm(after, T_world_body, noncentrality)
            unseen += [(least_mm, k)] if least_mm > LARGEST_UNSEEN_MM else []
    if not unseen:
        return ""
    least_mm, k = max(unseen)
    size = f"of {least_mm:.0f} mm" if least_mm < LARGEST_TOLD_MM else "of any size"
    return (
        f", as far as they can tell: a move {size} between {o.photo_names[k - 1]} and "
        f"{o.photo_names[k]} might not show. Photos, early and late in the round, that show it together with "
        "plates on both sides of the vehicle would tell"
    )


def _groups_from(case: Case, groups: NDArray, k: int) -> NDArray:
    """Those of the groups that are in photo k or a later one."""
    return groups[case.adjustment.network.observed.photo[groups] >= k]


def _by(score: Score) -> str:
    """A displacement's size in words."""
    shift_mm = np.linalg.norm(score.estimate[:3])
    return f"by about {shift_mm:.1f} mm and {np.degrees(np.linalg.norm(score.estimate[3:])):.2f} degrees"
