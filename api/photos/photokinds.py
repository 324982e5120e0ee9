"""What sort of photo a file is, in plain sentences: some are refused, some serve less and are told so."""

from api.photos.metadata import Extras
from vision.errors import PhotoError
from vision.photo import PhotoHeader

# EXIF CustomRendered as phones use it beyond CIPA DC-008: panorama, and pictures with made-up blur.
PANORAMA, PORTRAITS = 6, (7, 8)
# Wider than any phone's ordinary photo (16:9 is 1.78, 21:9 is 2.33); common practice, no source.
MOST_ASPECT = 2.4
# Long sides to which messengers shrink photos; common practice, no source.
MESSENGER_SIDES = (1280, 1600, 1920, 2048, 2560)
# Phone screens are longer than the 3:4 of their photos; common practice, no source.
MOST_SCREEN_ASPECT = 0.6
_EDITORS = ("photoshop", "lightroom", "snapseed", "gimp", "picsart", "pixelmator", "darktable", "affinity")
_VIDEOS = (b"qt  ", b"mp41", b"mp42", b"isom", b"iso2", b"M4V ", b"3gp4", b"3gp5", b"avc1")


def refuse_other_files(data: bytes, name: str) -> None:
    """Refuse what phones make beside photos.

    Raises:
        PhotoError: It is a raw file, a video or a kind of picture that is not read.
    """
    brand = data[8:12] if data[4:8] == b"ftyp" else b""
    if data[:4] in (b"II*\0", b"MM\0*") or data[:8] == b"FUJIFILM" or brand == b"crx ":
        raise PhotoError(
            f"{name}: this is a raw file. Switch raw off in the phone's camera, so that it stores JPEG or "
            "HEIC, and take the photo again."
        )
    if brand in _VIDEOS or data[:4] == b"\x1aE\xdf\xa3" or (data[:4] == b"RIFF" and data[8:12] == b"AVI "):
        raise PhotoError(
            f"{name}: this is a video. Send photos; of a live or motion photo, the photo itself."
        )
    if brand in (b"avif", b"avis"):
        raise PhotoError(
            f"{name}: this is an AVIF picture, which is not read. Set the phone to JPEG or HEIC."
        )


def refuse_panorama(header: PhotoHeader, extras: Extras, name: str) -> None:
    """Refuse what was put together from a sweep: no lens ever saw it so.

    Raises:
        PhotoError: It is a panorama.
    """
    long, short = max(header.size_px), min(header.size_px)
    if long > MOST_ASPECT * short or extras.custom_rendered == PANORAMA or b"GPano:" in extras.xmp:
        raise PhotoError(
            f"{name}: this is a panorama, put together from a sweep, and cannot be measured. Take single "
            "photos with the main camera."
        )


def remarks(header: PhotoHeader, extras: Extras) -> tuple[str, ...]:
    """What makes a photo serve less well than the phone's original would, and what to do."""
    exif, long, short = header.exif, max(header.size_px), min(header.size_px)
    software = (exif.software or "").lower()
    is_bare = not (exif.make or exif.model or exif.focal_length_mm)
    says = []
    if header.kind == "png" and is_bare and short < MOST_SCREEN_ASPECT * long:
        says.append(
            "This looks like a screenshot. Send the photo itself from the gallery: a screenshot has fewer "
            "pixels and does not tell the lens."
        )
    elif is_bare and long in MESSENGER_SIDES:
        says.append(
            "This looks like a copy from a messenger: smaller than the original, and it does not tell the "
            "lens. Send the original from the phone's gallery."
        )
    elif is_bare:
        says.append("The file does not tell which camera took it. If this is a copy, send the original.")
    if any(editor in software for editor in _EDITORS):
        says.append(
            f"This photo was edited ({exif.software}). Cropping or straightening it spoils the measurement: "
            "send the unedited original."
        )
    if extras.custom_rendered in PORTRAITS or b"GDepth:" in extras.xmp:
        says.append(
            "This was taken in portrait mode, which blurs by calculation. Take photos in the ordinary mode."
        )
    return tuple(says)
