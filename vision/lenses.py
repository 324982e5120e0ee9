"""Which photos share a lens, and what their EXIF says of it beforehand."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.parameters import LensPrior
from vision.photo import ExifFacts

# The diagonal of the 36 x 24 mm frame that Exif tag 0xA405 refers to (CIPA DCG-001: angle of view).
DIAGONAL_35MM = float(np.hypot(36.0, 24.0))
# Wide enough for any phone's lens; order f (relative), cx and cy (of the long side), k1, k2, p1, p2, k3,
# aspect. Common practice, no source; they only keep directions that the photos do not show bounded.
U_LENS = np.array([np.nan, 0.01, 0.01, 0.15, 0.4, 0.005, 0.005, 0.6, 2e-4])


@dataclass(frozen=True, eq=False)
class Profile:
    """A stored lens: camera.LENS_KEYS' mean (9,) and covariance (9, 9), and whose lens it is."""

    exif: ExifFacts
    size_px: tuple[int, int]
    mean: NDArray
    covariance: NDArray


def focal_readings_px(exif: ExifFacts, size_px: tuple[int, int]) -> tuple[float, ...]:
    """Every reading of the 35-mm equivalent: by the diagonal and by the long side, with and without zoom.

    Exif 2.3 leaves open which angle of view is meant, and makers write the tag with or without the
    digital zoom. Empty where the file says nothing.
    """
    if not exif.focal_35mm:
        return ()
    zooms = {1.0, max(exif.digital_zoom or 1.0, 1.0)}
    width, height = size_px
    by_diagonal = exif.focal_35mm * float(np.hypot(width, height)) / DIAGONAL_35MM
    by_long_side = exif.focal_35mm * max(width, height) / 36.0
    return tuple(f * zoom for zoom in sorted(zooms) for f in (by_diagonal, by_long_side))


def lens_prior(exif: ExifFacts, size_px: tuple[int, int]) -> LensPrior:
    """The prior of a lens whose EXIF states a 35-mm equivalent: all its readings and its rounding.

    The mean is the middle of the readings; u holds half their span, half a millimetre of rounding, and
    2 % for makers who state the nominal lens rather than the cropped picture.
    """
    readings = focal_readings_px(exif, size_px)
    f = (max(readings) + min(readings)) / 2
    rounding = f * 0.5 / (exif.focal_35mm or 1.0) / np.sqrt(3)
    u_f = np.sqrt(((max(readings) - min(readings)) / 2) ** 2 + rounding**2 + (0.02 * f) ** 2)
    return _wide_prior(size_px, f, float(u_f))


def lens_prior_from_plates(size_px: tuple[int, int], f_px: float) -> LensPrior:
    """The prior where EXIF says nothing and the plates suggest a focal length.

    u is 15 %: wide enough that the photos, which gave the mean, are not counted twice.
    """
    return _wide_prior(size_px, f_px, 0.15 * f_px)


def _wide_prior(size_px: tuple[int, int], f_px: float, u_f_px: float) -> LensPrior:
    width, height = size_px
    mean = np.array([f_px, (width - 1) / 2, (height - 1) / 2, 0, 0, 0, 0, 0, 0.0])
    u = U_LENS.copy()
    u[0] = u_f_px
    u[1:3] *= max(size_px)
    return LensPrior(mean, np.diag(u**2))


def agree(a: ExifFacts, b: ExifFacts) -> bool:
    """No field that both state differs (FORMATS.md: a missing field is no difference by itself)."""
    pairs = (
        (a.make, b.make),
        (a.model, b.model),
        (a.lens_model, b.lens_model),
        (a.focal_length_mm, b.focal_length_mm),
        (a.focal_35mm, b.focal_35mm),
        (a.digital_zoom or 1.0, b.digital_zoom or 1.0),
    )
    return all(x is None or y is None or x == y for x, y in pairs)


def _n_stated(exif: ExifFacts) -> int:
    fields = (exif.make, exif.model, exif.lens_model, exif.focal_length_mm, exif.focal_35mm)
    return sum(f is not None for f in fields)


def group_lenses(exifs: Sequence[ExifFacts], sizes_px: Sequence[tuple[int, int]]) -> tuple[int, ...]:
    """Lens index of each photo; indices in the order in which lenses first appear.

    The photos with the fullest EXIF lay the groups down first, so that one without EXIF joins the
    group that fits instead of founding one that everything fits.
    """
    order = sorted(range(len(exifs)), key=lambda i: (-_n_stated(exifs[i]), i))
    groups: list[list[int]] = []
    for i in order:
        for group in groups:
            if sizes_px[group[0]] == sizes_px[i] and all(agree(exifs[j], exifs[i]) for j in group):
                group.append(i)
                break
        else:
            groups.append([i])
    groups.sort(key=min)
    lens_of = {i: k for k, group in enumerate(groups) for i in group}
    return tuple(lens_of[i] for i in range(len(exifs)))


def matching_profile(
    exif: ExifFacts, size_px: tuple[int, int], profiles: Sequence[Profile]
) -> Profile | None:
    """The stored profile of this very lens at this size, if there is one."""
    for profile in profiles:
        if profile.size_px == size_px and _n_stated(exif) and agree(profile.exif, exif):
            return profile
    return None


def lens_priors(
    exifs: Sequence[ExifFacts],
    sizes_px: Sequence[tuple[int, int]],
    lens_of_photo: Sequence[int],
    profiles: Sequence[Profile] = (),
) -> tuple[LensPrior | None, ...]:
    """The prior of each lens: its profile, else what EXIF says; None where nothing is known.

    Of a lens's photos, the one with the fullest EXIF speaks for all.
    """
    priors: list[LensPrior | None] = []
    for lens in range(max(lens_of_photo) + 1):
        photos = [i for i, k in enumerate(lens_of_photo) if k == lens]
        i = max(photos, key=lambda i: (_n_stated(exifs[i]), -i))
        profile = matching_profile(exifs[i], sizes_px[i], profiles)
        if profile is not None:
            priors.append(LensPrior(profile.mean, profile.covariance))
        else:
            priors.append(
                lens_prior(exifs[i], sizes_px[i]) if focal_readings_px(exifs[i], sizes_px[i]) else None
            )
    return tuple(priors)
