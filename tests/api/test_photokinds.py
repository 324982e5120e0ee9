"""What phones make beside ordinary photos gets a plain sentence."""

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from api.photos.metadata import Extras
from api.photos.photokinds import refuse_other_files, refuse_panorama, remarks
from vision.errors import PhotoError
from vision.photo import ExifFacts, PhotoHeader

PHONE = PhotoHeader("jpeg", (4032, 3024), ExifFacts(make="Invented", model="Phone 1", software="17.1"))


@pytest.mark.parametrize(
    ("start", "word"),
    [
        (b"II*\0" + bytes(20), "raw"),
        (b"MM\0*" + bytes(20), "raw"),
        (b"\0\0\0\x18ftypcrx " + bytes(20), "raw"),
        (b"\0\0\0\x18ftypqt  " + bytes(20), "video"),
        (b"\0\0\0\x18ftypmp42" + bytes(20), "video"),
        (b"RIFF\0\0\0\0AVI " + bytes(20), "video"),
        (b"\0\0\0\x18ftypavif" + bytes(20), "AVIF"),
    ],
)
def test_other_files_are_refused_by_what_they_are(start, word):
    with pytest.raises(PhotoError, match=word):
        refuse_other_files(start, "IMG_1.jpg")


def test_an_ordinary_photo_passes_without_a_word():
    out = io.BytesIO()
    Image.fromarray(np.zeros((8, 8), np.uint8)).save(out, "JPEG")
    refuse_other_files(out.getvalue(), "IMG_1.jpg")
    refuse_panorama(PHONE, Extras(), "IMG_1.jpg")
    assert remarks(PHONE, Extras()) == ()


@pytest.mark.parametrize(
    ("header", "extras"),
    [
        (replace(PHONE, size_px=(9000, 2000)), Extras()),
        (replace(PHONE, size_px=(2000, 9000)), Extras()),
        (PHONE, Extras(custom_rendered=6)),
        (PHONE, Extras(xmp=b'<rdf:Description GPano:ProjectionType="cylindrical"/>')),
    ],
)
def test_a_panorama_is_refused(header, extras):
    with pytest.raises(PhotoError, match="panorama"):
        refuse_panorama(header, extras, "IMG_1.jpg")


@pytest.mark.parametrize(
    ("header", "extras", "word"),
    [
        (PhotoHeader("jpeg", (1600, 1200), ExifFacts()), Extras(), "messenger"),
        (PhotoHeader("png", (1170, 2532), ExifFacts()), Extras(), "screenshot"),
        (PhotoHeader("jpeg", (4032, 3024), ExifFacts()), Extras(), "which camera"),
        (replace(PHONE, exif=replace(PHONE.exif, software="GIMP 2.10")), Extras(), "edited"),
        (PHONE, Extras(custom_rendered=8), "portrait"),
        (PHONE, Extras(xmp=b'GDepth:Format="RangeInverse"'), "portrait"),
    ],
)
def test_what_serves_less_is_told_with_what_to_do(header, extras, word):
    (says,) = remarks(header, extras)
    assert word in says and ("Send" in says or "send" in says or "Take" in says)
