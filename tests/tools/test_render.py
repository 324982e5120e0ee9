"""Rendered photos against the analytic projection, found by OpenCV's means and by our detector."""

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image

from calib_data.layouts import load_layouts
from tools.render import BLACK, IDEAL, WHITE, Look, encode_photo, plate_art, render_photo
from tools.scene import layout_of, make_scene, pose
from tools.shop import light_on, make_shop
from tools.truth import Box, Lens, TruePhoto, TruePlate, points_in_world_mm, project_points, views_in
from vision.detect import detect_plates
from vision.photo import ExifFacts, Photo, read_photo

SIZE_PX = (900, 700)
LENS = Lens(1500.0, 455.0, 342.0, (0.08, -0.05, 5e-4, -4e-4, 0.02), 2e-4)
TWIST = np.array([2.0, -1.0, 1.0, 3e-3, -2e-3, 4e-3])  # ten times a phone's
EXIF = ExifFacts(
    make="Lumora",
    model="L2",
    lens_model="main",
    focal_length_mm=4.5,
    focal_35mm=25.0,
    exposure_time_s=0.01,
    orientation=6,
    taken="2026-03-14T09:10:15",
)


def rng():
    return np.random.default_rng(7)


def photo_of(tilt_deg=(0, 0, 0), number=5, twist=TWIST, at_mm=(20.0, -10.0, 800.0), **changes):
    """A camera at the world's origin looking along +z at one plate that faces it, then tilted."""
    face = pose(at_mm) @ pose([0, 0, 0], [180, 0, 0]) @ pose([0, 0, 0], tilt_deg)
    plate = TruePlate(number, layout_of(number), "floor", face, (1.002, 0.999), (1.0, -0.7))
    photo = TruePhoto("p.jpg", SIZE_PX, EXIF, np.eye(4), LENS, np.array(twist), (plate,))
    return replace(photo, **changes)


def measured(pixels):
    """The photo that the detector gets; too small to be read from a file."""
    return Photo("p.jpg", "", SIZE_PX, EXIF, np.ascontiguousarray(pixels[..., 1]))


def true_saddles_px(photo):
    plate = photo.plates[0]
    return project_points(photo, points_in_world_mm(plate, plate.layout.saddles_mm))


@pytest.mark.parametrize("number", [5, 63])
@pytest.mark.parametrize("tilt_deg", [(0, 0, 10), (40, 0, 30), (-20, 50, 80), (0, -60, 170)])
def test_saddles_lie_where_the_projection_says(number, tilt_deg):
    """OpenCV's cornerSubPix knows nothing of lens, bow, scale or read-out."""
    photo = photo_of(tilt_deg, number)
    grey = render_photo(rng(), photo, (), replace(IDEAL, psf_px=0.7))[..., 1]
    true_px = true_saddles_px(photo)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-4)
    found_px = cv2.cornerSubPix(grey, true_px.astype(np.float32)[:, None].copy(), (4, 4), (-1, -1), stop)[
        :, 0
    ]
    error_px = found_px - true_px
    assert np.sqrt((error_px**2).mean()) < 0.05
    np.testing.assert_allclose(error_px.mean(axis=0), 0, atol=0.02)


@pytest.mark.parametrize("look", [IDEAL, Look(), Look(defocus_px=1.5), Look(exposure=1.8)])
def test_the_detector_finds_them_too_whatever_the_look(look):
    """Symmetric blur, noise, clipping and sharpening move no saddle."""
    photo = photo_of((25, -30, 20))
    found = detect_plates(measured(render_photo(rng(), photo, (), look)), load_layouts())
    (detection,) = [d for d in found if d.plate == 5]
    error_px = detection.saddles_px - true_saddles_px(photo)[detection.saddle_index]
    assert len(error_px) == 44
    assert np.sqrt((error_px**2).mean()) < 0.03


def test_motion_blur_has_no_side():
    long = replace(EXIF, exposure_time_s=0.03)
    photo = photo_of((25, -30, 20), twist=0.3 * TWIST, exif=long)
    looks = (IDEAL, replace(IDEAL, readout_s=0.014))
    sharp, blurred = (render_photo(rng(), photo, (), look) for look in looks)
    assert steepness(blurred) < 0.8 * steepness(sharp)
    (detection,) = detect_plates(measured(blurred), load_layouts(), {5})
    error_px = detection.saddles_px - true_saddles_px(photo)[detection.saddle_index]
    np.testing.assert_allclose(error_px.mean(axis=0), 0, atol=0.02)


def steepness(pixels):
    return (np.diff(pixels[..., 1].astype(float)) ** 2).sum()


@pytest.mark.parametrize("number", [0, 37, 60, 119])
def test_opencv_reads_the_tags_with_the_layouts_corner_order(number):
    photo = photo_of((10, -15, 35), number)
    grey = render_photo(rng(), photo)[..., 1]
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners_px, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(grey)
    found = dict(zip(ids.ravel().tolist(), corners_px, strict=True))
    layout = layout_of(number)
    assert set(found) == {layout.tag_id(number, tag.slot) for tag in layout.tags}
    for tag in layout.tags:
        true_px = project_points(photo, points_in_world_mm(photo.plates[0], tag.corners_mm))
        np.testing.assert_allclose(found[layout.tag_id(number, tag.slot)][0], true_px, atol=2.5)


def test_artwork_reflects_as_paper_and_toner_and_has_sharp_edges_on_its_grid():
    for number in (0, 60):
        fine, half, coarse = plate_art(number)
        assert fine.min() == pytest.approx(BLACK) and fine.max() == pytest.approx(WHITE)
        assert half.mean() == pytest.approx(fine.mean(), abs=1e-4)
        assert coarse.mean() == pytest.approx(fine.mean(), abs=1e-4)
    # ring13: all edges are multiples of 0.25 mm, so no texel of the finest level is mixed.
    fine = plate_art(0)[0]
    assert np.all(np.isclose(fine, BLACK, atol=1e-6) | np.isclose(fine, WHITE, atol=1e-6))


def test_a_mirrored_photo_is_the_straight_one_seen_in_a_mirror():
    straight, mirrored = photo_of(), photo_of(mirrored=True)
    np.testing.assert_array_equal(render_photo(rng(), mirrored), render_photo(rng(), straight)[:, ::-1])
    np.testing.assert_allclose(true_saddles_px(mirrored)[:, 0], 899 - true_saddles_px(straight)[:, 0])


def test_a_box_hides_the_plate_and_the_truth_knows_it():
    half_hidden = photo_of(boxes=(Box(pose([120, 0, 600]), (100.0, 200.0, 10.0), "arm"),))
    assert len(views_in(photo_of())) == 1 and not views_in(half_hidden)
    free, hidden = (render_photo(rng(), p, (), IDEAL).astype(int) for p in (photo_of(), half_hidden))
    edge_px = round(project_points(half_hidden, np.array([[20.0, 0, 610]]))[0, 0])  # the arm's near edge
    np.testing.assert_array_equal(free[:, : edge_px - 6], hidden[:, : edge_px - 6])
    assert np.ptp(hidden[:, edge_px + 6 :]) == 0  # behind the arm only the plain ground


def test_noise_is_shot_noise_and_read_noise():
    """White paper at light L: sd = sqrt(L / full well + (read / full well)^2) in linear light."""
    photo = photo_of(twist=np.zeros(6), at_mm=(0.0, 0.0, 300.0), number=0)
    look = replace(IDEAL, full_well=2000.0, read_noise=10.0)
    patch = render_photo(rng(), photo, (), look)[..., 1].astype(float)
    clean = render_photo(rng(), photo, (), IDEAL)[..., 1]
    assert clean.max() > 150  # paper, not the plain ground
    inner = cv2.erode((clean == clean.max()).astype(np.uint8), np.ones((9, 9))) > 0
    light = WHITE * light_on(photo.plates[0].T_world_plate[:3, 2])
    sd = np.sqrt(light / 2000 + (10 / 2000) ** 2)
    slope = 255 * 1.055 / 2.4 * light ** (1 / 2.4 - 1)  # of the sRGB curve
    assert inner.sum() > 5000
    assert patch[inner].std() == pytest.approx(np.hypot(sd * slope, 1 / np.sqrt(12)), rel=0.05)


def test_over_exposed_paper_is_clipped():
    assert render_photo(rng(), photo_of(), (), Look(exposure=3.0)).max() == 255
    assert render_photo(rng(), photo_of(), (), IDEAL).max() < 240


def test_exif_comes_back_as_a_phone_would_have_written_it():
    data = encode_photo(np.full((1500, 2000, 3), 128, np.uint8), EXIF)
    assert read_photo(data, "p.jpg").exif == EXIF
    assert Image.open(io.BytesIO(data)).getexif()[0x0112] == 6


def test_a_whole_shop_is_drawn_and_its_plates_are_found():
    scene = make_scene(np.random.default_rng(3), n_photos=2, size_px=(2048, 1536))
    shop = make_shop(rng(), scene)
    for photo in scene.photos:
        pixels = render_photo(rng(), photo, shop)
        np.testing.assert_array_equal(pixels, render_photo(rng(), photo, shop))
        found = detect_plates(read_photo(encode_photo(pixels, photo.exif), photo.name), load_layouts())
        large = {v.plate.number for v in views_in(photo) if v.tag_edge_px > 30}
        assert large and large <= {d.plate for d in found}
