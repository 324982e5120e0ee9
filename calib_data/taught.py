"""What photos taught, as files and in words: a kit's fixture, its sheets against each other, a lens."""

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from calib_data.convert import from_profile
from calib_data.crosschecks import camera_problems, kit_problems
from calib_data.formats import CameraFile, KitFile
from calib_data.layouts import load_layouts
from calib_data.reading import check, raise_problems
from vision.errors import KitError
from vision.kit import Kit, Mount
from vision.profile import LensFit
from vision.sheetscales import TaughtSheet, TaughtSheets
from vision.teach import TaughtFixture


def taught_kit(file: KitFile) -> dict[str, Any]:
    """The JSON value of a kit with what photos taught, which will be read again without complaint.

    Raises:
        KitError: What was found is too uncertain for a kit, or a plate would be in two places.
    """
    # Without what was never set: a revision shows what photos changed, and no defaults.
    value = file.model_dump(exclude_none=True, exclude_unset=True)
    checked, _ = check(KitFile, value, "the taught kit", KitError)
    raise_problems(kit_problems(checked, load_layouts()), "the taught kit", KitError)
    return value


def profile_file(fit: LensFit, photos_sha256: Sequence[str]) -> CameraFile | None:
    """The file of a lens that the photos fix and whose photos can be told from others."""
    if fit.profile is None:
        return None
    file = from_profile(fit.profile, lens_label(fit), photos_sha256)
    return None if list(camera_problems(file)) else file


def lens_label(fit: LensFit) -> str:
    """What the photos' EXIF calls the lens."""
    names = [fit.exif.make, fit.exif.model, fit.exif.lens_model]
    width, height = fit.size_px
    known = " ".join(name for name in names if name) or "unknown phone"
    focal = f", {fit.exif.focal_35mm:g} mm equivalent" if fit.exif.focal_35mm else ""
    return f"{known}{focal}, {width} x {height}"


def turned_deg(mount: Mount) -> float:
    """Angle between the printed face's normal and the target's, which looks along -x."""
    return float(np.degrees(np.arccos(np.clip(-mount.T_fixture_plate[0, 2], -1, 1))))


def fixture_remarks(taught: TaughtFixture, kit: Kit) -> Iterator[str]:
    """On axes, on what makes u, on what the entry replaces."""
    entry = taught.fixture
    yield (
        "Axes as the target's: x away from the vehicle, y to the vehicle's left, z up; origin in the middle "
        "of the fixture's plates. Each u holds in any direction."
    )
    largest_mm = max(mount.u_position_mm for mount in entry.mounts)
    if largest_mm > 1.5 * taught.u_exact_sheets_mm:
        yield (
            f"The sheets' scales make most of the plates' u: with exact ones it would be "
            f"{taught.u_exact_sheets_mm:.2f} mm. A scale bar in view, or `plumbsight teach sheets` first, "
            "betters it."
        )
    old = next((f for f in kit.fixtures if f.name == entry.name), None)
    gone = [t.name for t in old.targets if t.name not in {n.name for n in entry.targets}] if old else []
    if gone:
        yield (
            f"The entry replaces the kit's former one, with its own frame: {', '.join(gone)} is left out and "
            "must be taught too."
        )


def sheet_remarks(taught: TaughtSheets, kit: Kit) -> Iterator[str]:
    """On what all sheets have in common, on rulers that disagree, on what the photos tell too little of."""
    yield _common_words(taught, kit)
    for sheet in taught.sheets:
        if sheet.disagrees:
            yield _disagreement(sheet)
    vague = [s for s in taught.sheets if s.after.u_printed_scale > s.before.u_printed_scale]
    if vague:
        plates = ", ".join(str(sheet.before.number) for sheet in vague)
        yield (
            f"Plate {plates}: the photos tell less of it than its ruler does. Take more photos of it, nearer "
            "and from all sides, together with the others."
        )
    raised = [(b, a) for b, a in taught.unseen if a.u_printed_scale > 1.005 * b.u_printed_scale]
    if raised:
        plates = ", ".join(str(before.number) for before, _ in raised)
        factor = max(after.u_printed_scale / before.u_printed_scale for before, after in raised)
        yield (
            f"Not in these photos: plate {plates}. Their own u is now {factor:.2f} times what it was, for "
            "what the others have in common is not theirs. Photograph all sheets together to avoid that."
        )
    yield from taught.says


def _common_words(taught: TaughtSheets, kit: Kit) -> str:
    figures = f"u_ruler_scale is now {taught.u_ruler_scale:.6f}, before {kit.u_ruler_scale:.6f}: "
    if taught.with_bar:
        return figures + "what all sheets have in common, measured against the scale bar."
    return figures + (
        "what all sheets have in common. Photos of sheets tell nothing of it; it holds the ruler's error as "
        "before and the mean of the sheets' own ones. A scale bar in view would better it."
    )


def _disagreement(sheet: TaughtSheet) -> str:
    before, after = np.mean(sheet.before.printed_scale_xy), np.mean(sheet.after.printed_scale_xy)
    return (
        f"Plate {sheet.before.number}: its ruler says {before:.4f}, the other sheets say {after:.4f}. The "
        "new kit has the latter. Measure its ruler again, and see that the sheet is flat and no second print "
        "of its number is about."
    )
