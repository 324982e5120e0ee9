"""A set in which the fixture or the vehicle moved: both states, from one adjustment.

The moved body's plates count as other plates from some photo on, under numbers of their own. Which
photo is decided by the chi-square of whole adjustments: the score test's own moment can be one photo off.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.adjust import Adjustment, Network, adjust
from vision.hypotheses import SaddleScores
from vision.kit import Kit, Target
from vision.layout import Layout
from vision.least_squares import SingularError, State
from vision.observe import Sighting, observe
from vision.trial import Body

# Added to the numbers of a moved body's plates; no layout numbers plates as high as this.
LATER = 100_000
# How many moments are tried by a whole adjustment, best scores first.
N_MOMENTS = 3


@dataclass(frozen=True, eq=False)
class TwoStates:
    """The adjustment with the moved body split, and the kits that describe its two states."""

    adjustment: Adjustment
    sightings: tuple[Sighting, ...]
    kit_before: Kit
    kit_after: Kit
    body: Body
    first_after: str  # name of the first photo of the second state


def two_states(
    body: Body,
    sightings: Sequence[Sighting],
    adjustment: Adjustment,
    kit: Kit,
    layouts: Mapping[str, Layout],
) -> TwoStates | None:
    """Split the set at the best moment; None where a state has too few photos to stand by itself."""
    plates = _plates_of(body, kit)
    best: TwoStates | None = None
    for k in _moments(adjustment, plates):
        found = _split(body, plates, k, sightings, adjustment, kit, layouts)
        if found is not None and (best is None or found.adjustment.chi2 < best.adjustment.chi2):
            best = found
    return best


def _plates_of(body: Body, kit: Kit) -> frozenset[int]:
    if body.kind == "vehicle":
        return frozenset(c.plate for c in kit.clamps.values())
    fixture = next(f for f in kit.fixtures if f.name == body.name)
    return fixture.plates


def _moments(adjustment: Adjustment, plates: frozenset[int]) -> list[int]:
    """Photo indices at which the body may have started its second state, best scores first."""
    o, u = adjustment.network.observed, adjustment.network.unknowns
    scores = SaddleScores(adjustment)
    index = [k for k, plate in enumerate(o.plates) if plate in plates]
    groups = np.flatnonzero(np.isin(o.plate, index))
    T_world_body = adjustment.state.poses[u.plate_pose(index[0])]
    found = []
    # Only photos that show the body tell its states apart: one moment after each of them but the last.
    for k in np.unique(o.photo[groups])[:-1].tolist():
        after = groups[o.photo[groups] > k]
        found.append((scores.moved(after, T_world_body).statistic, k + 1))
    return [k for _, k in sorted(found, key=lambda item: (-item[0], item[1]))[:N_MOMENTS]]


def _split(
    body: Body,
    plates: frozenset[int],
    first_after: int,
    sightings: Sequence[Sighting],
    adjustment: Adjustment,
    kit: Kit,
    layouts: Mapping[str, Layout],
) -> TwoStates | None:
    def later(s: Sighting) -> Sighting:
        renamed = (replace(d, plate=d.plate + LATER) if d.plate in plates else d for d in s.detections)
        return replace(s, detections=tuple(renamed))

    split = tuple(s if i < first_after else later(s) for i, s in enumerate(sightings))
    before, after = _kits(body, plates, kit)
    network = replace(adjustment.network, observed=observe(split, layouts), kit=before)
    try:
        found = adjust(network, _state(adjustment, network), grades=(10.0, 1.0))
    except (SingularError, np.linalg.LinAlgError):
        return None
    return TwoStates(found, split, before, after, body, sightings[first_after].name)


def _kits(body: Body, plates: frozenset[int], kit: Kit) -> tuple[Kit, Kit]:
    """The kit with the body's later self beside it, named for the first and for the second state."""
    copies = {p + LATER: replace(kit.plates[p], number=p + LATER) for p in plates}
    both = replace(kit, plates={**kit.plates, **copies})
    if body.kind == "vehicle":
        clamps = {name: replace(c, plate=c.plate + LATER) for name, c in kit.clamps.items()}
        return both, replace(both, clamps=clamps)
    fixture = next(f for f in kit.fixtures if f.name == body.name)
    later = replace(
        fixture,
        name=f"{fixture.name} after",
        mounts=tuple(replace(m, plate=m.plate + LATER) for m in fixture.mounts),
        targets=tuple(map(_later_label, fixture.targets)),
    )
    others = tuple(f for f in kit.fixtures if f is not fixture)
    before = replace(both, fixtures=(*others, fixture, later))
    renamed = (replace(fixture, name=f"{fixture.name} before"), replace(later, name=fixture.name))
    return before, replace(both, fixtures=(*others, *renamed))


def _later_label(target: Target) -> Target:
    label = target.label
    return target if label is None else replace(target, label=replace(label, plate=label.plate + LATER))


def _state(adjustment: Adjustment, network: Network) -> State:
    """Start values for the split network: everything where it was, the second state where the first is."""
    old, new = adjustment.network, network
    u_old, u_new = old.unknowns, new.unknowns
    state = adjustment.state
    plate_of = [old.observed.plates.index(p % LATER) for p in new.observed.plates]
    fixture_of = [_old_fixture(new.kit.fixtures[k].name, old) for k in new.fixtures()]
    n = u_old.n_photos
    poses = np.concatenate(
        [
            state.poses[:n],
            state.poses[u_old.plate_pose(np.array(plate_of))],
            state.poses[u_old.fixture_pose(np.array(fixture_of, int))],
        ]
    )
    values: NDArray = np.zeros(u_new.n_values)
    values[u_new.photo_values()] = state.values[u_old.photo_values()]
    values[u_new.lens_values()] = state.values[u_old.lens_values()]
    values[u_new.plate_values()] = state.values[u_old.plate_values()][plate_of]
    values[u_new.ruler_value()] = state.values[u_old.ruler_value()]
    return State(poses, values)


def _old_fixture(name: str, old: Network) -> int:
    names = [old.kit.fixtures[k].name for k in old.fixtures()]
    return names.index(name.removesuffix(" after") if name not in names else name)
