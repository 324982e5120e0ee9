"""Photo sets with known truth, as folders in the formats of FORMATS.md.

`python -m tools.make_set FOLDER --family mats_round` renders a set of one kind of target; of a family of two
rounds, two sets and the shift between them. `--mistake` plants one.
"""

import argparse
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calib_data.photoset import write_json_atomically
from tools.kind_families import FAMILIES, TWO_ROUNDS, draw_bay, draw_two_rounds
from tools.kind_mistakes import LABELLED, MISTAKES
from tools.kinds import R_MARK, Bay
from tools.render import Look, encode_photo, render_photo
from tools.scene import R_FIXTURE_FACE
from tools.shop import make_shop
from tools.truth import Scene, Truth, true_facts, true_values, views_in
from vision.kit import Fixture, Kit, Origin, Placement, Relation, Target, Vehicle


def write_set(
    rng: Generator,
    folder: Path,
    scene: Scene | Bay,
    title: str,
    *,
    looks: Sequence[Look] = (Look(),),
    quality: int = 90,
    after: Truth | None = None,
) -> None:
    """Render a scene's photos and write them with kit, placement, set and truth files.

    Args:
        looks: One for each photo, begun again where there are fewer.
        after: The truth after a movement between photos, where one was planted.
    """
    folder.mkdir(parents=True, exist_ok=True)
    shop = make_shop(rng, scene)
    for i, photo in enumerate(scene.photos):
        pixels = render_photo(rng, photo, shop, looks[i % len(looks)])
        (folder / photo.name).write_bytes(encode_photo(pixels, photo.exif, quality))
    placements = _write_placements(folder, scene)
    taken = scene.photos[0].exif.taken
    write_json_atomically(folder / "kit.json", kit_file(scene.kit, taken))
    set_file = {
        "format": "plumbsight.set/1",
        "title": title,
        **({"taken": taken[:10]} if taken else {}),
        "kit": "kit.json",
        "vehicle": vehicle_file(scene.vehicle),
        **placements,
        "photos": [photo.name for photo in scene.photos],
    }
    write_json_atomically(folder / "set.json", set_file)
    write_json_atomically(folder / "truth.json", truth_file(scene, after))


def _write_placements(folder: Path, scene: Scene | Bay) -> dict[str, Any]:
    """The placements' files, and what the set says of them; several are called as their fixtures are."""
    if len(scene.placements) == 1:
        write_json_atomically(folder / "placement.json", placement_file(scene.placements[0]))
        return {"placement": "placement.json"}
    for p in scene.placements:
        write_json_atomically(folder / f"{p.fixture}.json", placement_file(p))
    relations = [relation_file(r, scene.placements) for r in scene.relations]
    return {
        "placements": [f"{p.fixture}.json" for p in scene.placements],
        **({"relations": relations} if relations else {}),
    }


def kit_file(kit: Kit, taken: str | None = None) -> dict[str, Any]:
    """The kit as its file says it; clamps with measured offsets were measured on the day of the visit."""
    return {
        "format": "plumbsight.kit/1",
        "name": kit.name,
        "u_ruler_scale": kit.u_ruler_scale,
        "plates": {str(number): _plate(plate) for number, plate in kit.plates.items()},
        "wheels": {wheel: _clamp(clamp, taken) for wheel, clamp in kit.clamps.items()},
        "fixtures": {
            fixture.name: {
                "plates": [
                    {"plate": m.plate, **_body(m.T_fixture_plate, R_FIXTURE_FACE, m)} for m in fixture.mounts
                ],
                "targets": {t.name: _target(t) for t in fixture.targets},
            }
            for fixture in kit.fixtures
            if not fixture.is_mat
        },
        **({"mats": mats} if (mats := {f.name: _mat(f) for f in kit.fixtures if f.is_mat}) else {}),
        "floor": [asdict(plate) for plate in kit.floor],
        "scale_bars": [{**asdict(bar), "plates": list(bar.plates)} for bar in kit.scale_bars],
        "datum_plates": {
            d.name: {"plate": d.plate, "offset_mm": list(d.offset_mm), "u_mm": d.u_mm}
            for d in kit.datum_plates
        },
        "levels": [{"plate": one.plate, "up": one.axis, "u_deg": _degrees(one.u_rad)} for one in kit.levels],
    }


def _plate(plate: Any) -> dict[str, Any]:
    x, y = plate.printed_scale_xy
    measured = {"printed_scale": x} if x == y else {"printed_scale_xy": [x, y]}
    return {
        "layout": plate.layout,
        **({**measured, "u_printed_scale": plate.u_printed_scale} if plate.scale_is_measured else {}),
        "u_scale_difference": plate.u_scale_difference,
        "u_bow_mm": plate.u_bow_mm,
        "thickness_mm": plate.thickness_mm,
    }


def _clamp(clamp: Any, taken: str | None) -> dict[str, Any]:
    is_measured = any(clamp.eccentricity_mm) or any(clamp.tilt_rad)
    return {
        "plate": clamp.plate,
        "standoff_mm": clamp.standoff_mm,
        "u_standoff_mm": clamp.u_standoff_mm,
        "u_eccentricity_mm": clamp.u_eccentricity_mm,
        "u_tilt_deg": _degrees(clamp.u_tilt_rad),
        "eccentricity_mm": list(clamp.eccentricity_mm),
        "tilt_deg": [_degrees(angle) for angle in clamp.tilt_rad],
        **({"measured_on": taken[:10]} if is_measured and taken else {}),
    }


def _target(target: Target) -> dict[str, Any]:
    body, label = _body(target.T_fixture_target, np.eye(3), target), target.label
    if label is None:
        return body
    return {**body, "label": {"plate": label.plate, **_body(label.T_target_plate, R_FIXTURE_FACE, label)}}


def _mat(mat: Fixture) -> dict[str, Any]:
    """KINDS.md, "Mats": turns in the mat's plane only."""

    def in_plane(T: NDArray, R_at_zero: NDArray, body: Any) -> dict[str, Any]:
        R = T[:3, :3] @ R_at_zero.T
        return {
            "position_mm": [round(float(v), 6) for v in T[:2, 3]],
            "rotation_deg": _degrees(float(np.arctan2(R[1, 0], R[0, 0]))),
            "u_position_mm": body.u_position_mm,
            "u_rotation_deg": _degrees(body.u_rotation_rad),
        }

    return {
        "plates": [{"plate": m.plate, **in_plane(m.T_fixture_plate, np.eye(3), m)} for m in mat.mounts],
        "targets": {t.name: in_plane(t.T_fixture_target, R_MARK, t) for t in mat.targets},
        "u_flatness_mm": mat.mounts[0].u_flatness_mm,
    }


def _body(T: NDArray, R_at_zero: NDArray, body: Any) -> dict[str, Any]:
    """FORMATS.md: R = Rz @ Ry @ Rx @ R0, written as [rx, ry, rz]."""
    turn_deg = Rotation.from_matrix(T[:3, :3] @ R_at_zero.T).as_euler("ZYX", degrees=True)[::-1]
    return {
        "position_mm": [round(float(v), 6) for v in T[:3, 3]],
        "rotation_deg": [round(float(v), 9) + 0.0 for v in turn_deg],
        "u_position_mm": body.u_position_mm,
        "u_rotation_deg": _degrees(body.u_rotation_rad),
    }


def _degrees(angle_rad: float) -> float:
    return round(float(np.degrees(angle_rad)), 12)


def vehicle_file(vehicle: Vehicle) -> dict[str, Any]:
    return {key: value for key, value in asdict(vehicle).items() if value is not None}


def placement_file(placement: Placement) -> dict[str, Any]:
    return {
        "format": "plumbsight.placement/1",
        "name": placement.name,
        "fixture": placement.fixture,
        "target": placement.target,
        "reference_line": placement.reference_line,
        "datum": placement.datum,
        **({"facing_deg": _degrees(placement.facing_rad)} if placement.facing_rad else {}),
        **({"origin": _origin(placement.origin)} if placement.origin else {}),
        "values": {key: asdict(tolerance) for key, tolerance in placement.values.items()},
    }


def _origin(origin: Origin) -> dict[str, Any]:
    return {
        "at": origin.at,
        "offset_mm": list(origin.offset_mm),
        **({"u_mm": origin.u_mm} if origin.u_mm else {}),
        "axis_deg": _degrees(origin.axis_rad),
    }


def relation_file(relation: Relation, placements: Sequence[Placement]) -> dict[str, Any]:
    """What is asked of two placements together."""
    return {
        "format": "plumbsight.relation/1",
        "name": relation.name,
        "of": [placements[i].name for i in relation.of],
        "values": {key: asdict(tolerance) for key, tolerance in relation.values.items()},
    }


def truth_file(scene: Scene | Bay, after: Truth | None = None) -> dict[str, Any]:
    """What measuring must not read: true values, facts, lenses, and what each photo shows.

    Of a `Scene` the values of both lines; of a `Bay` those of each placement and relation, in their order.
    """
    return {
        "note": "known truth of a rendered set, for tests; measuring does not read this file",
        **(_true_of_bay(scene) if isinstance(scene, Bay) else _true_of_scene(scene, after)),
        "vehicle": true_facts(scene.truth),
        "photos": [
            {
                "file": photo.name,
                "f_px": photo.lens.fx_px,
                "centre_px": [photo.lens.cx_px, photo.lens.cy_px],
                "distortion": [float(term) for term in photo.lens.distortion],
                "T_camera_world": photo.T_camera_world.tolist(),
                "plates": [view.plate.number for view in views_in(photo)],
            }
            for photo in scene.photos
        ],
    }


def _true_of_scene(scene: Scene, after: Truth | None) -> dict[str, Any]:
    datum = scene.placement.datum

    def values(truth: Truth) -> dict[str, Any]:
        return {line: true_values(truth, line, datum) for line in ("centreline", "thrust_line")}

    return {
        "values": values(scene.truth),
        "values_after_movement": values(after) if after is not None else None,
    }


def _true_of_bay(bay: Bay) -> dict[str, Any]:
    return {
        "placements": [bay.true_values(i) for i in range(len(bay.placements))],
        "relations": [bay.true_relation(i) for i in range(len(bay.relations))],
    }


# --- every kind of target ---------------------------------------------------------------------------


def write_family(
    folder: Path,
    family: str,
    seed: int,
    *,
    n_photos: int | None = None,
    size_px: tuple[int, int] = (2000, 1500),
    with_label: bool = False,
    plumb: str = "",
    mistake: str = "",
) -> tuple[tuple[Path, Bay], ...]:
    """Render one set of a family, or both rounds of one, with a mistake planted where one is named.

    The photos are taken from where the plan for what is declared says, so a mistake takes nobody elsewhere.

    Returns:
        Each set's folder and what was photographed there.
    """
    rng = np.random.default_rng(seed)
    rounds: tuple[tuple[Path, Bay], ...]
    if family in TWO_ROUNDS:
        n = (n_photos, n_photos) if n_photos else (12, 13)
        bays, asked = draw_two_rounds(
            seed, family, n_photos=n, stations="planned", size_px=size_px, with_label=with_label
        )
        rounds = ((folder / "first", bays[0]), (folder / "second", bays[1]))
        folder.mkdir(parents=True, exist_ok=True)
        write_json_atomically(folder / "shift.json", asked)
    else:
        has_label = with_label or mistake in LABELLED
        bay = draw_bay(
            rng,
            family,
            n_photos=n_photos,
            stations="planned",
            size_px=size_px,
            with_label=has_label,
            plumb=plumb,
        )
        rounds = ((folder, MISTAKES[mistake](rng, bay) if mistake else bay),)
    for place, bay in rounds:
        write_set(rng, place, bay, f"rendered {family}, invented")
    return rounds


def main() -> None:
    """The words of `python -m tools.make_set`."""
    words = argparse.ArgumentParser(description="Render a photo set of one kind of target, with its truth.")
    words.add_argument("folder", type=Path)
    words.add_argument("--family", choices=[*FAMILIES, *TWO_ROUNDS], required=True)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--photos", type=int, help="the family's own number unless given")
    words.add_argument("--size", type=int, nargs=2, default=(2000, 1500), metavar=("WIDTH", "HEIGHT"))
    words.add_argument("--label", action="store_true", help="the first target carries a label plate")
    words.add_argument("--plumb", choices=("y", "z", "yz"), default="", help="level plates: hanging, lying")
    words.add_argument("--mistake", choices=[*MISTAKES], default="", help="planted into the set")
    asked = words.parse_args()
    write_family(
        asked.folder,
        asked.family,
        asked.seed,
        n_photos=asked.photos,
        size_px=(asked.size[0], asked.size[1]),
        with_label=asked.label,
        plumb=asked.plumb,
        mistake=asked.mistake,
    )


if __name__ == "__main__":
    main()
