"""Photos of plates -> what each lens is: a profile to be used as prior by later measurements.

The plates may hang and lie anywhere, as long as they stay where they are; nothing but their print is taken
for granted. The adjustment is the one that measures, so per-photo changes of focus and principal point are
in its model: the profile describes the lens that these changes start from.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import scipy.stats
from numpy.typing import NDArray

from vision import geometry
from vision.adjust import Adjustment
from vision.camera import N_LENS, project_with_jacobians, unproject
from vision.errors import NotEnoughError
from vision.hypotheses import SaddleScores
from vision.initial import adjust_from_nothing, looks_settled
from vision.kit import Kit
from vision.layout import Layout
from vision.lenses import Profile, group_lenses, lens_priors
from vision.parameters import PhotoPriors
from vision.photo import ExifFacts
from vision.sightings import FoundPhoto, main_part, network_of, sightings_of

# A profile that knows less than this tells hardly more than good photos of a bay do by themselves. For the
# focal length: as much as it changes from photo to photo. The others are common practice, no source.
MOST_U_FOCAL = PhotoPriors().u_focal
MOST_U_CORNER = 0.00075  # of the long side: 3 px of 4032
MOST_U_CENTRE = 0.002  # of the long side: 8 px of 4032
FEW_PHOTOS = 6
# What makes a set weak, seen in what it shows: common practice, no source.
FRONTAL_DEG, ONE_SIDED, MIDDLE_ONLY = 25.0, 0.75, 0.6
_MORE = "Take more photos of more plates, from all sides and slanting."
# A correct lens is called wrong once in 1,000 sets.
MISFIT_LEVEL = 1e-3
# Focusing nearer moves a thin lens away from the sensor: the image distance, which is what f means here,
# is longer by focal length / distance. Later photos are taken from about 3 m; a phone's main lens has 6 mm.
USUAL_DISTANCE_MM, USUAL_FOCAL_MM = 3000.0, 6.0


@dataclass(frozen=True, eq=False)
class LensFit:
    """One lens of a set of photos.

    Attributes:
        profile: None where the photos do not fix the lens; its covariance holds the allowance for another
            day's focus too.
        mean, covariance: (9,) and (9, 9) of the lens in these photos alone.
        photos: Names of those used.
        u_focal: Relative standard uncertainty of the focal length.
        u_corner_px: That of the distortion at the picture's corners, the largest of the four.
        says: Why there is no profile and what to do, or remarks.
    """

    exif: ExifFacts
    size_px: tuple[int, int]
    profile: Profile | None
    mean: NDArray
    covariance: NDArray
    photos: tuple[str, ...]
    u_focal: float
    u_corner_px: float
    says: tuple[str, ...]


def fit_lenses(found: Sequence[FoundPhoto], kit: Kit, layouts: Mapping[str, Layout]) -> tuple[LensFit, ...]:
    """Every lens of the photos, each from its own photos, in the order in which they first appear."""
    exifs, sizes_px = [f.exif for f in found], [f.size_px for f in found]
    lens_of_photo = group_lenses(exifs, sizes_px)
    plates_only = replace(
        kit, clamps=MappingProxyType({}), fixtures=(), floor=(), scale_bars=(), datum_plates=(), levels=()
    )
    return tuple(
        _fit([f for f, k in zip(found, lens_of_photo, strict=True) if k == lens], plates_only, layouts)
        for lens in range(max(lens_of_photo, default=-1) + 1)
    )


def _fit(found: Sequence[FoundPhoto], kit: Kit, layouts: Mapping[str, Layout]) -> LensFit:
    exif = max((f.exif for f in found), key=_n_facts)
    size_px = found[0].size_px
    one_lens = [0] * len(found)
    priors = lens_priors([f.exif for f in found], [f.size_px for f in found], one_lens)
    try:
        sightings, notes = sightings_of(found, one_lens, kit)
        sightings, _, apart = main_part(sightings, notes, kit)
        sightings, network = network_of(sightings, priors, kit, layouts)
        adjustment = adjust_from_nothing(network)
    except NotEnoughError as wrong:
        return _unknown(exif, size_px, str(wrong))
    index = network.unknowns.lens_values()[0]
    mean = adjustment.state.values[index]
    columns = 6 * network.unknowns.n_poses + index
    covariance = adjustment.covariance[np.ix_(columns, columns)]
    u_corner_px = float(_corner_u_px(mean, covariance, size_px).max())
    fit = LensFit(
        exif,
        size_px,
        Profile(exif, size_px, mean, covariance + _allowance(adjustment, mean, exif, size_px)),
        mean,
        covariance,
        tuple(s.name for s in sightings),
        float(np.sqrt(covariance[0, 0]) / mean[0]),
        u_corner_px,
        apart,
    )
    refusals = (*_contradictions(adjustment), *_weaknesses(adjustment, fit))
    return replace(fit, profile=None, says=(*refusals, *apart)) if refusals else fit


def _unknown(exif: ExifFacts, size_px: tuple[int, int], says: str) -> LensFit:
    nothing = np.full(N_LENS, np.nan)
    return LensFit(exif, size_px, None, nothing, np.diag(nothing), (), np.inf, np.inf, (says,))


def _n_facts(exif: ExifFacts) -> int:
    facts = (exif.make, exif.model, exif.lens_model, exif.focal_length_mm, exif.focal_35mm)
    return sum(fact is not None for fact in facts)


def _corner_u_px(mean: NDArray, covariance: NDArray, size_px: tuple[int, int]) -> NDArray:
    """(4,) u of the displacement by distortion (k1, k2, p1, p2, k3) at the picture's corners."""
    width, height = size_px
    corners = np.array([[0, 0], [width - 1, 0], [0, height - 1], [width - 1, height - 1]], float)
    rays = unproject(corners, mean)
    J = project_with_jacobians(np.where(np.isfinite(rays), rays, 1.0), mean).J_lens[..., 3:8]
    variance = np.einsum("cik,kl,cil->c", J, covariance[3:8, 3:8], J)
    # A corner beyond the fold of the distortion is one that these photos say nothing true about.
    return np.where(np.isfinite(rays).all(-1), np.sqrt(variance), np.inf)


def _allowance(adjustment: Adjustment, mean: NDArray, exif: ExifFacts, size_px: tuple[int, int]) -> NDArray:
    """What the lens may be on another day, beyond its change from photo to photo, which later models have.

    All photos of a set share its distance, warmth and focus habit: one more change of each kind, and the
    change of focus from this set's distance to the usual one.
    """
    o, u, state = adjustment.network.observed, adjustment.network.unknowns, adjustment.state
    eyes, plates = state.poses[o.photo][:, :3, 3], state.poses[u.plate_pose(o.plate)][:, :3, 3]
    distance_mm = float(np.median(np.linalg.norm(eyes - plates, axis=1)))
    focal_mm = exif.focal_length_mm or USUAL_FOCAL_MM
    refocus = focal_mm * abs(1 / distance_mm - 1 / USUAL_DISTANCE_MM)
    priors = PhotoPriors()
    u_lens = np.zeros(len(mean))
    u_lens[0] = mean[0] * np.hypot(priors.u_focal, refocus)
    u_lens[1:3] = priors.u_centre * max(size_px)
    return np.diag(u_lens**2)


def _contradictions(adjustment: Adjustment) -> tuple[str, ...]:
    if not looks_settled(adjustment):
        return (
            "The photos contradict each other: a plate was moved between them, two prints carry one number, "
            "or some photos are cropped or zoomed. Leave all plates where they are and photograph anew.",
        )
    misfit = SaddleScores(adjustment).lens_terms(0)
    if misfit.dof and scipy.stats.chi2.sf(misfit.statistic, misfit.dof) < MISFIT_LEVEL:
        return (
            "The lens bends the picture in a way that the lens model does not know: a wide-angle lens, a "
            "picture corrected by the phone, or a bowed plate. Use the main lens, its plain photo mode and "
            "plates on flat boards.",
        )
    return ()


def _weaknesses(adjustment: Adjustment, fit: LensFit) -> tuple[str, ...]:
    """Why the covariance says that these photos do not fix the lens; nothing if they do."""
    long_px = max(fit.size_px)
    u_centre_px = float(np.sqrt(np.diag(fit.covariance)[1:3].max()))
    poor = []
    if fit.u_focal > MOST_U_FOCAL:
        poor.append(
            f"the focal length to {100 * fit.u_focal:.2g} % ({100 * MOST_U_FOCAL:.2g} % or better is needed)"
        )
    poor_corners = fit.u_corner_px > MOST_U_CORNER * long_px
    if poor_corners:
        known = f"to {fit.u_corner_px:.2g} px" if np.isfinite(fit.u_corner_px) else "not at all"
        poor.append(f"the distortion at the corners {known} ({MOST_U_CORNER * long_px:.2g} px)")
    if u_centre_px > MOST_U_CENTRE * long_px:
        poor.append(f"the principal point to {u_centre_px:.2g} px ({MOST_U_CENTRE * long_px:.2g} px)")
    if not poor:
        return ()
    return (
        f"The photos do not fix this lens: they tell {', '.join(poor)}.",
        *(_reasons(adjustment, fit, poor_corners) or (_MORE,)),
    )


def _reasons(adjustment: Adjustment, fit: LensFit, poor_corners: bool) -> tuple[str, ...]:
    """What the photos lack that would have fixed the lens, as far as it shows in them."""
    o, u, state = adjustment.network.observed, adjustment.network.unknowns, adjustment.state
    says = []
    if len(fit.photos) < FEW_PHOTOS:
        says.append(f"There are only {len(fit.photos)} usable photos: take ten or more.")
    T_plate_camera = geometry.invert(state.poses[o.photo]) @ state.poses[u.plate_pose(o.plate)]
    normals = T_plate_camera[:, :3, 2]
    slant_deg = np.degrees(np.arccos(np.clip(-normals[:, 2], -1, 1)))
    if np.percentile(slant_deg, 90) < FRONTAL_DEG:
        says.append(
            "All plates are seen nearly square on: take most photos slanting, 40 to 60 degrees off, which is "
            "what tells a longer lens from a larger distance."
        )
    elif np.linalg.norm(normals[:, :2].sum(0)) > ONE_SIDED * np.linalg.norm(normals[:, :2], axis=1).sum():
        says.append(
            "All photos are taken from one side: walk around the plates, and turn the phone on its side for "
            "every other photo."
        )
    middle = (np.array(fit.size_px) - 1) / 2
    reach = np.linalg.norm(o.saddles_px[o.used] - middle, axis=1) / np.linalg.norm(middle)
    if poor_corners and np.percentile(reach, 95) < MIDDLE_ONLY:
        says.append(
            "The plates are only in the middle of the pictures: go nearer or aim off, so that in some photos "
            "plates reach each of the corners."
        )
    return tuple(says)
