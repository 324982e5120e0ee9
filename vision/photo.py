"""Photo bytes -> Photo: the grey image as stored (sensor axes), EXIF facts, hash."""

import hashlib
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from io import BytesIO
from typing import Any, Literal

import cv2
import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import Image

from vision.errors import PhotoError

# Below 2 MP a plate across the shop has too few pixels; above 220 MP no phone takes photos, and a
# forged header could ask for any amount of memory.
SMALLEST_MP, LARGEST_MP = 2.0, 220.0

_TAKE_AGAIN = "Copy it from the phone again, or leave it out."
_KNOWN_OTHERS = (
    (b"GIF8", "a GIF"),
    (b"II*\0", "a TIFF or raw file"),
    (b"MM\0*", "a TIFF or raw file"),
    (b"RIFF", "a WebP or video file"),
    (b"BM", "a BMP"),
    (b"%PDF", "a PDF"),
)


@dataclass(frozen=True)
class ExifFacts:
    """What the file says about the camera. A missing field is None.

    `orientation` is EXIF's 1..8 (1 where absent); it is never applied to the pixels we measure.
    `taken` is EXIF's local time as ISO text without zone, for sorting and for finding mixed visits.
    """

    make: str | None = None
    model: str | None = None
    lens_model: str | None = None
    focal_length_mm: float | None = None
    focal_35mm: float | None = None
    digital_zoom: float | None = None
    exposure_time_s: float | None = None
    orientation: int = 1
    taken: str | None = None
    software: str | None = None


@dataclass(frozen=True, eq=False)
class Photo:
    """One photo. `grey` is uint8 (height, width), read-only, EXIF orientation not applied."""

    name: str
    sha256: str
    size_px: tuple[int, int]  # (width, height) of the stored array
    exif: ExifFacts
    grey: NDArray


@dataclass(frozen=True)
class PhotoHeader:
    """What a photo's file says before any pixel is decoded.

    `quarter_turns` is how often a HEIC decoder turns the sensor's array counter-clockwise by itself;
    `size_px` is (width, height) in sensor axes, with those turns undone.
    """

    kind: Literal["jpeg", "png", "heic"]
    size_px: tuple[int, int]
    exif: ExifFacts
    quarter_turns: int = 0


def read_photo(data: bytes, name: str) -> Photo:
    """Decode a photo to grey in sensor axes, after its size has been judged from the header.

    Raises:
        PhotoError: Not a JPEG, PNG or HEIC, incomplete, damaged, or outside 2 to 220 megapixels.
    """
    header = read_header(data, name)
    check_size(header, name)
    grey = decode_grey(data, name, header)
    return Photo(name, hashlib.sha256(data).hexdigest(), header.size_px, header.exif, grey)


def check_size(header: PhotoHeader, name: str) -> None:
    """Judge a photo's size before its pixels take memory.

    Raises:
        PhotoError: Outside 2 to 220 megapixels.
    """
    width, height = header.size_px
    megapixels = width * height / 1e6
    if megapixels < SMALLEST_MP:
        raise PhotoError(
            f"{name}: {width} x {height} pixels are too few to measure. "
            "Use the phone's original photo (at least 2 megapixels), not a preview or a screenshot."
        )
    if megapixels > LARGEST_MP:
        raise PhotoError(
            f"{name}: {width} x {height} pixels are more than the {LARGEST_MP:.0f} megapixels that are "
            "read. Take the photo at the phone's ordinary size."
        )


def read_header(data: bytes, name: str) -> PhotoHeader:
    """Kind (by content, not by extension), size and EXIF, without decoding.

    Raises:
        PhotoError: Not a JPEG, PNG or HEIC, or incomplete.
    """
    if not data:
        raise PhotoError(f"{name}: the file is empty. {_TAKE_AGAIN}")
    if data[:3] == b"\xff\xd8\xff":
        return _jpeg_header(data, name)
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return _png_header(data, name)
    if data[4:8] == b"ftyp" and pillow_heif.is_supported(data):
        return _heic_header(data, name)
    what = next((words for start, words in _KNOWN_OTHERS if data.startswith(start)), "not a photo")
    raise PhotoError(
        f"{name}: this is {what}, or a damaged file. JPEG, PNG and HEIC are read: export the photo as JPEG."
    )


def decode_grey(data: bytes, name: str, header: PhotoHeader) -> NDArray:
    """The grey array (height, width), uint8, read-only, in sensor axes.

    Raises:
        PhotoError: The pixels cannot be decoded, or not to the size that the header promised.
    """
    grey = _heic_grey(data, header) if header.kind == "heic" else _cv2_grey(data)
    width, height = header.size_px
    if grey is None or grey.shape != (height, width):
        raise PhotoError(f"{name}: the file is damaged and cannot be decoded. {_TAKE_AGAIN}")
    grey = np.ascontiguousarray(grey)
    grey.flags.writeable = False
    return grey


def _cv2_grey(data: bytes) -> NDArray | None:
    try:
        return cv2.imdecode(
            np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION
        )
    except cv2.error:
        return None


# JPEG: ITU-T T.81, annex B.


def _jpeg_header(data: bytes, name: str) -> PhotoHeader:
    size_px: tuple[int, int] | None = None
    exif = ExifFacts()
    for marker, start, end in jpeg_segments(data):
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC) and end - start >= 6:
            if data[start] != 8:
                raise PhotoError(
                    f"{name}: a JPEG with {data[start]} bits per colour is not read. "
                    "Export it as an ordinary JPEG."
                )
            size_px = (
                int.from_bytes(data[start + 3 : start + 5]),
                int.from_bytes(data[start + 1 : start + 3]),
            )
        elif marker == 0xE1 and data[start : start + 6] == b"Exif\0\0" and exif == ExifFacts():
            exif = _exif_facts(data[start:end])
        elif marker == 0xDA:
            # In the coded pixels every 0xFF is followed by 0 or a restart marker, so this is the true end.
            # Where it is missing, decoders fill up with grey.
            # Looked for from the back, where it is.
            if data.rfind(b"\xff\xd9", end) < 0:
                raise PhotoError(f"{name}: the end of the file is missing. {_TAKE_AGAIN}")
            break
    else:
        raise PhotoError(f"{name}: the end of the file is missing. {_TAKE_AGAIN}")
    if size_px is None or 0 in size_px:
        raise PhotoError(f"{name}: the JPEG does not say its size: it is damaged. {_TAKE_AGAIN}")
    return PhotoHeader("jpeg", size_px, exif)


def jpeg_segments(data: bytes) -> Iterator[tuple[int, int, int]]:
    """(marker, start, end) of each segment's content, to the first scan."""
    at = 2
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            at += 1  # tolerated padding between segments
            continue
        marker = data[at + 1]
        if marker in (0xFF, 0x00, 0x01) or 0xD0 <= marker <= 0xD9:
            at += 1 if marker == 0xFF else 2
            continue
        end = at + 2 + int.from_bytes(data[at + 2 : at + 4])
        yield marker, at + 4, end
        if marker == 0xDA:
            return
        at = end


# PNG: ISO/IEC 15948.


def _png_header(data: bytes, name: str) -> PhotoHeader:
    if data[12:16] != b"IHDR" or len(data) < 33:
        raise PhotoError(f"{name}: the PNG's header is damaged. {_TAKE_AGAIN}")
    size_px = (int.from_bytes(data[16:20]), int.from_bytes(data[20:24]))
    exif, complete, at = ExifFacts(), False, 8
    while at + 12 <= len(data) and not complete:
        length = int.from_bytes(data[at : at + 4])
        kind, end = data[at + 4 : at + 8], at + 8 + length
        if zlib.crc32(data[at + 4 : end]) != int.from_bytes(data[end : end + 4]):
            raise PhotoError(f"{name}: a part of the PNG is damaged or missing. {_TAKE_AGAIN}")
        if kind == b"eXIf":
            exif = _exif_facts(b"Exif\0\0" + data[at + 8 : end])
        complete = kind == b"IEND"
        at = end + 4
    if not complete:
        raise PhotoError(f"{name}: the end of the file is missing. {_TAKE_AGAIN}")
    return PhotoHeader("png", size_px, exif)


# HEIC: ISO/IEC 23008-12; its decoders turn the picture upright by themselves.


def _heic_header(data: bytes, name: str) -> PhotoHeader:
    try:
        heif = pillow_heif.open_heif(BytesIO(data))
        width, height = heif.size
        turns = _heic_quarter_turns(data)
        exif_bytes = heif.info.get("exif")
    except (ValueError, OSError, RuntimeError, EOFError, SyntaxError, IndexError, MemoryError) as error:
        raise PhotoError(f"{name}: the HEIC file is damaged or incomplete. {_TAKE_AGAIN}") from error
    if _heic_is_cut(data):
        raise PhotoError(f"{name}: the end of the file is missing. {_TAKE_AGAIN}")
    facts = _exif_facts(exif_bytes) if exif_bytes else ExifFacts()
    # What the file's own turn says is EXIF's 1, 8, 3, 6; the EXIF copy in a HEIC is for information only.
    facts = replace(facts, orientation=(1, 8, 3, 6)[turns])
    return PhotoHeader("heic", (height, width) if turns % 2 else (width, height), facts, turns)


def _heic_grey(data: bytes, header: PhotoHeader) -> NDArray | None:
    try:
        heif = pillow_heif.open_heif(BytesIO(data), convert_hdr_to_8bit=True)
        pixels = np.asarray(heif)
    except (ValueError, OSError, RuntimeError, EOFError, SyntaxError, MemoryError):
        return None
    if pixels.ndim == 3:
        pixels = cv2.cvtColor(np.ascontiguousarray(pixels[..., :3]), cv2.COLOR_RGB2GRAY)
    return np.rot90(pixels, -header.quarter_turns)


def boxes(data: bytes, start: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """(kind, start, end) of the content of each box of an ISO base media file (ISO/IEC 14496-12, 4.2)."""
    while start + 8 <= end:
        size, kind, body = int.from_bytes(data[start : start + 4]), data[start + 4 : start + 8], start + 8
        if size == 1:
            size, body = int.from_bytes(data[start + 8 : start + 16]), start + 16
        stop = end if size == 0 else start + size
        yield kind, body, stop
        if stop <= start:
            return
        start = stop


def _heic_is_cut(data: bytes) -> bool:
    return any(stop > len(data) for _, _, stop in boxes(data, 0, len(data)))


def _heic_quarter_turns(data: bytes) -> int:
    """Counter-clockwise quarter turns (`irot`) of the primary picture; 0 for one that is mirrored too."""
    meta = next(((start, end) for kind, start, end in boxes(data, 0, len(data)) if kind == b"meta"), None)
    if meta is None:
        return 0
    parts = {kind: (start, end) for kind, start, end in boxes(data, meta[0] + 4, meta[1])}
    if b"pitm" not in parts or b"iprp" not in parts:
        return 0
    at = parts[b"pitm"][0]
    primary = int.from_bytes(data[at + 4 : at + (6 if data[at] == 0 else 8)])
    properties: list[tuple[bytes, int]] = []
    chosen: list[int] = []
    for kind, start, end in boxes(data, *parts[b"iprp"]):
        if kind == b"ipco":
            properties = [(name, body) for name, body, _ in boxes(data, start, end)]
        elif kind == b"ipma":
            chosen += _associated(data, start, primary)
    own = [properties[index - 1] for index in chosen if 0 < index <= len(properties)]
    if any(name == b"imir" for name, _ in own):
        return 0
    return sum(data[body] & 3 for name, body in own if name == b"irot") % 4


def _associated(data: bytes, at: int, item: int) -> list[int]:
    """Property numbers of `item` in an `ipma` box (ISO/IEC 23008-12, 9.3)."""
    version, wide = data[at], data[at + 3] & 1
    count, at = int.from_bytes(data[at + 4 : at + 8]), at + 8
    id_bytes, index_bytes = (2 if version == 0 else 4), (2 if wide else 1)
    found: list[int] = []
    for _ in range(min(count, len(data))):
        number, n = int.from_bytes(data[at : at + id_bytes]), data[at + id_bytes]
        at += id_bytes + 1
        if number == item:
            mask = 0x7FFF if wide else 0x7F
            found += [
                int.from_bytes(data[k : k + index_bytes]) & mask
                for k in range(at, at + n * index_bytes, index_bytes)
            ]
        at += n * index_bytes
    return found


# EXIF: CIPA DC-008.

_MAKE, _MODEL, _ORIENTATION, _SOFTWARE, _DATETIME, _SUB = 0x010F, 0x0110, 0x0112, 0x0131, 0x0132, 0x8769
_EXPOSURE, _TAKEN, _FOCAL, _ZOOM, _FOCAL_35, _LENS = 0x829A, 0x9003, 0x920A, 0xA404, 0xA405, 0xA434


def _exif_facts(block: bytes) -> ExifFacts:
    """EXIF of a block that starts with `Exif`; a broken block costs its facts, never the photo."""
    exif = Image.Exif()
    try:
        exif.load(block)
        top, sub = dict(exif), dict(exif.get_ifd(_SUB))
    except Exception:  # noqa: BLE001 - Pillow raises many kinds for broken EXIF, which is no reason to lose a photo
        return ExifFacts()
    turned = top.get(_ORIENTATION)
    orientation = turned if isinstance(turned, int) and 1 <= turned <= 8 else 1
    return ExifFacts(
        make=_text(top.get(_MAKE)),
        model=_text(top.get(_MODEL)),
        lens_model=_text(sub.get(_LENS)),
        focal_length_mm=_positive(sub.get(_FOCAL)),
        focal_35mm=_positive(sub.get(_FOCAL_35)),
        digital_zoom=_positive(sub.get(_ZOOM)),
        exposure_time_s=_positive(sub.get(_EXPOSURE)),
        orientation=orientation,
        taken=_iso_time(sub.get(_TAKEN)) or _iso_time(top.get(_DATETIME)),
        software=_text(top.get(_SOFTWARE)),
    )


def _text(value: Any) -> str | None:
    if isinstance(value, bytes):
        value = value.decode("ascii", "replace")
    text = value.replace("\0", "").strip() if isinstance(value, str) else ""
    return text or None


def _positive(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if 0 < number < np.inf else None


def _iso_time(value: Any) -> str | None:
    try:
        return datetime.strptime(_text(value) or "", "%Y:%m:%d %H:%M:%S").isoformat()
    except ValueError:
        return None
