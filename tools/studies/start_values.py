"""Whether every set finds the optimum from nothing, as from the truth.

`python -m tools.studies.start_values --sets 500 --jobs 2`

Sets of 4 to 20 photos that hang together, the phone's stated focal length off by 5 %, 1 % gross errors,
the target at 1.2 to 6 m. A set is right when its cost is within 0.01 of that of an adjustment
started at the true poses; wrong in silence when it is not and nothing says so.
The goal: 499 of 500 right, none wrong in silence.
"""

from collections import Counter
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from calib_data.layouts import load_layouts
from tools.scene import make_scene
from tools.simulate import observe_scene
from tools.studies.counting import run, share, study_words, table
from tools.studies.situations import rng_of
from tools.truth import Scene, hangs_together
from vision.adjust import Adjustment, Network, adjust
from vision.errors import PlumbsightError
from vision.initial import adjust_from_nothing, looks_settled
from vision.least_squares import SingularError, State
from vision.lenses import lens_prior
from vision.observe import Sighting
from vision.parameters import LensPrior
from vision.sightings import network_of

FOCAL_OFF = 0.05
COST_LIMIT = 0.01
MOST_DRAWS = 50
MOST_OTHER_POINTS = 5


@dataclass(frozen=True)
class Start:
    """How one set started.

    `verdict`: `right`, `better` (than from the truth), `says so` (an error, or it does not look settled),
    `silent`, or `undetermined` (the photos do not fix it, not even from the truth).
    """

    index: int
    n_photos: int
    verdict: str
    excess: float
    says: str = ""


def draw_scene(rng: np.random.Generator) -> Scene:
    """A scene whose photos hang together; others are drawn anew."""
    for _ in range(MOST_DRAWS):
        scene = make_scene(
            rng,
            target_distance_mm=float(rng.uniform(1200, 6000)),
            n_photos=int(rng.integers(4, 21)),
            stations=str(rng.choice(["walk", "chosen"])),
        )
        if hangs_together(scene):
            return scene
    raise RuntimeError("no scene hangs together")


def problem_of(rng: np.random.Generator, scene: Scene) -> Network:
    """The set to adjust, with the focal length declared 5 % too long or too short."""
    found = observe_scene(rng, scene, outlier_share=0.01)
    sightings = tuple(Sighting(f.name, f.size_px, 0, f.detections) for f in found if f.detections)
    focal_px = scene.photos[0].lens.fx_px * (1 + FOCAL_OFF * rng.choice([-1, 1]))
    prior = lens_prior(scene.photos[0].exif, scene.photos[0].size_px)
    mean, covariance = prior.mean.copy(), prior.covariance.copy()
    mean[0] = focal_px
    covariance[0, 0] = (FOCAL_OFF * focal_px) ** 2
    layouts = {layout.name: layout for layout in load_layouts()}
    return network_of(sightings, (LensPrior(mean, covariance),), scene.kit, layouts)[1]


def true_state(network: Network, scene: Scene) -> State:
    """Where everything truly is, as the unknowns count it."""
    o, u = network.observed, network.unknowns
    photos = {photo.name: photo for photo in scene.photos}
    plates = {plate.number: plate for plate in scene.plates}
    poses = [np.linalg.inv(photos[name].T_camera_world) for name in o.photo_names]
    poses += [plates[number].T_world_plate for number in o.plates]
    for k in network.fixtures():
        mount = next(m for m in network.kit.fixtures[k].mounts if m.plate in o.plates)
        poses.append(plates[mount.plate].T_world_plate @ np.linalg.inv(mount.T_fixture_plate))
    values = np.zeros(u.n_values)
    lens = scene.photos[0].lens
    values[u.lens_values()[0]] = [lens.fx_px, lens.cx_px, lens.cy_px, *lens.distortion, lens.aspect]
    return State(np.array(poses), values)


def start_one(seed: int, index: int) -> Start:
    rng = rng_of(seed, index)
    scene = draw_scene(rng)
    network = problem_of(rng, scene)
    n = network.observed.n_photos
    try:
        best = adjust(network, true_state(network, scene))
    except (SingularError, np.linalg.LinAlgError):
        return Start(index, n, "undetermined", np.nan)
    try:
        found = adjust_from_nothing(network)
    except PlumbsightError as error:
        return Start(index, n, "says so", np.nan, str(error))
    # Points at the limit may go either way; a plate lost in one photo is another result.
    n_other = int((found.rejected != best.rejected).sum())
    excess = (readjusted(found, best) if n_other else found).chi2 - best.chi2
    if n_other > MOST_OTHER_POINTS:
        excess = max(excess, float(n_other))
    if abs(excess) <= COST_LIMIT:
        return Start(index, n, "right", excess)
    if excess < 0:
        return Start(index, n, "better", excess)
    return Start(index, n, "silent" if looks_settled(found) else "says so", excess)


def readjusted(found: Adjustment, best: Adjustment) -> Adjustment:
    """From where `found` ended, with the points that `best` rejected left out: are they the same optimum?"""
    network = replace(found.network, observed=best.network.observed.with_noise_scaled(1 / best.noise_factor))
    return adjust(network, found.state, grades=())


def summary(starts: list[Start]) -> str:
    determined = [s for s in starts if s.verdict != "undetermined"]
    counts = Counter(s.verdict for s in determined)
    rows = [
        [verdict, counts[verdict], share(counts[verdict], len(determined))]
        for verdict in ("right", "better", "says so", "silent")
    ]
    lines = [
        table(("start", "sets", "share"), rows),
        f"undetermined, even from the truth: {len(starts) - len(determined)}",
    ]
    lines += [
        f"set {s.index} ({s.n_photos} photos): {s.verdict}, cost above by {s.excess:.2f} {s.says[:120]}"
        for s in determined
        if s.verdict != "right"
    ]
    return "\n".join(lines)


def main() -> None:
    words = study_words("Start values: from nothing as from the truth.", 500).parse_args()
    print(summary(list(run(partial(start_one, words.seed), words.jobs, range(words.sets)))))


if __name__ == "__main__":
    main()
