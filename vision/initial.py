"""From nothing to an adjustment: start values grown from one photo, tried from others where that fails."""

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision.adjust import Adjustment, Network, RobustStart, adjust_on, robust_start
from vision.errors import NotEnoughError
from vision.least_squares import SingularError, State
from vision.rejection import REJECTION_LIMIT
from vision.votes import Edge, Growth, Node, edges_in_photos, edges_on_fixtures

# A fit that rejects more of its points, or misfits the photos' noise by more (chi-square by redundancy), may
# have grown from a mirrored pose: other photos are tried, so many in all. Common practice, no source.
LARGEST_REJECTED, LARGEST_MISFIT, N_TRIES = 0.05, 1.5, 4
# Of one photo's start, so many doubts are tried both ways.
MOST_DOUBTS = 4


def _start(
    network: Network, edges: Sequence[Edge], seed: int, turned: Collection[Node] = ()
) -> tuple[State, tuple[Node, ...]]:
    """Start values grown from one photo (an index), and what is doubtful in them.

    The network must hang together.

    Args:
        turned: As of Growth.grow.
    """
    o, u = network.observed, network.unknowns
    growth = Growth(edges, o.n_photos + u.n_fixtures, u.n_plates, network)
    growth.grow(seed, turned)
    poses = np.concatenate([growth.T_body[: o.n_photos], growth.T_plate, growth.T_body[o.n_photos :]])
    values = np.zeros(u.n_values)
    for index, lens in zip(u.lens_values(), network.lens_priors, strict=True):
        values[index] = lens.mean
    return State(poses, values), growth.doubtful


def _surest_start(network: Network, edges: Sequence[Edge], seed: int) -> RobustStart:
    """Adjusted robustly from one photo's start values; what is doubtful is tried both ways if they misfit.

    Where all that joins two halves of a set is one plate in one photo, seen nearly head-on, either way
    round looks alike to the votes, and the wrong one may still misfit less than noisy photos do.

    Raises:
        SingularError: Something is not determined.
    """
    start, doubtful = _start(network, edges, seed)
    best = robust_start(network, start)
    turned: tuple[Node, ...] = ()
    for node in doubtful[:MOST_DOUBTS]:
        if best.is_within_noise:
            break
        other, _ = _start(network, edges, seed, (*turned, node))
        try:
            robust = robust_start(network, other, rival=best)
        except (SingularError, np.linalg.LinAlgError):
            continue
        if robust.badness < best.badness:
            best, turned = robust, (*turned, node)
    return best


def _clearest_first(edges: Sequence[Edge], n_photos: int) -> NDArray:
    """Photos (indices), the one whose plates tell most clearly how they are turned first."""
    clarity = np.zeros(n_photos)
    for e in edges:
        if e.body < n_photos:
            clarity[e.body] += e.costs.max() * np.sqrt(e.extent_px)
    return np.argsort(-clarity, kind="stable")


def start_without_mounts(network: Network, seen: Sequence[Edge]) -> State:
    """Start values from the photos alone, with no fixture; nan for what only a fixture would join.

    Args:
        seen: As of votes.edges_in_photos.
    """
    free = replace(network, kit=replace(network.kit, fixtures=()))
    start, _ = _start(free, seen, int(_clearest_first(seen, network.observed.n_photos)[0]))
    return start


def adjust_from_nothing(
    network: Network, n_tries: int = N_TRIES, seen: Sequence[Edge] | None = None
) -> Adjustment:
    """Adjust a set that hangs together, from start values of its own.

    Grows from the photo with the clearest votes first. If the result does not look like an optimum
    (misfit far above the noise, many points rejected), the next photos are tried, and the best
    result is kept: a start that fell into a mirrored pose costs far more than the true one.

    Args:
        seen: As of votes.edges_in_photos, where they are known already.

    Raises:
        NotEnoughError: The unknowns are not determined by these photos.
    """
    edges = (*(edges_in_photos(network) if seen is None else seen), *edges_on_fixtures(network))
    tried: list[RobustStart] = []
    best: Adjustment | None = None
    for seed in _clearest_first(edges, network.observed.n_photos)[:n_tries]:
        try:
            robust = _surest_start(network, edges, int(seed))
            # Two starts that end alike have found the optimum, such as it is: a third would find it again.
            if any(robust.is_like(other) for other in tried):
                break
            tried.append(robust)
            # Worse than another start, it would be a worse adjustment too.
            found = adjust_on(network, robust) if robust is min(tried, key=lambda r: r.badness) else None
        except (SingularError, np.linalg.LinAlgError):
            continue
        if found is not None and (best is None or _badness(found) < _badness(best)):
            best = found
        if best is not None and looks_settled(best):
            break
    if best is None:
        raise NotEnoughError(
            "The photos do not fix where the plates stand. Take more photos, each with at least two plates "
            "and from clearly different places."
        )
    return best


def looks_settled(adjustment: Adjustment) -> bool:
    """Whether the fit is near the noise: converged, few points rejected, chi-square as expected."""
    n_rejected, n_used = int(adjustment.rejected.sum()), int(adjustment.saddles.observed.used.sum())
    return bool(
        adjustment.solution.converged
        and n_rejected < LARGEST_REJECTED * (n_rejected + n_used)
        and adjustment.image_chi2 < LARGEST_MISFIT * adjustment.image_redundancy
    )


def _badness(adjustment: Adjustment) -> float:
    """Misfit, with every rejected point counted well above the limit at which points are rejected."""
    return adjustment.chi2 + 2 * REJECTION_LIMIT * float(adjustment.rejected.sum())
