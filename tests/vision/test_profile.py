"""Lens profiles: against simulated truth and a general-purpose calibration library.

`cv2.calibrateCamera` is the independent judge. It takes print and lens as exact and constant, so agreement is
asked for where that holds, and within both uncertainties.
"""

from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import cv2
import numpy as np
import pytest
import scipy.stats

from calib_data.layouts import load_layouts
from tools.photo_round import Phone, draw_phone
from tools.scene import layout_of, pose
from tools.simulate import observe_scene
from tools.truth import Scene, TruePhoto, TruePlate, Truth
from vision.detect import Detection
from vision.kit import Kit, Placement, Plate, Vehicle
from vision.layout import Layout
from vision.photo import ExifFacts
from vision.profile import MOST_U_FOCAL, fit_lenses
from vision.sightings import FoundPhoto

LAYOUTS = {layout.name: layout for layout in load_layouts()}
CHESSBOARD = Path(__file__).parents[3] / "shared/data/opencv_chessboard"
USUAL, STEADY = Phone(), Phone(u_focal_change=0.0, u_centre_shift_px=0.0, u_twist_mm=0.0, u_twist_rad=0.0)
NO_TRUTH = Truth({}, {}, np.zeros(3), np.zeros(3), np.eye(4), {})


# --- a table with plates, and photos of it ----------------------------------------------------------


def a_table(rng, n_plates=6, *, is_exact=False, is_flat=False):
    """Plates on a table 420 mm apart, the last two on slanting supports; their prints as the kit declares."""
    declared = Plate(0, "ring13", (1.0, 1.0), 3e-4, 2e-4, 0.2, 3.0, True)
    u_ruler, error = 2e-4, 0.0 if is_exact else 1.0
    ruler = rng.normal(0, u_ruler) * error
    plates = []
    for k in range(n_plates):
        slope_deg = [0, 0] if is_flat or k < n_plates - 2 else rng.uniform(-40, 40, 2)
        place_mm = [420 * (k % 3 - 1), 420 * (k // 3 - 0.5), 150 if np.any(slope_deg) else 0]
        scale = 1 + ruler + rng.normal(0, declared.u_printed_scale) * error
        half = rng.normal(0, declared.u_scale_difference) / 2 * error
        bow_x, bow_y = rng.normal(0, declared.u_bow_mm, 2) * error
        T = pose(place_mm, [*slope_deg, rng.uniform(-180, 180)])
        plates.append(TruePlate(k, layout_of(k), "floor", T, (scale + half, scale - half), (bow_x, bow_y)))
    kit = Kit(
        "plates", u_ruler, MappingProxyType({p.number: replace(declared, number=p.number) for p in plates})
    )
    return tuple(plates), kit


def photos_of(rng, plates, phone, n_photos, *, height_deg=(30, 60), distance_mm=1400.0, aim_off_mm=450.0):
    """Photos from all round, at a height above the table's plane in degrees, every other one upright."""
    lens, facts = draw_phone(rng, phone, (4032, 3024), 0)
    photos = []
    for i in range(n_photos):
        round_rad = 2 * np.pi * (i + rng.uniform(-0.3, 0.3)) / n_photos
        up_rad = np.radians(rng.uniform(*height_deg))
        ground = np.array([np.cos(round_rad), np.sin(round_rad), 0]) * np.cos(up_rad)
        place = rng.uniform(0.8, 1.2) * distance_mm * (ground + [0, 0, np.sin(up_rad)])
        z = np.array([*rng.uniform(-aim_off_mm, aim_off_mm, 2), 0]) - place
        z /= np.linalg.norm(z)
        x = np.cross(z, [0, 0, 1.0])
        x /= np.linalg.norm(x)
        R = np.stack([x, np.cross(z, x), z])
        R = np.stack([R[1], -R[0], R[2]]) if i % 2 else R
        T = np.eye(4)
        T[:3, :3], T[:3, 3] = R, -R @ place
        own = replace(
            lens,
            fx_px=lens.fx_px * (1 + rng.normal(0, 1) * phone.u_focal_change),
            cx_px=lens.cx_px + rng.normal(0, 1) * phone.u_centre_shift_px,
            cy_px=lens.cy_px + rng.normal(0, 1) * phone.u_centre_shift_px,
        )
        twist = rng.normal(0, 1, 6) * ([phone.u_twist_mm] * 3 + [phone.u_twist_rad] * 3)
        photos.append(TruePhoto(f"p{i + 1:02d}.jpg", (4032, 3024), facts, T, own, twist, plates))
    return lens, tuple(photos)


def found_in(rng, kit, photos):
    return observe_scene(rng, Scene(kit, Vehicle(), Placement("", "", "", "", ""), photos, NO_TRUTH))


def simulated(seed, phone=USUAL, n_photos=10, *, is_exact=False, is_flat=False, n_plates=6, **how):
    rng = np.random.default_rng(seed)
    plates, kit = a_table(rng, n_plates, is_exact=is_exact, is_flat=is_flat)
    lens, photos = photos_of(rng, plates, phone, n_photos, **how)
    return lens, kit, found_in(rng, kit, photos)


def true_vector(lens):
    return np.array([lens.fx_px, lens.cx_px, lens.cy_px, *lens.distortion, lens.aspect])


def cv2_lens(found):
    """f, cx, cy and distortion by cv2.calibrateCamera, with their u: every plate of every photo is a view."""
    views = [(d, LAYOUTS[d.layout].saddles_mm[d.saddle_index]) for f in found for d in f.detections]
    points = [np.c_[xy, np.zeros(len(xy))].astype(np.float32) for _, xy in views]
    pixels = [d.saddles_px.astype(np.float32) for d, _ in views]
    _, K, distortion, _, _, u, _, _ = cv2.calibrateCameraExtended(
        points, pixels, found[0].size_px, None, None
    )
    return np.array([K[0, 0], K[0, 2], K[1, 2], *distortion.ravel()]), u.ravel()[[0, 2, 3, 4, 5, 6, 7, 8]]


# --- simulated ----------------------------------------------------------------------------------------


@pytest.mark.study
def test_twenty_profiles_cover_their_truth():
    """Focal length and principal point, with prints, bows, focus changes and movement drawn as declared."""
    z = []
    for seed in range(20):
        lens, kit, found = simulated(seed, n_photos=8)
        (fit,) = fit_lenses(found, kit, LAYOUTS)
        z.append((fit.mean - true_vector(lens))[:3] / np.sqrt(np.diag(fit.covariance)[:3]))
    low, high = scipy.stats.chi2.ppf([0.0005, 0.9995], 20)  # three parameters: fails once in 300
    squares = (np.array(z) ** 2).sum(0)
    assert np.all((low < squares) & (squares < high)), squares
    assert np.abs(z).max() < 4.0


@pytest.mark.parametrize("seed", [1, 2])
def test_it_agrees_with_opencv_on_the_same_saddles(seed):
    """Exact plates and a steady phone, which both models hold; 4 joint standard uncertainties."""
    lens, kit, found = simulated(seed, STEADY, is_exact=True)
    (fit,) = fit_lenses(found, kit, LAYOUTS)
    theirs, u_theirs = cv2_lens(found)
    u_ours = np.sqrt(np.diag(fit.covariance)[:8])
    off = (fit.profile.mean[:8] - theirs) / np.hypot(u_ours, u_theirs)
    assert np.abs(off).max() < 4.0, off
    assert np.abs((fit.profile.mean - true_vector(lens)) / np.sqrt(np.diag(fit.covariance))).max() < 4.0


def test_the_profile_allows_for_another_days_focus():
    """The allowance by hand: 0.15 % of focus habit, and the thin lens from 1.4 m to 3 m."""
    _, kit, found = simulated(3)
    (fit,) = fit_lenses(found, kit, LAYOUTS)
    more = fit.profile.covariance - fit.covariance
    u_focal = np.sqrt(more[0, 0]) / fit.profile.mean[0]
    refocus = found[0].exif.focal_length_mm * (1 / 1400 - 1 / 3000)
    assert u_focal == pytest.approx(np.hypot(0.0015, refocus), rel=0.1)
    np.testing.assert_allclose(np.sqrt(np.diag(more)[1:3]), 0.001 * 4032, rtol=1e-9)
    np.testing.assert_allclose(more[3:, 3:], 0, atol=1e-15)


def test_two_phones_give_two_profiles():
    rng = np.random.default_rng(4)
    plates, kit = a_table(rng)
    first, one = photos_of(rng, plates, Phone(), 8)
    second, other = photos_of(rng, plates, Phone(f_px=(3500.0, 3501.0)), 8)
    facts = replace(other[0].exif, model="Another", focal_35mm=31.0)
    other = tuple(replace(photo, name=f"q{i}.jpg", exif=facts) for i, photo in enumerate(other))
    mixed = [photo for pair in zip(one, other, strict=True) for photo in pair]
    fits = fit_lenses(found_in(rng, kit, tuple(mixed)), kit, LAYOUTS)
    for fit, lens in zip(fits, (first, second), strict=True):
        assert abs(fit.profile.mean[0] - lens.fx_px) < 4 * np.sqrt(fit.covariance[0, 0])
    assert fits[1].photos == tuple(photo.name for photo in other)


# --- what does not suffice ------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(3))
def test_frontal_photos_are_refused(seed):
    """Square on, a longer lens and a larger distance look alike."""
    _, kit, found = simulated(seed, n_photos=12, is_flat=True, height_deg=(84, 89))
    (fit,) = fit_lenses(found, kit, LAYOUTS)
    assert fit.profile is None and fit.u_focal > MOST_U_FOCAL
    assert "focal length" in fit.says[0] and any("slanting" in says for says in fit.says)


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ({"n_photos": 3, "n_plates": 2}, "ten or more"),
        ({"n_photos": 10, "distance_mm": 5000.0, "aim_off_mm": 10.0}, "only in the middle"),
        ({"n_photos": 1}, "at least two are needed"),
    ],
)
def test_weak_sets_are_refused_with_the_reason(how, words):
    _, kit, found = simulated(5, **how)
    (fit,) = fit_lenses(found, kit, LAYOUTS)
    assert fit.profile is None and words in " ".join(fit.says)


def test_photos_from_one_side_with_the_phone_held_one_way_are_refused():
    rng = np.random.default_rng(6)
    plates, kit = a_table(rng, 2, is_flat=True)
    _, photos = photos_of(rng, plates, Phone(), 24, height_deg=(35, 50), distance_mm=1100.0)
    one_side = tuple(photos[i] for i in (0, 2, 22))  # even ones: the phone on its side
    (fit,) = fit_lenses(found_in(rng, kit, one_side), kit, LAYOUTS)
    assert fit.profile is None and any("from one side" in says for says in fit.says), fit.says


def test_a_plate_that_moved_is_noticed():
    rng = np.random.default_rng(7)
    plates, kit = a_table(rng, 4)
    _, photos = photos_of(rng, plates, USUAL, 6)
    T = plates[1].T_world_plate @ pose([15, 0, 0])
    moved = (plates[0], replace(plates[1], T_world_plate=T), *plates[2:])
    later = tuple(replace(photo, plates=moved if i > 2 else plates) for i, photo in enumerate(photos))
    (fit,) = fit_lenses(found_in(rng, kit, later), kit, LAYOUTS)
    assert fit.profile is None and "contradict" in fit.says[0]


def test_a_lens_that_brown_does_not_describe_is_noticed():
    rng = np.random.default_rng(8)
    plates, kit = a_table(rng)
    _, photos = photos_of(rng, plates, Phone(), 10)
    rippled = tuple(replace(p, lens=replace(p.lens, ripple_px=1.5)) for p in photos)
    (fit,) = fit_lenses(found_in(rng, kit, rippled), kit, LAYOUTS)
    assert fit.profile is None and any("contradict" in s or "does not know" in s for s in fit.says)


# --- photos of another maker's board ----------------------------------------------------------------------


def chessboard():
    """OpenCV's sample photos of a 9 x 6 board, as detections of one plate with 54 saddles."""
    xy = 25.0 * np.stack(np.meshgrid(np.arange(9), np.arange(6)), -1).reshape(-1, 2)
    layout = Layout("board", xy - xy.mean(0), np.ones(54), 25.0, 10.0, 110.0, 5.0, 100.0, (), (), 0, 1, 0, 1)
    found = []
    for path in sorted(CHESSBOARD.glob("left*.jpg")):
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        seen, corners = cv2.findChessboardCorners(grey, (9, 6))
        assert seen, path.name
        stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 30, 0.01)
        corners = cv2.cornerSubPix(grey, corners, (5, 5), (-1, -1), stop).reshape(-1, 2)
        cov = np.broadcast_to(0.1**2 * np.eye(2), (54, 2, 2))
        detection = Detection(
            0, "board", np.arange(54), corners.astype(float), cov, 0.02, 0.02, True, 30.0, 20.0
        )
        exif = ExifFacts(make="unknown", model="left")
        found.append(FoundPhoto(path.name, path.name, grey.shape[::-1], exif, (detection,)))
    plate = Plate(0, "board", (1.0, 1.0), 1e-4, 1e-4, 0.1, 0.0, True)
    return layout, Kit("board", 1e-6, MappingProxyType({0: plate})), tuple(found)


@pytest.mark.skipif(not CHESSBOARD.is_dir(), reason="../shared/data/opencv_chessboard is not there")
def test_it_agrees_with_opencv_on_its_sample_photos():
    """opencv/samples/data/left*.jpg (640 x 480, strong distortion), against cv2.calibrateCamera on the same
    corners and left_intrinsics.yml beside them; the lens is that of a fixed machine camera."""
    layout, kit, found = chessboard()
    (fit,) = fit_lenses(found, kit, {"board": layout})
    mean, u = fit.mean, np.sqrt(np.diag(fit.covariance))
    points = [np.c_[layout.saddles_mm, np.zeros(54)].astype(np.float32)] * len(found)
    pixels = [f.detections[0].saddles_px.astype(np.float32) for f in found]
    _, K, distortion, _, _, u_cv, _, _ = cv2.calibrateCameraExtended(points, pixels, (640, 480), None, None)
    theirs = np.array([K[0, 0], K[0, 2], K[1, 2], *distortion.ravel()])
    off = (mean[:8] - theirs) / np.hypot(u[:8], u_cv.ravel()[[0, 2, 3, 4, 5, 6, 7, 8]])
    assert np.abs(off).max() < 3.0, off
    # left_intrinsics.yml: one f for both axes and other corners, so no more than about the same.
    assert mean[0] == pytest.approx(535.916, rel=0.01)
    np.testing.assert_allclose(mean[1:3], [342.283, 235.571], atol=3)
