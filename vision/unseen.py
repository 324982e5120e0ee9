"""What photos cannot exclude: mistakes of the size that the tool promises to find, and what they would do.

A mistake b adds D b to the residuals and, left out of the model, moves the values by G C A' b (hypotheses.py;
G = d values / d state): the internal and external reliability of W. Baarda (Statistical concepts in geodesy,
1967).

**What is known of a mistake, if it was made.** Beforehand: it is not larger than the sizes below, and nothing
else: its variance is S = size^2 / 3 (rectangular; JCGM 100:2008, 4.3.7). From these photos: the score s
with its covariance V. Together they leave it the covariance P = (S^-1 + V)^-1 about m = P s. The values are
not corrected for it, so what they may be off by has the second moment P + m m', carried through G C A'.
Where the photos tell, this is small unless a mistake shows; where they are blind, it is the size itself.
That a mistake was made at all is given no probability: each by itself must be within what u says.

**Where it is carried.** A sheet's scale is an input like any other, so it goes into u, with a line of the
budget. What moved between photos has two values, and no u makes one of them: u stands for a set in which
nothing moved, and a placement conforms only where it would do so with the larger u too (judge.py). Else it is
undecided, and a closing photo from the first station settles it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision import geometry
from vision.adjust import Adjustment
from vision.advice import LABELS, Units
from vision.declared import declared_tracks, floor_is_checked, heights_off_plane
from vision.floorplane import height_jacobians
from vision.frame import FramePlan
from vision.hypotheses import LEAST_SEPARABLE, Information, SaddleScores
from vision.kit import Kit
from vision.movement import DISPLACEMENT_TERMS, bodies
from vision.placement import Reported
from vision.propagate import budget
from vision.trial import Body

# What is promised to be found. Fixtures slide on the floor and turn about the upright; vehicles roll on their
# tyres. That larger moves do not go unnoticed is an assumption; the trade knows of 1 to 20 mm.
MOVE_MM = 8.0
TURN_RAD = float(np.radians(0.3))
# "Fit to page" of A4 on Letter or the other way round.
SCALE = 0.03

# The causes' names in a budget.
UNCHECKED_SHEETS, MOVEMENT = "unchecked_sheets", "movement"


@dataclass(frozen=True, eq=False)
class Unseen:
    """One mistake that these photos would not show, as if it had been made.

    Attributes:
        effects: (k, n) what it does to each reported quantity, in standard uncertainties of k independent
            directions; mm and degrees.
        body, between: Of a movement: what moved, and between which two photos.
        plate: Of a sheet: its number.
    """

    effects: NDArray
    body: Body | None = None
    between: tuple[str, str] = ("", "")
    plate: int = -1

    @property
    def variances(self) -> NDArray:
        """(n,) of each reported quantity."""
        return (self.effects**2).sum(0)

    def excess(self, reported: Reported) -> float:
        """The largest of its variances among the targets' values, in units of their reported ones."""
        at = _of_targets(reported)
        return float((self.variances[at] / np.diag(reported.covariance)[at]).max(initial=0.0))


def unseen_moves(adjustment: Adjustment, plan: FramePlan, reported: Reported, kit: Kit) -> tuple[Unseen, ...]:
    """Moves of each fixture and of the vehicle between two photos; those that u covers are left out."""
    scores, o = SaddleScores(adjustment), adjustment.network.observed
    found = []
    for body, plates, poses in bodies(adjustment, plan, kit):
        groups = np.flatnonzero(np.isin(o.plate, plates))
        T_world_body = np.eye(4)
        T_world_body[:3, 3] = adjustment.state.poses[poses[: len(plates)], :3, 3].mean(0)
        ways, sizes = _ways(body, plan, adjustment)
        with_body = reported.J_state @ _tangents(adjustment, poses, T_world_body) @ ways
        for k in range(1, o.n_photos):
            after = groups[o.photo[groups] >= k]
            if len(after) in (0, len(groups)):
                continue
            told = scores.information(scores.displacement(after, T_world_body) @ ways, after)
            possible = _possible(told, sizes)
            # Values hold for the state that they come nearer to. What only the last photo shows is then no
            # other than a move after it, of which nobody can know; and so at the other end.
            mixed = reported.J_state @ told.through
            between = (o.photo_names[k - 1], o.photo_names[k])
            states = (Unseen(((mixed - now) @ possible).T, body, between) for now in (0.0, with_body))
            found.append(min(states, key=lambda state: state.excess(reported)))
    return tuple(u for u in found if u.excess(reported) > 1)


def unseen_scales(adjustment: Adjustment, plan: FramePlan, reported: Reported) -> tuple[Unseen, ...]:
    """Sheets of another scale than the kit says; those that u covers are left out."""
    scores, o = SaddleScores(adjustment), adjustment.network.observed
    declared = _declared(adjustment, plan, reported)
    found = []
    for k, plate in enumerate(o.plates):
        groups = np.flatnonzero(o.plate == k)
        told = scores.information(scores.scale_columns(groups), groups)
        for J, weights, off in declared:
            d = J @ told.through
            told = told._replace(s=told.s + d.T @ weights @ off, V=told.V + d.T @ weights @ d)
        possible = _possible(told, np.array([SCALE]))
        found.append(Unseen((reported.J_state @ told.through @ possible).T, plate=plate))
    return tuple(u for u in found if u.excess(reported) > 1)


def carried(reported: Reported, unseen: Sequence[Unseen], cause: str) -> Reported:
    """Variances that hold each of these, one at a time: where one says more than u, u becomes as large.

    What is missing is added in its direction, so that the correlations are its own; the line `cause` of
    the budget has all of it. Continuous: from "within what u says" on it grows from nothing.
    """
    own = np.diag(reported.covariance)
    wider = reported
    for one in sorted(unseen, key=lambda one: one.excess(reported), reverse=True):
        excess = one.excess(wider)
        if excess > 1:
            added = (1 - 1 / excess) * one.effects.T @ one.effects
            wider = replace(wider, covariance=wider.covariance + added)
    if wider is reported:
        return reported
    parts = {name: share * own for name, share in reported.shares.items()}
    return replace(wider, shares=budget({**parts, cause: np.diag(wider.covariance) - own}))


def with_unseen_scales(
    adjustment: Adjustment, plan: FramePlan, reported: Reported
) -> tuple[Reported, tuple[Unseen, ...]]:
    """The quantities with what these photos do not show of the sheets' scales, and which sheets these are."""
    sheets = unseen_scales(adjustment, plan, reported)
    return carried(reported, sheets, UNCHECKED_SHEETS), sheets


# --- words --------------------------------------------------------------------------------------------


def in_words(unseen: Sequence[Unseen], reported: Reported, units: Units) -> tuple[str, ...]:
    """What was not checked: the sheets together, and of each body its worst move."""
    sheets = [str(one.plate) for one in unseen if one.body is None]
    out = []
    if sheets:
        plates = f"plate{'s' if len(sheets) > 1 else ''} {' and '.join(sheets)}"
        out.append(
            f"the printed scale of {plates}, beyond what u now allows for (photos from one place do not show "
            "it: take one more that shows the plate from some metres to the side, together with others)"
        )
    worst = _worst_of_each_body(unseen, reported)
    return (*out, *(_move_words(one, reported, units) for one in worst))


def not_excluded(moves: Sequence[Unseen], reported: Reported, units: Units) -> str:
    """Why a placement is not proved to conform."""
    worst = _worst_of_each_body(moves, reported)
    return f"these photos do not exclude {' nor '.join(_move_words(one, reported, units) for one in worst)}."


def closing_photo(moves: Sequence[Unseen]) -> str:
    """What would show the moves."""
    bodies_moved = " and the ".join(dict.fromkeys(one.body.words for one in moves if one.body is not None))
    return (
        f"To prove that the {bodies_moved} stayed in place: touch nothing, take one more photo from "
        "where the first was taken, of the same plates, and measure all of them together."
    )


def _worst_of_each_body(unseen: Sequence[Unseen], reported: Reported) -> list[Unseen]:
    worst: dict[Body, Unseen] = {}
    for one in sorted((u for u in unseen if u.body is not None), key=lambda u: -u.excess(reported)):
        if one.body is not None:
            worst.setdefault(one.body, one)
    return list(worst.values())


def _move_words(one: Unseen, reported: Reported, units: Units) -> str:
    assert one.body is not None
    turn = "" if one.body.kind == "vehicle" else f" or {np.degrees(TURN_RAD):.1f} degrees"
    at = [i for i in _of_targets(reported) if one.variances[i] > reported.covariance[i, i]]
    bounds = {reported.keys[i].split(":")[1]: float(np.sqrt(3 * one.variances[i])) for i in at}
    effects = [
        f"the {LABELS[key]} by {units.length(b) if key.endswith('_mm') else f'{b:.2f} degrees'}"
        for key, b in bounds.items()
        if key in LABELS
    ]
    return (
        f"a move of the {one.body.words} between the photos {one.between[0]} and {one.between[1]}, "
        f"up to {units.length(MOVE_MM)}{turn}, which could change {' and '.join(effects)}"
    )


# --- reliability --------------------------------------------------------------------------------------


def _of_targets(reported: Reported) -> list[int]:
    """Which quantities belong to a target; the others are the vehicle's."""
    return [i for i, key in enumerate(reported.keys) if ":" in key]


def _possible(told: Information, sizes: NDArray) -> NDArray:
    """(k, k) directions of what a mistake may be: a column each, as long as its second moment's root.

    Args:
        sizes: (k,) what each of its terms is bounded by.
    """
    u = sizes / np.sqrt(3)
    values, vectors = np.linalg.eigh(told.V * np.outer(u, u))
    # As in hypotheses.quadratic_form: what the model itself takes up is rounding.
    shown = values > LEAST_SEPARABLE * np.trace(told.N * np.outer(u, u))
    information = np.where(shown, values, 0.0)
    mean = np.where(shown, vectors.T @ (u * told.s), 0.0) / (1 + information)
    root = np.linalg.cholesky(np.diag(1 / (1 + information)) + np.outer(mean, mean))
    return u[:, None] * vectors @ root


def _ways(body: Body, plan: FramePlan, adjustment: Adjustment) -> tuple[NDArray, NDArray]:
    """(6, k) tangents in world directions that a body may take unnoticed, and their sizes (k,)."""
    up = plan.up
    centre = {w.wheel: adjustment.state.poses[w.pose][:3, 3] for w in plan.wheels}
    forward = np.cross(centre["rear_left"] - centre["rear_right"], up)
    forward /= np.linalg.norm(forward)
    along, across = np.r_[forward, 0, 0, 0], np.r_[np.cross(up, forward), 0, 0, 0]
    if body.kind == "vehicle":
        return along[:, None], np.array([MOVE_MM])
    return np.column_stack([along, across, np.r_[0, 0, 0, up]]), np.array([MOVE_MM, MOVE_MM, TURN_RAD])


def _tangents(adjustment: Adjustment, poses: NDArray, T_world_body: NDArray) -> NDArray:
    """(n, 6) how the state's tangent answers when a body with these poses on it is displaced."""
    state = adjustment.state
    out = np.zeros((state.n_columns, DISPLACEMENT_TERMS))
    adjoints = geometry.adjoint(geometry.invert(state.poses[poses]) @ T_world_body)
    for pose, adjoint in zip(poses, adjoints, strict=True):
        out[state.pose_columns(int(pose))] = adjoint
    return out


def _declared(
    adjustment: Adjustment, plan: FramePlan, reported: Reported
) -> list[tuple[NDArray, NDArray, NDArray]]:
    """What else tells where wheels and floor plates are: d / d state, weights, measured - declared.

    Tracks and the floor's flatness take no part in the adjustment, so they are free to check it.
    """
    out = []
    for key, (nominal, u) in declared_tracks(plan.vehicle, reported).items():
        i = reported.keys.index(key)
        out.append((reported.J_state[i : i + 1], np.array([[u**-2]]), reported.values[i : i + 1] - nominal))
    if floor_is_checked(plan):
        h, P, _ = heights_off_plane(plan, adjustment)
        out.append((height_jacobians(plan, adjustment)[0], P, h))
    return out
