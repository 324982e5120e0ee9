"""What photos teach a kit, and what proofs say of it: do the intervals hold, and what is found?

`python -m tools.studies.teaching --sets 300 --seed 11 --jobs 2`

- fixture: two plates on a fixture, off by 10 mm and 3 degrees, a third in the target's place; eight photos, a
  scale bar in view in one set of three. The taught entry then measures a round of twelve photos.
- sheets: four to ten sheets on the floor and on supports, eight to twelve photos, a bar in one set of three,
  up to three more sheets in the kit that no photo shows.
- bar: four sheets and a bar of 1000 mm with a sheet at each end, eight photos; its length is known to 0.2 mm.
- slide: two rounds of ten photos, the fixture slid by 10.0 mm (0.1 mm) away from the vehicle between them.

Bar and slide also with all sheets printed 1 % larger than the kit says.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from calib_data.layouts import load_layouts
from calib_data.proof import slide_of
from tools.mistakes import all_sheets_scaled, fixture_moved
from tools.plates_alone import (
    Prints,
    bar_about,
    bar_before,
    fixture_errors,
    photographed,
    places_round,
    prints_of,
    sheets_about,
    with_stand_in,
)
from tools.scene import BAR_MM, BAR_PLATES, Care, make_scene
from tools.simulate import observe_scene
from tools.studies.counting import run, share, study_words, table
from tools.studies.two_rounds import result_of
from tools.truth import Scene, TruePlate, true_values
from vision.errors import PlumbsightError
from vision.kit import Mount, Plate, ScaleBar, Target
from vision.measure import measure_found
from vision.placement import VALUE_KEYS
from vision.proof import COVERAGE_95, FLAGGED, UNDECIDED, measured_length, proved_bar
from vision.sheetscales import teach_sheets
from vision.teach import InTargetsPlace, TaughtFixture, teach_fixture

LAYOUTS = {layout.name: layout for layout in load_layouts()}
CARE = Care()
# The kit's own entry is a sketch: it is what teaching replaces.
ROUGH = replace(CARE, u_mount_mm=10.0, u_mount_deg=3.0)
STAND_IN = 20
U_KNOWN_MM = 0.2
FACTOR = 1.01
BY_MM, U_BY_MM = 10.0, 0.1


@dataclass(frozen=True, eq=False)
class Outcome:
    """One set.

    Attributes:
        z: By what was taught, errors over u.
        u: The u that go with them, in mm, degrees and parts of a thousand.
        verdict: Of a proof; `says` where there is no result.
    """

    z: dict[str, NDArray] = field(default_factory=dict)
    u: dict[str, float] = field(default_factory=dict)
    verdict: str = ""
    says: str = ""


# --- fixture
# --------------------------------------------------------------------------------------------------


def fixture_once(seed: int, index: int) -> Outcome:
    """A fixture taught, and a round measured with what was taught."""
    rng = np.random.default_rng([seed, index, 1])
    with_bar = index % 3 == 0
    scene = make_scene(rng, n_photos=12, care=CARE, drawn=ROUGH, with_bar=with_bar,
                       target_distance_mm=float(rng.uniform(1500, 4000)))  # fmt: skip
    bar = bar_before(scene) if with_bar else ()
    photos = with_stand_in(rng, scene, STAND_IN, also=bar)
    try:
        taught = teach_fixture(
            observe_scene(rng, photos), scene.kit, LAYOUTS, "front", InTargetsPlace(STAND_IN)
        )
        kit = replace(scene.kit, fixtures=(taught.fixture,))
        measured = measure_found(
            observe_scene(rng, scene), kit, scene.vehicle, [scene.placement], load_layouts()
        )
    except PlumbsightError as wrong:
        return Outcome(says=str(wrong))
    z, u = _of_fixture(rng, taught, scene)
    true = true_values(scene.truth, scene.placement.reference_line, scene.placement.datum)
    for key in VALUE_KEYS:
        u[f"measured with it: {key}"] = measured.reported.u(f"0:{key}")
        off = measured.reported.value(f"0:{key}") - true[key]
        z[f"measured with it: {key}"] = np.array([off / measured.reported.u(f"0:{key}")])
    return Outcome(z, u)


def _of_fixture(
    rng: Generator, taught: TaughtFixture, scene: Scene
) -> tuple[dict[str, NDArray], dict[str, float]]:
    errors = (taught.inner @ fixture_errors(taught.fixture, scene)).reshape(-1, 2, 3)
    u_joint = np.sqrt(np.diag(taught.covariance)).reshape(-1, 2, 3)
    bodies: list[Mount | Target] = [*taught.fixture.mounts, *taught.fixture.targets]
    u_kit = np.array([[body.u_position_mm, body.u_rotation_rad] for body in bodies])
    ways = rng.normal(0, 1, errors.shape)
    ways /= np.linalg.norm(ways, axis=-1, keepdims=True)
    z_any = (errors * ways).sum(-1) / u_kit
    z, u = {}, {}
    for name, rows in (("plates", slice(0, -1)), ("target", slice(-1, None))):
        for k, what in enumerate(("position", "rotation")):
            z[f"{name}: {what}"] = (errors[rows, k] / u_joint[rows, k]).ravel()
            z[f"{name}: {what}, u of the kit, any direction"] = z_any[rows, k].ravel()
            unit = 1.0 if what == "position" else np.degrees(1.0)
            u[f"{name}: {what}"] = float(np.median(u_joint[rows, k]) * unit)
            u[f"{name}: {what}, u of the kit, any direction"] = float(np.median(u_kit[rows, k]) * unit)
    return z, u


# --- sheets
# ---------------------------------------------------------------------------------------------------


def sheets_once(seed: int, index: int) -> Outcome:
    """Sheets measured against each other."""
    rng = np.random.default_rng([seed, index, 2])
    prints = prints_of(rng, CARE)
    plates = sheets_about(prints, range(int(rng.integers(4, 11))))
    bars: tuple[ScaleBar, ...] = ()
    if index % 3 == 0:
        plates += bar_about(prints, BAR_PLATES, BAR_MM + rng.normal(0, CARE.u_bar_mm))
        bars = (ScaleBar(BAR_PLATES, BAR_MM, CARE.u_bar_mm),)
    scene = photographed(rng, plates, places_round(rng, int(rng.integers(8, 13))), CARE, bars=bars)
    away = [prints.plate(50 + k, np.eye(4)) for k in range(int(rng.integers(0, 4)))]
    kit = replace(scene.kit, plates={**scene.kit.plates, **{d.number: d for _, d in away}})
    try:
        taught = teach_sheets(observe_scene(rng, scene), kit, LAYOUTS)
    except PlumbsightError as wrong:
        return Outcome(says=str(wrong))
    errors = np.array(
        [
            error - _true_error(plates, s.before)
            for s, error in zip(taught.sheets, taught.scale_errors, strict=True)
        ]
    )
    return _of_sheets(
        errors,
        taught.covariance,
        np.array([s.after.u_printed_scale for s in taught.sheets]),
        taught.u_ruler_scale,
        np.array([a.u_printed_scale for _, a in taught.unseen]),
        np.array([_true_error([*plates, *away], b) for b, _ in taught.unseen]),
        with_bar=taught.with_bar,
        named=any(s.disagrees for s in taught.sheets),
    )


def _true_error(plates: Sequence[tuple[TruePlate, Plate]], declared: Plate) -> float:
    """Relative, of the declared scale."""
    true = next(t for t, d in plates if d.number == declared.number)
    return float(np.mean(true.scale_xy) / np.mean(declared.printed_scale_xy) - 1)


def _of_sheets(
    errors: NDArray,
    S: NDArray,
    u_own: NDArray,
    u_common: float,
    u_unseen: NDArray,
    unseen_errors: NDArray,
    *,
    with_bar: bool,
    named: bool,
) -> Outcome:
    k, bar = len(errors), "with a bar" if with_bar else "no bar"
    against = np.eye(k) - 1 / k  # a sheet against the mean of all
    u_against = np.sqrt(np.diag(against @ S @ against.T))
    u_kit = np.sqrt(np.diag(against @ np.diag(u_own**2) @ against.T))
    z = {
        f"{bar}: scale": errors / np.sqrt(np.diag(S)),
        f"{bar}: scale against the mean": against @ errors / u_against,
        f"{bar}: scale, u of the kit": errors / np.hypot(u_own, u_common),
        f"{bar}: scale against the mean, u of the kit": against @ errors / u_kit,
    }
    u = {
        f"{bar}: scale": 1e3 * float(np.median(np.sqrt(np.diag(S)))),
        f"{bar}: scale against the mean": 1e3 * float(np.median(u_against)),
        f"{bar}: scale, u of the kit": 1e3 * float(np.median(np.hypot(u_own, u_common))),
        f"{bar}: scale against the mean, u of the kit": 1e3 * float(np.median(u_kit)),
    }
    if len(u_unseen):
        # Corrected by nothing: the error that is left is the kit's own.
        key = f"{bar}: sheets not seen against those seen, u of the kit"
        u_between = np.sqrt(u_unseen**2 + (u_own**2).sum() / k**2)
        z[key] = (-unseen_errors - errors.mean()) / u_between
        u[key] = 1e3 * float(np.median(u_between))
    return Outcome(z, u, "a sheet named" if named else "")


# --- proofs
# ---------------------------------------------------------------------------------------------------


def bar_once(seed: int, factor: float, index: int) -> Outcome:
    """A bar held out, measured; all sheets printed by `factor` larger than the kit says."""
    rng = np.random.default_rng([seed, index, 3])
    prints: Prints = prints_of(rng, CARE)
    plates = sheets_about(prints, range(4))
    plates += bar_about(prints, BAR_PLATES, BAR_MM + rng.normal(0, U_KNOWN_MM), (0, -600, 25))
    plates = [(_scaled(true, factor), declared) for true, declared in plates]
    scene = photographed(rng, plates, places_round(rng, 8), CARE)
    try:
        measured = measured_length(observe_scene(rng, scene), scene.kit, LAYOUTS, BAR_PLATES)
    except PlumbsightError as wrong:
        return Outcome(says=str(wrong))
    proof = proved_bar(measured.length_mm, measured.u_mm, BAR_MM, U_KNOWN_MM)
    return Outcome(
        {"bar": np.array([proof.difference / proof.u_difference])},
        {"bar": proof.u_difference, "shows": proof.shows},
        proof.verdict,
    )


def _scaled(plate: TruePlate, factor: float) -> TruePlate:
    x, y = plate.scale_xy
    return replace(plate, scale_xy=(x * factor, y * factor))


def slide_once(seed: int, factor: float, index: int) -> Outcome:
    """A fixture slid between two rounds of one scene."""
    rng = np.random.default_rng([seed, index, 4])
    distance_mm = float(rng.uniform(1500, 4000))
    # All that is not photos is drawn first, so the same seed gives the same scene with other photos.
    scenes = [
        make_scene(
            np.random.default_rng([seed, index, 5]), n_photos=n, care=CARE, target_distance_mm=distance_mm
        )
        for n in (10, 11)
    ]
    away = scenes[1].truth.T_world_target[:3, 0] * [1.0, 1.0, 0.0]
    way_mm = (BY_MM + rng.normal(0, U_BY_MM)) * away / np.linalg.norm(away)
    pair = [scenes[0], fixture_moved(scenes[1], 0, way_mm, 0.0).scene]
    try:
        results = [result_of(all_sheets_scaled(scene, factor).scene, rng) for scene in pair]
        proof = slide_of(results, "distance_mm", BY_MM, U_BY_MM)
    except PlumbsightError as wrong:
        return Outcome(says=str(wrong))
    return Outcome(
        {"slide": np.array([proof.difference / proof.u_difference])},
        {"slide": proof.u_difference, "shows": proof.shows},
        proof.verdict,
    )


# --- counted
# --------------------------------------------------------------------------------------------------


def coverage(outcomes: Sequence[Outcome]) -> str:
    """How often 95 % intervals hold the truth, line by line."""
    keys = list(dict.fromkeys(key for o in outcomes for key in o.z))
    rows = []
    for key in keys:
        z = np.concatenate([o.z[key] for o in outcomes if key in o.z])
        u = np.median([o.u[key] for o in outcomes if key in o.u])
        inside = int((abs(z) <= COVERAGE_95).sum())
        n_sets = sum(key in o.z for o in outcomes)
        rows.append([key, str(n_sets), share(inside, len(z)), f"{np.sqrt((z**2).mean()):.3f}", f"{u:.4f}"])
    return table(("what", "sets", "in the 95 % interval", "rms z", "median u"), rows)


def proofs(named: Sequence[tuple[str, Sequence[Outcome]]]) -> str:
    """Verdicts, kit by kit."""
    rows = []
    for name, outcomes in named:
        done = [o for o in outcomes if not o.says]
        counts = [sum(o.verdict == verdict for o in done) for verdict in ("passed", FLAGGED, UNDECIDED)]
        z = np.concatenate([next(iter(o.z.values())) for o in done]) if done else np.array([np.nan])
        shows = np.median([o.u["shows"] for o in done]) if done else np.nan
        rows.append(
            [name, f"{len(done)} of {len(outcomes)}", *(share(count, len(done)) for count in counts),
             f"{np.sqrt((z**2).mean()):.2f}", f"{shows:.2f}"]
        )  # fmt: skip
    return table(("proof", "done", "passed", "flagged", "undecided", "rms z", "shows mm (median)"), rows)


def _says(outcomes: Sequence[Outcome]) -> list[str]:
    return [f"no result: {o.says[:150]}" for o in outcomes if o.says]


def main() -> None:
    words = study_words(__doc__ or "", 300)
    words.add_argument("--only", choices=["fixture", "sheets", "bar", "slide"], help="one part of it")
    given = words.parse_args()
    parts = [given.only] if given.only else ["fixture", "sheets", "bar", "slide"]
    sets = range(given.sets)
    for part in parts:
        if part in ("fixture", "sheets"):
            once = fixture_once if part == "fixture" else sheets_once
            outcomes = list(run(partial(once, given.seed), given.jobs, sets))
            lines = [coverage(outcomes), *_says(outcomes)]
            accused = sum(o.verdict == "a sheet named" for o in outcomes)
            lines += [f"sets with a sheet named: {share(accused, len(outcomes))}"] if part == "sheets" else []
        else:
            proof = bar_once if part == "bar" else slide_once
            kits = [
                (name, list(run(partial(proof, given.seed, factor), given.jobs, sets)))
                for name, factor in ((f"{part}, correct kit", 1.0), (f"{part}, all sheets 1 % off", FACTOR))
            ]
            lines = [proofs(kits), *(line for _, outcomes in kits for line in _says(outcomes))]
        print("\n".join([part, *lines, ""]), flush=True)


if __name__ == "__main__":
    main()
