"""What a worker makes of an upkeep's photos: a proof by a bar, a taught kit, a lens. A slide's are rounds.

Each function takes a group of photos as they were found, and what was asked; what it gives is kept as the
group's measuring, in place of a round's result.
"""

import datetime
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from api.photos.work import MeasuredRound, RoundToMeasure, found_of, nothing_to_measure, pack
from calib_data.convert import with_fixture, with_sheets
from calib_data.formats import KitFile
from calib_data.layouts import load_layouts
from calib_data.observations import to_observations
from calib_data.photoset import PhotoSet, photo_set_of
from calib_data.proof import proof_file
from calib_data.taught import (
    fixture_remarks,
    lens_label,
    profile_file,
    sheet_remarks,
    taught_kit,
    turned_deg,
)
from vision.errors import InputFileError, NotEnoughError
from vision.kit import Mount
from vision.layout import Layout
from vision.profile import LensFit, fit_lenses
from vision.proof import measured_length, proved_bar
from vision.sheetscales import TaughtSheet, teach_sheets
from vision.sightings import FoundPhoto
from vision.teach import InTargetsPlace, teach_fixture

Json = dict[str, Any]
Layouts = Mapping[str, Layout]
Make = Callable[[Sequence[FoundPhoto], PhotoSet, Layouts, Json], Json]


def measure_bar(job: RoundToMeasure, asked: Json) -> MeasuredRound:
    """A bar's length against what is known of it: plumbsight.proof/1."""
    return _made(job, asked, _bar)


def learn_fixture(job: RoundToMeasure, asked: Json) -> MeasuredRound:
    """A fixture's entry: the kit with it, and what is to be said of it."""
    return _made(job, asked, _fixture)


def compare_sheets(job: RoundToMeasure, asked: Json) -> MeasuredRound:
    """The sheets against each other: the kit with their scales, and what is to be said of them."""
    return _made(job, asked, _sheets)


def find_lenses(job: RoundToMeasure, asked: Json) -> MeasuredRound:
    """The lens of each phone: plumbsight.camera/1 where the photos fix it, and why not where they do not."""
    return _made(job, asked, _lenses)


FUNCTIONS = {
    "bar": measure_bar,
    "fixture": learn_fixture,
    "sheets": compare_sheets,
    "lens": find_lenses,
}


def _made(job: RoundToMeasure, asked: Json, make: Make) -> MeasuredRound:
    found = list(found_of(job))
    if not found:
        return nothing_to_measure(job)
    layouts = {layout.name: layout for layout in load_layouts()}
    try:
        photo_set = photo_set_of(job.title, job.kit, job.vehicle, (), cameras=job.cameras)
        made = make(found, photo_set, layouts, asked)
    except (NotEnoughError, InputFileError) as wrong:
        return MeasuredRound(str(wrong))
    return MeasuredRound("", made, pack(to_observations(found)))


def _bar(found: Sequence[FoundPhoto], photo_set: PhotoSet, layouts: Layouts, asked: Json) -> Json:
    first, second = asked["plates"]
    measured = measured_length(found, photo_set.kit, layouts, (first, second), photo_set.profiles)
    proof = proved_bar(measured.length_mm, measured.u_mm, asked["length_mm"], asked["u_length_mm"])
    file = proof_file(
        proof,
        found,
        today=datetime.datetime.now(datetime.UTC).date().isoformat(),
        kit=photo_set.kit.name,
        kit_sha256=photo_set.kit_text.sha256,
        plates=(first, second),
        budget=measured.budget,
    )
    return file.model_dump(exclude_none=True)


def _fixture(found: Sequence[FoundPhoto], photo_set: PhotoSet, layouts: Layouts, asked: Json) -> Json:
    offset = asked.get("offset_mm")  # upkeeps begun before it was asked have none
    stand_in = InTargetsPlace(
        asked["target_plate"],
        tuple(offset) if offset else None,
        asked["u_offset_mm"],
        float(np.radians(asked["u_turn_deg"])),
    )
    taught = teach_fixture(
        found,
        photo_set.kit,
        layouts,
        asked["name"],
        stand_in,
        target=asked["target"],
        plates=tuple(asked["plates"]),
        profiles=photo_set.profiles,
    )
    entry = taught.fixture
    bodies = [(f"plate {m.plate}", m, m.T_fixture_plate, turned_deg(m)) for m in entry.mounts]
    rows = [_body(what, body, T, turned) for what, body, T, turned in bodies]
    rows += [_body(target.name, target, target.T_fixture_target, 0.0) for target in entry.targets]
    return {
        "bodies": rows,
        "says": [*taught.says, *fixture_remarks(taught, photo_set.kit)],
        "kit": taught_kit(with_fixture(_kit_file(photo_set), entry)),
    }


def _body(what: str, body: Mount | Any, T: Any, turned: float) -> Json:
    return {
        "what": what,
        "position_mm": [round(float(value), 3) for value in T[:3, 3]],
        "u_position_mm": round(body.u_position_mm, 4),
        "turned_deg": round(turned, 3),
        "u_rotation_deg": round(float(np.degrees(body.u_rotation_rad)), 4),
    }


def _sheets(found: Sequence[FoundPhoto], photo_set: PhotoSet, layouts: Layouts, asked: Json) -> Json:
    taught = teach_sheets(found, photo_set.kit, layouts, photo_set.profiles)
    new = {s.after.number: s.after for s in taught.sheets} | {a.number: a for _, a in taught.unseen}
    return {
        "sheets": [_sheet(sheet) for sheet in taught.sheets],
        "says": list(sheet_remarks(taught, photo_set.kit)),
        "kit": taught_kit(with_sheets(_kit_file(photo_set), new, taught.u_ruler_scale)),
    }


def _sheet(sheet: TaughtSheet) -> Json:
    before, after = sheet.before, sheet.after
    ruler = round(float(np.mean(before.printed_scale_xy)), 6) if before.scale_is_measured else None
    return {
        "plate": before.number,
        "n_photos": sheet.n_photos,
        "ruler": ruler,
        "u_ruler": round(before.u_printed_scale, 6),
        "scale": round(float(np.mean(after.printed_scale_xy)), 6),
        "u_scale": round(after.u_printed_scale, 6),
        "disagrees": sheet.disagrees,
    }


def _lenses(found: Sequence[FoundPhoto], photo_set: PhotoSet, layouts: Layouts, asked: Json) -> Json:
    sha256 = {photo.name: photo.sha256 for photo in found}
    return {"lenses": [_lens(fit, sha256) for fit in fit_lenses(found, photo_set.kit, layouts)]}


def _lens(fit: LensFit, sha256: Mapping[str, str]) -> Json:
    file = profile_file(fit, [sha256[name] for name in fit.photos])
    says = list(fit.says)
    if file is None and fit.profile is not None:
        says.append(
            "The photos' EXIF names neither make nor model, so that nobody could tell later which photos are "
            "of this lens. Use the phone's original files."
        )
    u_f_px = float(np.sqrt(fit.covariance[0, 0]))
    return {
        "label": lens_label(fit),
        "n_photos": len(fit.photos),
        "f_px": [round(float(fit.mean[0]), 2), round(u_f_px, 2)] if file else None,
        "u_focal": round(fit.u_focal, 7) if file else None,
        "u_corner_px": round(fit.u_corner_px, 3) if file else None,
        "says": says,
        "file": file.model_dump(exclude_none=True) if file else None,
    }


def _kit_file(photo_set: PhotoSet) -> KitFile:
    return KitFile.model_validate_json(photo_set.kit_text.text)
