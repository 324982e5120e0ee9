"""How a fixture's plates really hang, where that is not how the kit says: upside down or exchanged.

Such a mistake moves a plate by far more than any prior allows and would bend the whole adjustment. It is
looked for in the start values, where the kit's mounts have no say, and put into the kit before adjusting.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import permutations, product

import numpy as np
from numpy.typing import NDArray

from vision.adjust import Adjustment, Network
from vision.initial import adjust_from_nothing, looks_settled, start_without_mounts
from vision.kit import Fixture, Kit, Mount, Target
from vision.votes import Edge, edges_in_photos

# Start values are this good even with a focal length wrong by 5 %; common practice, no source.
LARGEST_TURN_DEG = 15.0
# From plate to plate the way is as short as the start values are rough; beyond half a quarter turn, another
# way of hanging is the nearer one.
LARGEST_BEARING_DEG = 45.0
# A chi-square this many times its expectation is no matter of chance: something gross is wrong.
SUSPICIOUS = 2.0
# More plates have more ways to hang than can be looked through.
MOST_MOUNTS = 4
QUARTER_TURNS_DEG = (0, 90, 180, 270)
TURN_WORDS = {90: "a quarter turn to the left", 180: "upside down", 270: "a quarter turn to the right"}


def adjust_as_hung(network: Network) -> tuple[Adjustment, str]:
    """The adjustment, with the kit's mounts or as the plates really hang, and what is wrong, in words.

    The words are empty where all hang as the kit says, or where nothing of this kind explains the photos.

    Raises:
        NotEnoughError: The unknowns are not determined by these photos.
    """
    seen = edges_in_photos(network)
    kit, says = as_hung(network, seen)
    if says:
        found = adjust_from_nothing(replace(network, kit=kit), seen=seen)
        # Poor start values may show what is not there; then the photos contradict it.
        if looks_settled(found) and found.chi2 < SUSPICIOUS * found.redundancy:
            return found, says
    return adjust_from_nothing(network, seen=seen), ""


def as_hung(network: Network, seen: Sequence[Edge]) -> tuple[Kit, str]:
    """The kit with its plates where the start values show them; what differs from the kit given, in words."""
    state = start_without_mounts(network, seen)
    o, u = network.observed, network.unknowns
    T_world_plate = dict(zip(o.plates, state.poses[u.n_photos : u.n_photos + u.n_plates], strict=True))
    up = _up(network, T_world_plate)
    fixtures, says = [], []
    for fixture in network.kit.fixtures:
        if fixture.is_mat:  # its plates are printed on it: they hang no other way
            fixtures.append(fixture)
            continue
        visible = {m.plate for m in fixture.mounts if m.plate in o.plates}
        found = next((h for h in _hangings(fixture, visible) if _fits(h, visible, T_world_plate, up)), None)
        fixtures.append(fixture if found is None else found.fixture)
        if found is not None and found.says:
            says.append(found.says)
    return replace(network.kit, fixtures=tuple(fixtures)), " ".join(says)


def _up(network: Network, T_world_plate: dict[int, NDArray]) -> NDArray | None:
    """Upward in world by the floor plates; None without any."""
    normals = [T_world_plate[f.plate][:3, 2] for f in network.kit.floor if f.plate in T_world_plate]
    if not normals or not np.isfinite(normals).all():
        return None
    mean = np.mean(normals, axis=0)
    return mean / np.linalg.norm(mean)


@dataclass(frozen=True, eq=False)
class _Hanging:
    """One way in which a fixture's plates may hang."""

    fixture: Fixture
    says: str


def _hangings(fixture: Fixture, seen: set[int]) -> Iterator[_Hanging]:
    """The kit's own way first, then the others, fewest mistakes first."""
    yield _Hanging(fixture, "")
    if len(fixture.mounts) > MOST_MOUNTS:
        return
    plates = [m.plate for m in fixture.mounts]
    ways = [
        (order, turns)
        for order in permutations(plates)
        for turns in product(QUARTER_TURNS_DEG, repeat=len(plates))
        if all(turn == 0 or plate in seen for plate, turn in zip(order, turns, strict=True))
    ]
    ways.sort(key=lambda way: _n_places(way[0], plates) + sum(turn != 0 for turn in way[1]))
    for order, turns in ways[1:]:
        mounts = tuple(
            replace(m, plate=plate, T_fixture_plate=m.T_fixture_plate @ _turned(turn))
            for m, plate, turn in zip(fixture.mounts, order, turns, strict=True)
        )
        yield _Hanging(replace(fixture, mounts=mounts), _words(fixture, mounts, order, turns))


def _n_places(order: Sequence[int], plates: Sequence[int]) -> int:
    return sum(a != b for a, b in zip(order, plates, strict=True))


def _turned(turn_deg: int) -> NDArray:
    c, s = {0: (1, 0), 90: (0, 1), 180: (-1, 0), 270: (0, -1)}[turn_deg]
    T = np.eye(4)
    T[:2, :2] = [[c, -s], [s, c]]
    return T


def _words(fixture: Fixture, mounts: Sequence[Mount], order: Sequence[int], turns: Sequence[int]) -> str:
    moved = sorted(m.plate for m, old in zip(mounts, fixture.mounts, strict=True) if m.plate != old.plate)
    says = [
        f"Plate {plate} hangs {TURN_WORDS[turn]} on the fixture {fixture.name}."
        for plate, turn in zip(order, turns, strict=True)
        if turn
    ]
    if moved:
        numbers = ", ".join(map(str, moved[:-1])) + f" and {moved[-1]}"
        says.append(f"Plates {numbers} are exchanged on the fixture {fixture.name}.")
    return " ".join(says)


def _fits(hanging: _Hanging, seen: set[int], T_world_plate: dict[int, NDArray], up: NDArray | None) -> bool:
    """Whether the start values show the plates so: turned alike, in the same directions, right way up."""
    mounts = [m for m in hanging.fixture.mounts if m.plate in seen]
    T_world_fixture = [T_world_plate[m.plate] @ np.linalg.inv(m.T_fixture_plate) for m in mounts]
    if not mounts or not np.isfinite(T_world_fixture).all():
        return not hanging.says
    R = [T[:3, :3] for T in T_world_fixture]
    if any(_angle_deg(R[0].T @ other) > LARGEST_TURN_DEG for other in R[1:]):
        return False
    for m in mounts[1:]:
        bearing = R[0] @ (m.T_fixture_plate[:3, 3] - mounts[0].T_fixture_plate[:3, 3])
        seen_bearing = T_world_plate[m.plate][:3, 3] - T_world_plate[mounts[0].plate][:3, 3]
        cosine = bearing @ seen_bearing / (np.linalg.norm(bearing) * np.linalg.norm(seen_bearing))
        if cosine < np.cos(np.radians(LARGEST_BEARING_DEG)):
            return False
    return up is None or all(_is_upright(target, R[0], up) for target in hanging.fixture.targets)


def _is_upright(target: Target, R_world_fixture: NDArray, up: NDArray) -> bool:
    """A target's z is up (MEASUREMENT.md); within half a right angle, for those that lean."""
    return bool(R_world_fixture @ target.T_fixture_target[:3, 2] @ up > np.cos(np.pi / 4))


def _angle_deg(R: NDArray) -> float:
    return float(np.degrees(np.arccos(np.clip((np.trace(R) - 1) / 2, -1, 1))))
