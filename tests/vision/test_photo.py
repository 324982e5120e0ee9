"""Photo files: by content, in sensor axes, and every broken one refused in words.

Real files: ../shared/data/inputs (sources in ../shared/data/SOURCES.md), skipped where missing.
"""

import csv
import io
import zlib
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image

from vision.errors import PhotoError
from vision.photo import decode_grey, read_header, read_photo

INPUTS = Path(__file__).parents[3] / "shared" / "data" / "inputs"
needs_inputs = pytest.mark.skipif(not INPUTS.is_dir(), reason="../shared/data/inputs is not here")
SIZE = (1800, 1200)  # 2.16 megapixels


def picture() -> Image.Image:
    """Dark at the left, light at the right, with one white corner (top left)."""
    columns = np.linspace(20, 200, SIZE[0]).astype(np.uint8)
    grey = np.repeat(columns[None], SIZE[1], axis=0)
    grey[:100, :100] = 255
    return Image.fromarray(grey)


def encoded(picture: Image.Image, kind: str = "JPEG", **options) -> bytes:
    file = io.BytesIO()
    picture.save(file, kind, **options)
    return file.getvalue()


def exif_with(**tags) -> Image.Exif:
    numbers = {"make": 0x010F, "model": 0x0110, "orientation": 0x0112, "date": 0x0132}
    exif = Image.Exif()
    for name, value in tags.items():
        exif[numbers[name]] = value
    exif.get_ifd(0x8769).update({0x829A: 0.01, 0x920A: 4.2, 0xA405: 24, 0x9003: "2026:03:14 15:09:26"})
    return exif


def test_a_jpeg_becomes_grey_with_its_facts():
    data = encoded(picture(), exif=exif_with(make="Maker", model="Phone 1\0", orientation=6))
    photo = read_photo(data, "p01.jpg")
    assert photo.size_px == SIZE and photo.grey.shape == SIZE[::-1] and photo.grey.dtype == np.uint8
    assert not photo.grey.flags.writeable
    facts = photo.exif
    assert (facts.make, facts.model, facts.orientation) == ("Maker", "Phone 1", 6)
    assert (facts.focal_length_mm, facts.focal_35mm, facts.exposure_time_s) == pytest.approx((4.2, 24, 0.01))
    assert facts.taken == "2026-03-14T15:09:26"


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_told_and_never_applied(orientation):
    photo = read_photo(encoded(picture(), exif=exif_with(orientation=orientation)), "p.jpg")
    assert photo.exif.orientation == orientation
    assert photo.size_px == SIZE
    assert photo.grey[50, 50] > 240 > photo.grey[-50, 50]


@pytest.mark.parametrize("mode", ["L", "RGB", "CMYK"])
def test_colour_modes_of_jpeg_give_the_same_grey(mode):
    grey = read_photo(encoded(picture().convert(mode), quality=95), "p.jpg").grey
    assert np.abs(grey.astype(int) - np.asarray(picture())).mean() < 1.5


@pytest.mark.parametrize("mode", ["L", "RGB", "RGBA", "P", "I;16"])
def test_pngs_are_read_whatever_their_name_and_depth(mode):
    sixteen = Image.fromarray(np.asarray(picture()).astype(np.uint16) * 257)
    data = encoded(sixteen if mode == "I;16" else picture().convert(mode), "PNG")
    grey = read_photo(data, "named.jpg").grey
    assert np.abs(grey.astype(int) - np.asarray(picture())).mean() < 3


def test_a_photo_without_exif_has_none_of_the_facts():
    facts = read_photo(encoded(picture()), "p.jpg").exif
    assert facts.make is None and facts.focal_35mm is None and facts.orientation == 1


def test_the_same_bytes_have_the_same_hash_whatever_the_name():
    data = encoded(picture())
    assert read_photo(data, "a.jpg").sha256 == read_photo(data, "b.jpg").sha256


def png_of_size(width: int, height: int) -> bytes:
    """A whole PNG whose header promises this size and whose pixels are missing."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return len(body).to_bytes(4) + kind + body + zlib.crc32(kind + body).to_bytes(4)

    head = width.to_bytes(4) + height.to_bytes(4) + bytes([8, 0, 0, 0, 0])
    body = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


WHOLE = encoded(picture())
WRONG = {
    "empty": (b"", "empty"),
    "text": (b"this is no photo at all", "not a photo"),
    "gif": (b"GIF89a" + bytes(50), "a GIF"),
    "tiff": (b"II*\0" + bytes(50), "TIFF"),
    "cut jpeg": (WHOLE[: len(WHOLE) // 2], "end of the file is missing"),
    "jpeg cut in its header": (WHOLE[:30], "end of the file is missing"),
    "jpeg without its last byte": (WHOLE[:-1], "end of the file is missing"),
    "cut png": (encoded(picture(), "PNG")[:-500], "damaged or missing|end of the file"),
    "png with a flipped bit": (encoded(picture(), "PNG").replace(b"IDAT", b"IDAU", 1), "damaged"),
    "png without pixels": (png_of_size(2000, 2000), "cannot be decoded"),
    "small": (encoded(picture().resize((640, 480))), "too few"),
    "bomb": (png_of_size(50000, 50000), "more than the 220 megapixels"),
    "zero width": (png_of_size(0, 5000), "too few"),
    "heic header only": (b"\0\0\0\x18ftypheic" + bytes(12), "HEIC file is damaged"),
}


@pytest.mark.parametrize("name", WRONG)
def test_what_is_no_usable_photo_is_refused_in_words(name):
    data, words = WRONG[name]
    with pytest.raises(PhotoError, match=words) as refusal:
        read_photo(data, "p07.jpg")
    assert str(refusal.value).startswith("p07.jpg: ")


def test_a_thumbnail_in_exif_does_not_hide_that_the_end_is_missing():
    thumbnail = encoded(picture().resize((160, 120)))
    exif = exif_with(make="Maker").tobytes() + thumbnail
    data = encoded(picture(), exif=exif)
    assert thumbnail[-2:] in data[: len(exif) + 100]
    with pytest.raises(PhotoError, match="end of the file is missing"):
        read_photo(data[:-1000], "p.jpg")


def test_broken_exif_costs_the_facts_and_not_the_photo():
    photo = read_photo(encoded(picture(), exif=b"Exif\0\0II*\0\xff\xff\xff\xff garbage"), "p.jpg")
    assert photo.exif.make is None and photo.size_px == SIZE


@needs_inputs
def test_real_files_have_the_size_and_facts_that_their_list_tells():
    """expected.csv was made with Pillow; HEIC sizes there are after the decoder's own turn."""
    with (INPUTS / "expected.csv").open() as file:
        rows = [row for row in csv.DictReader(file) if row["stored_w"]]
    checked = 0
    for row in rows:
        path = INPUTS.parent / row["file"]
        if path.suffix in (".jpg", ".png") and "bomb" not in path.name:
            header = read_header(path.read_bytes(), path.name)
            assert header.size_px == (int(row["stored_w"]), int(row["stored_h"])), path.name
            assert header.exif.model == (row["model"] or None), path.name
            expected = int(row["exif_orientation"] or 1) or 1  # 0 is not a valid orientation
            assert header.exif.orientation == expected, path.name
            grey = decode_grey(path.read_bytes(), path.name, header)
            assert grey.shape == header.size_px[::-1]
            checked += 1
    assert checked > 25


@needs_inputs
@pytest.mark.parametrize("number", range(1, 9))
def test_eight_orientations_of_one_picture_are_eight_arrays(number):
    """Turned upright by Pillow's rule they are one picture again (SOURCES.md: mean difference up to 3.4)."""
    data = (INPUTS / "orientation" / f"Landscape_{number}.jpg").read_bytes()
    photo = read_photo(data, "p.jpg")
    upright = {
        1: lambda a: a, 2: lambda a: a[:, ::-1], 3: lambda a: a[::-1, ::-1], 4: lambda a: a[::-1],
        5: lambda a: a.T, 6: lambda a: np.rot90(a, -1), 7: lambda a: a[::-1, ::-1].T, 8: np.rot90,
    }[photo.exif.orientation](photo.grey)  # fmt: skip
    first = read_photo((INPUTS / "orientation" / "Landscape_1.jpg").read_bytes(), "p.jpg").grey
    assert np.abs(upright.astype(int) - first).mean() < 3.5


@needs_inputs
def test_a_heic_that_its_decoder_turns_is_turned_back_to_the_sensor():
    data = (INPUTS / "heif" / "arrow.heic").read_bytes()
    photo = read_photo(data, "arrow.heic")
    # The iPhone 8 Plus's sensor is 4032 x 3024; the decoder shows the file upright, 3024 x 4032.
    assert photo.size_px == (4032, 3024) and photo.exif.orientation == 6
    shown = cv2.cvtColor(np.asarray(pillow_heif.open_heif(data)), cv2.COLOR_RGB2GRAY)
    np.testing.assert_array_equal(np.rot90(photo.grey, -1), shown)


@needs_inputs
def test_largest_phone_photos_pass_the_header_and_bombs_do_not():
    size_px = read_header((INPUTS / "heif" / "200MP.heic").read_bytes(), "p.heic").size_px
    assert size_px[0] * size_px[1] == 16320 * 12240
    with pytest.raises(PhotoError, match="220 megapixels"):
        read_photo((INPUTS / "odd" / "bomb_50000x50000_1bit.png").read_bytes(), "p.png")


BROKEN = [
    "variants/ch_truncated_half.jpg",
    "variants/zero_bytes.jpg",
    "variants/text_named.jpg",
    "heif/truncated.heic",
    "heif/corrupted.heic",
    "heif/empty.heic",
    "odd/truncated_jpeg.jpg",
    "odd/truncated_image.png",
    "odd/broken.png",
    "odd/broken_data_stream.png",
    "odd/monkey12_12bit.jpg",
    "odd/decompression_bomb.gif",
    "odd/16bit.cropped.tif",
    "odd/hopper_16bit.pgm",
    "odd/bomb_header_2147483647.png",
]


@needs_inputs
@pytest.mark.parametrize("name", BROKEN)
def test_real_broken_files_are_refused_in_words(name):
    with pytest.raises(PhotoError, match="p.jpg: "):
        read_photo((INPUTS / name).read_bytes(), "p.jpg")
