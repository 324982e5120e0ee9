"""Statistical consistency tests of photos and lenses: is every photo a plain one of a lens that is known?"""

from collections.abc import Iterator

import numpy as np

from vision.hypotheses import pull
from vision.trial import Case, ConsistencyTest, Tried, family

LENS_OF_EACH_PHOTO = "lens of each photo"


def photo_optics(case: Case, level: float) -> Iterator[ConsistencyTest]:
    """Focal length, principal point and motion of each photo against what phones do."""
    a = case.adjustment
    index, priors = a.network.unknowns.photo_values(), a.network.photo_priors
    tried = []
    for i, name in enumerate(a.network.observed.photo_names):
        u_centre = priors.u_centre * a.network.observed.size_px[i].max()
        u = np.r_[priors.u_focal, [u_centre] * 2, [priors.u_move_mm] * 3, [priors.u_turn_rad] * 3]
        says = (
            f"Photo {name} does not fit the lens of the others: another lens, zoom, cropping or a strong "
            "shake. Leave it out, or take it again with the phone's main lens and without zoom."
        )
        tried.append(Tried(pull(a, index[i], np.zeros(len(u)), np.diag(u**2)), says))
    tried += _lens_changes(case)
    yield from family(LENS_OF_EACH_PHOTO, "the photos of one lens agree", tried, level)


def _lens_changes(case: Case) -> Iterator[Tried]:
    """Another lens from some photo on, though the photos' own data tell of one."""
    o = case.adjustment.network.observed
    for lens in range(o.n_lenses):
        photos = np.flatnonzero(o.lens_of_photo == lens)
        for before, first in zip(photos, photos[1:], strict=False):
            groups = np.flatnonzero((o.lens_of_photo[o.photo] == lens) & (o.photo >= first))
            says = (
                f"From photo {o.photo_names[first]} on the photos are of another lens than up to "
                f"{o.photo_names[before]}, zoomed or cropped otherwise. Take all of them again with the "
                "phone's main lens and without zoom."
            )
            yield Tried(case.scores.another_lens(groups), says)


def lens_model(case: Case, level: float) -> Iterator[ConsistencyTest]:
    """Each lens against distortion that the model lacks."""
    says = (
        "The lens bends the picture in a way that the lens model does not know: a clip-on or fish-eye lens, "
        "a picture corrected by the phone, or a stitched one. Use the phone's main lens and its plain photo "
        "mode."
    )
    lenses = range(case.adjustment.network.observed.n_lenses)
    tried = [Tried(case.scores.lens_terms(lens), says) for lens in lenses]
    yield from family("lens model", "the lens model fits", tried, level)


def focal_length(case: Case, level: float) -> Iterator[ConsistencyTest]:
    """Each lens's focal length against its prior."""
    a = case.adjustment
    index = a.network.unknowns.lens_values()
    tried = []
    for lens, prior in enumerate(a.network.lens_priors):
        score = pull(a, index[lens, :1], prior.mean[:1], prior.covariance[:1, :1])
        says = (
            f"The focal length found is {100 * score.estimate[0] / prior.mean[0]:+.0f} % off what the "
            "photos' own data (EXIF or the camera profile) say: zoomed, cropped or edited photos, or another "
            "lens. Use the original files."
        )
        tried.append(Tried(score, says))
    yield from family("focal length", "the focal length is what the photos' own data say", tried, level)
