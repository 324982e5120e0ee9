"""Place and videos are taken out of photo files; the picture's own bytes stay."""

import hashlib
import io
import re
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from api.photos.metadata import FURTHER, PLACE, VIDEO, clean, extras, jpeg_end
from vision.photo import decode_grey, read_header

INPUTS = Path(__file__).parents[3] / "shared" / "data" / "inputs"
GPS_PART = 0x8825
LATITUDE = (52.0, 31.0, 12.25)
XMP = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    b'<rdf:Description xmlns:exif="http://ns.adobe.com/exif/1.0/" exif:GPSLatitude="52,31.2N"'
    b' exif:FNumber="9/5">'
    b"<exif:GPSLongitude>13,24.5E</exif:GPSLongitude></rdf:Description></rdf:RDF></x:xmpmeta>"
)


def pixels(seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return cv2.GaussianBlur(rng.integers(0, 255, (300, 400, 3), np.uint8), (5, 5), 0)


def exif_with_place() -> Image.Exif:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Invented", "Phone 1", 6
    exif[0x8769] = {0x9003: "2026:03:14 09:10:00", 0x9011: "+02:00", 0xA405: 26, 0xA401: 7}
    exif[GPS_PART] = {1: "N", 2: LATITUDE, 3: "E", 4: (13.0, 24.0, 30.5), 29: "2026:03:14"}
    return exif


def jpeg() -> bytes:
    out = io.BytesIO()
    Image.fromarray(pixels()).save(out, "JPEG", exif=exif_with_place(), xmp=XMP, quality=90)
    return out.getvalue()


def png() -> bytes:
    out, text = io.BytesIO(), PngInfo()
    text.add_itxt("XML:com.adobe.xmp", XMP.decode())
    Image.fromarray(pixels()).save(out, "PNG", exif=exif_with_place(), pnginfo=text)
    return out.getvalue()


def heic() -> bytes:
    out = io.BytesIO()
    heif = pillow_heif.from_pillow(Image.fromarray(pixels()))
    heif.info["exif"], heif.info["xmp"] = exif_with_place().tobytes(), XMP
    heif.save(out, quality=80)
    return out.getvalue()


MADE = {"jpeg": jpeg, "png": png, "heic": heic}


def place_in(data: bytes, kind: str) -> dict:
    """The place as another library reads it."""
    if kind == "heic":
        exif = Image.Exif()
        exif.load(pillow_heif.open_heif(io.BytesIO(data)).info["exif"])
        return dict(exif.get_ifd(GPS_PART))
    return dict(Image.open(io.BytesIO(data)).getexif().get_ifd(GPS_PART))


def decoded(data: bytes) -> np.ndarray:
    return decode_grey(data, "photo", read_header(data, "photo"))


@pytest.mark.parametrize("kind", MADE)
def test_the_place_is_gone_and_all_else_stays(kind):
    data = MADE[kind]()
    assert place_in(data, kind)[2] == LATITUDE and b"GPSLatitude" in data
    cleaned = clean(data, kind, keeps_place=False)
    assert cleaned.taken_out == (PLACE,)
    assert not place_in(cleaned.data, kind)
    assert b"GPS" not in cleaned.data and b"2026:03:14\x00" not in cleaned.data.replace(b"2026:03:14 09", b"")
    assert b'exif:FNumber="9/5"' in cleaned.data
    assert read_header(cleaned.data, "photo") == read_header(data, "photo")
    assert (decoded(cleaned.data) == decoded(data)).all()


@pytest.mark.parametrize("kind", ["jpeg", "heic"])
def test_bytes_are_blanked_where_they_stand(kind):
    data = MADE[kind]()
    cleaned = clean(data, kind, keeps_place=False).data
    assert len(cleaned) == len(data)
    changed = np.flatnonzero(np.frombuffer(data, np.uint8) != np.frombuffer(cleaned, np.uint8))
    assert set(cleaned[i] for i in changed) <= {0, ord(" ")}


@pytest.mark.parametrize("kind", MADE)
def test_a_shop_may_keep_the_place(kind):
    data = MADE[kind]()
    assert clean(data, kind, keeps_place=True).data == data


@pytest.mark.parametrize("kind", MADE)
def test_cleaning_twice_changes_nothing_more(kind):
    once = clean(MADE[kind](), kind, keeps_place=False).data
    again = clean(once, kind, keeps_place=False)
    assert again.data == once and again.taken_out == ()


@pytest.mark.parametrize("kind", MADE)
def test_other_facts_are_read(kind):
    found = extras(MADE[kind](), kind)
    assert (found.custom_rendered, found.offset) == (7, "+02:00")
    assert b"FNumber" in found.xmp


def test_a_motion_photo_loses_its_video():
    data = jpeg()
    video = b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom" + bytes(range(256)) * 40
    cleaned = clean(data + video, "jpeg", keeps_place=True)
    assert cleaned.data == data and cleaned.taken_out == (VIDEO,)


def test_a_heic_motion_photo_loses_its_video():
    data = heic()
    box = (8 + 5000).to_bytes(4) + b"mpvd" + bytes(5000)
    cleaned = clean(data + box, "heic", keeps_place=True)
    assert cleaned.data == data and cleaned.taken_out == (VIDEO,)


def test_pictures_behind_the_photo_go_with_their_place():
    data = jpeg()
    cleaned = clean(data + jpeg(), "jpeg", keeps_place=False)
    assert len(cleaned.data) == len(data) and FURTHER in cleaned.taken_out


def test_the_end_of_a_progressive_jpeg_is_found_behind_its_last_scan():
    ok, data = cv2.imencode(
        ".jpg", pixels(), [cv2.IMWRITE_JPEG_PROGRESSIVE, 1, cv2.IMWRITE_JPEG_RST_INTERVAL, 4]
    )
    assert ok and jpeg_end(data.tobytes() + b"more") == len(data)


def test_a_place_part_that_points_astray_harms_nothing():
    for tail in (b"\xff\xff\xff\x7f", b"\x08\x00\x00\x00", b"\x00\x00\x00\x00"):
        data = re.sub(
            rb"(\x25\x88\x04\x00\x01\x00\x00\x00)....", lambda m, t=tail: m[1] + t, jpeg(), flags=re.DOTALL
        )
        cleaned = clean(data, "jpeg", keeps_place=False).data
        assert (decoded(cleaned) == decoded(data)).all()


@pytest.mark.skipif(not INPUTS.is_dir(), reason="the shared input files are not beside the checkout")
def test_no_shared_file_changes_its_pixels():
    n = 0
    for path in sorted(INPUTS.rglob("*")):
        data = path.read_bytes() if path.is_file() else b""
        try:
            header = read_header(data, path.name)
            before = decode_grey(data, path.name, header) if np.prod(header.size_px) < 60e6 else None
        except Exception:  # noqa: BLE001 - files that cannot be read are other tests' matter
            continue
        cleaned = clean(data, header.kind, keeps_place=False).data
        assert read_header(cleaned, path.name) == header
        if before is not None:
            assert hashlib.sha256(decoded(cleaned)).digest() == hashlib.sha256(before).digest(), path.name
        n += 1
    assert n >= 30
