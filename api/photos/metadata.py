"""What a photo's file carries beside the picture: the place it was taken, videos; taken out without loss.

The picture's coded bytes stay as they are. In JPEG and HEIC the place is blanked where it stands, so that
nothing moves; in PNG the chunk's check sum is made anew. What follows the end of the picture (the video of a
motion photo, depth and brightness pictures with their own metadata) is cut off.
"""

import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from PIL import Image

from vision.photo import boxes, jpeg_segments

PLACE = "place (GPS)"
VIDEO = "video with sound"
FURTHER = "further pictures after the photo"
REST = "data after the photo's end"

# TIFF 6.0, section 2: bytes of each field type. EXIF (CIPA DC-008): pointers to the GPS and EXIF parts.
_TYPE_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
_GPS, _EXIF, _OFFSET, _CUSTOM = 0x8825, 0x8769, 0x9011, 0xA401
_MOST_PARTS = 16  # of an EXIF block; files have up to four
# Adobe XMP, part 2, "EXIF namespace": properties whose names begin with GPS, as attribute or element.
_XMP_PLACE = re.compile(
    rb"[\w.-]+:GPS\w*\s*=\s*(?:\"[^\"]*\"|'[^']*')|<([\w.-]+:GPS\w*)\b[^>]*(?:/>|>.*?</\1\s*>)", re.DOTALL
)
_XMP_STARTS = (b"http://ns.adobe.com/xap/1.0/\0", b"http://ns.adobe.com/xmp/extension/\0")
_NEXT_MARKER = re.compile(rb"\xff+[^\x00\xff\xd0-\xd7]")


@dataclass(frozen=True)
class Cleaned:
    """A file as it is stored, and in words what was taken out."""

    data: bytes
    taken_out: tuple[str, ...]


@dataclass(frozen=True)
class Extras:
    """EXIF beyond what measuring needs."""

    custom_rendered: int | None = None
    offset: str | None = None  # of the time taken from UTC, such as +02:00
    xmp: bytes = b""


def clean(data: bytes, kind: Literal["jpeg", "png", "heic"], keeps_place: bool) -> Cleaned:
    """Take out place and videos; `keeps_place` leaves the place in."""
    taken_out = []
    if kind == "jpeg":
        end = jpeg_end(data)
        if any(data[end:]):
            taken_out.append(_what_follows(data[end:]))
        data = data[:end]
    elif kind == "heic":
        end = _heic_end(data)
        if end < len(data):
            taken_out.append(VIDEO if b"mpvd" in data[end:] else REST)
        data = data[:end]
    if not keeps_place:
        without = _WITHOUT_PLACE[kind](data)
        if without != data:
            taken_out.append(PLACE)
        data = without
    return Cleaned(data, tuple(taken_out))


def extras(data: bytes, kind: Literal["jpeg", "png", "heic"]) -> Extras:
    """What else a photo's EXIF and XMP say; broken ones say nothing."""
    blocks = list(_BLOCKS[kind](data))
    xmp = b"".join(block for name, block in blocks if name == "xmp")
    for name, block in blocks:
        if name == "exif":
            found = _exif_part(block)
            custom, offset = found.get(_CUSTOM), found.get(_OFFSET)
            return Extras(
                custom if isinstance(custom, int) else None,
                offset.strip("\0 ") if isinstance(offset, str) else None,
                xmp,
            )
    return Extras(xmp=xmp)


def _exif_part(tiff: bytes) -> dict[int, Any]:
    exif = Image.Exif()
    try:
        exif.load(b"Exif\0\0" + tiff)
        return dict(exif.get_ifd(_EXIF))
    except Exception:  # noqa: BLE001 - Pillow raises many kinds for broken EXIF, which is no reason to lose a photo
        return {}


# --- EXIF and XMP ---------------------------------------------------------------------------------


def _blank_place(tiff: bytearray) -> None:
    """Blank the GPS part of an EXIF block, in place; it is left with no entries."""
    order: Literal["little", "big"] = "little" if tiff[:2] == b"II" else "big"
    wanted = [int.from_bytes(tiff[4:8], order)]
    seen: set[int] = set()
    while wanted and len(seen) < _MOST_PARTS:
        at = wanted.pop()
        if at in seen or at < 8 or at + 2 > len(tiff):
            continue
        seen.add(at)
        n = int.from_bytes(tiff[at : at + 2], order)
        for entry in range(at + 2, min(at + 2 + 12 * n, len(tiff) - 11), 12):
            tag = int.from_bytes(tiff[entry : entry + 2], order)
            pointer = int.from_bytes(tiff[entry + 8 : entry + 12], order)
            if tag == _GPS:
                _blank_part(tiff, pointer, order)
            elif tag == _EXIF:
                wanted.append(pointer)
        wanted.append(int.from_bytes(tiff[at + 2 + 12 * n : at + 6 + 12 * n], order))


def _blank_part(tiff: bytearray, at: int, order: Literal["little", "big"]) -> None:
    if at < 8 or at + 2 > len(tiff):
        return
    n = int.from_bytes(tiff[at : at + 2], order)
    for entry in range(at + 2, min(at + 2 + 12 * n, len(tiff) - 11), 12):
        kind = int.from_bytes(tiff[entry + 2 : entry + 4], order)
        size = _TYPE_BYTES.get(kind, 1) * int.from_bytes(tiff[entry + 4 : entry + 8], order)
        if size > 4:
            _zero(tiff, int.from_bytes(tiff[entry + 8 : entry + 12], order), size)
    _zero(tiff, at, 2 + 12 * n)


def _zero(block: bytearray, at: int, size: int) -> None:
    stop = min(at + size, len(block))
    if at < stop:
        block[at:stop] = bytes(stop - at)


def _xmp_without_place(xmp: bytes) -> bytes:
    return _XMP_PLACE.sub(lambda found: b" " * len(found.group()), xmp)


# --- JPEG: ITU-T T.81, annex B --------------------------------------------------------------------


def jpeg_end(data: bytes) -> int:
    """Where the picture ends, after its end marker; the file's length where it has none."""
    at = next((end for marker, _, end in jpeg_segments(data) if marker == 0xDA), len(data))
    while found := _NEXT_MARKER.search(data, at):
        if data[found.end() - 1] == 0xD9:
            return found.end()
        at = found.end() + int.from_bytes(data[found.end() : found.end() + 2])
    return len(data)


def _what_follows(rest: bytes) -> str:
    if b"ftyp" in rest:
        return VIDEO
    return FURTHER if b"\xff\xd8\xff" in rest else REST


def _jpeg_blocks(data: bytes) -> Iterator[tuple[str, bytes]]:
    for marker, start, end in jpeg_segments(data):
        block = data[start:end]
        if marker == 0xE1 and block.startswith(b"Exif\0\0"):
            yield "exif", block[6:]
        elif marker == 0xE1 and block.startswith(_XMP_STARTS):
            yield "xmp", block


def _jpeg_without_place(data: bytes) -> bytes:
    out = bytearray(data)
    for marker, start, end in jpeg_segments(data):
        block = data[start:end]
        if marker == 0xE1 and block.startswith(b"Exif\0\0"):
            tiff = bytearray(block[6:])
            _blank_place(tiff)
            out[start + 6 : start + 6 + len(tiff)] = tiff
        elif marker == 0xE1 and block.startswith(_XMP_STARTS):
            out[start : start + len(block)] = _xmp_without_place(block)
    return bytes(out)


# --- PNG: ISO/IEC 15948 ---------------------------------------------------------------------------


def _png_chunks(data: bytes) -> Iterator[tuple[bytes, int, int]]:
    """(kind, start, end) of each chunk's content."""
    at = 8
    while at + 12 <= len(data):
        end = at + 8 + int.from_bytes(data[at : at + 4])
        yield data[at + 4 : at + 8], at + 8, end
        at = end + 4


def _png_blocks(data: bytes) -> Iterator[tuple[str, bytes]]:
    for kind, start, end in _png_chunks(data):
        if kind == b"eXIf":
            yield "exif", data[start:end]
        elif kind == b"iTXt" and data[start:end].startswith(b"XML:com.adobe.xmp\0"):
            yield "xmp", data[start:end]


def _png_without_place(data: bytes) -> bytes:
    out = bytearray(data[:8])
    for kind, start, end in _png_chunks(data):
        content = data[start:end]
        if kind == b"eXIf":
            tiff = bytearray(content)
            _blank_place(tiff)
            content = bytes(tiff)
        elif kind == b"iTXt":
            content = _xmp_without_place(content)
        if not _is_packed_metadata(kind, content):
            out += len(content).to_bytes(4) + kind + content + zlib.crc32(kind + content).to_bytes(4)
    return bytes(out)


def _is_packed_metadata(kind: bytes, content: bytes) -> bool:
    """EXIF or XMP in packed text, where a place cannot be blanked: such chunks are left out."""
    keyword = content.partition(b"\0")[0]
    is_packed_xmp = kind == b"iTXt" and keyword == b"XML:com.adobe.xmp" and content[18:19] == b"\x01"
    return is_packed_xmp or (kind in (b"zTXt", b"tEXt") and keyword.startswith(b"Raw profile type"))


# --- HEIC: ISO/IEC 23008-12 and 14496-12 ----------------------------------------------------------

# Top-level boxes that phones put behind the picture: motion video, and their own data.
_BEHIND = (b"mpvd", b"sefd")
Extents = list[tuple[int, int]]


def _heic_end(data: bytes) -> int:
    at = 0
    for kind, _, stop in boxes(data, 0, len(data)):
        if kind in _BEHIND:
            return at
        at = stop
    return len(data)


def _heic_blocks(data: bytes) -> Iterator[tuple[str, bytes]]:
    for kind, extents in _heic_metadata(data):
        block = b"".join(data[start:end] for start, end in extents)
        yield kind, block[_tiff_start(block) :] if kind == "exif" else block


def _heic_without_place(data: bytes) -> bytes:
    out = bytearray(data)
    for kind, extents in _heic_metadata(data):
        block = b"".join(data[start:end] for start, end in extents)
        if kind == "exif":
            start_of_tiff = _tiff_start(block)
            tiff = bytearray(block[start_of_tiff:])
            _blank_place(tiff)
            block = block[:start_of_tiff] + tiff
        else:
            block = _xmp_without_place(block)
        for start, end in extents:
            out[start:end], block = block[: end - start], block[end - start :]
    return bytes(out)


def _tiff_start(block: bytes) -> int:
    """An EXIF item begins with the offset of its TIFF header (ISO/IEC 23008-12, A.2.1)."""
    return 4 + int.from_bytes(block[:4])


def _heic_metadata(data: bytes) -> Iterator[tuple[str, Extents]]:
    """The EXIF and XMP items: kind, and where their bytes lie."""
    meta = next(((start, end) for kind, start, end in boxes(data, 0, len(data)) if kind == b"meta"), None)
    if meta is None:
        return
    parts = {kind: (start, end) for kind, start, end in boxes(data, meta[0] + 4, meta[1])}
    if b"iinf" not in parts or b"iloc" not in parts:
        return
    idat = parts.get(b"idat", (0, 0))[0]
    places = _item_places(data, parts[b"iloc"][0], idat)
    start, end = parts[b"iinf"]
    for kind, at, stop in boxes(data, start + (6 if data[start] == 0 else 8), end):
        if kind != b"infe" or data[at] < 2:
            continue
        wide = 4 if data[at] == 3 else 2
        item = int.from_bytes(data[at + 4 : at + 4 + wide])
        item_type, words = data[at + 6 + wide : at + 10 + wide], data[at + 10 + wide : stop]
        if item_type == b"Exif":
            yield "exif", places.get(item, [])
        elif item_type == b"mime" and b"rdf+xml" in words:
            yield "xmp", places.get(item, [])


def _item_places(data: bytes, at: int, idat: int) -> dict[int, Extents]:
    """Where each item's bytes lie in the file (`iloc`, ISO/IEC 14496-12, 8.11.3)."""
    version, sizes = data[at], int.from_bytes(data[at + 4 : at + 6])
    offset_bytes, length_bytes, base_bytes = sizes >> 12, sizes >> 8 & 15, sizes >> 4 & 15
    index_bytes = sizes & 15 if version > 0 else 0
    id_bytes = 4 if version == 2 else 2
    reader = _Reader(data, at + 6)
    places: dict[int, Extents] = {}
    for _ in range(reader.number(id_bytes)):
        if reader.at >= len(data):
            break
        item = reader.number(id_bytes)
        method = reader.number(2) & 15 if version > 0 else 0
        reader.number(2)
        base = reader.number(base_bytes) + (idat if method == 1 else 0)
        extents = []
        for _ in range(reader.number(2)):
            reader.number(index_bytes)
            start = base + reader.number(offset_bytes)
            extents.append((start, min(start + reader.number(length_bytes), len(data))))
        places[item] = [extent for extent in extents if extent[0] < extent[1]] if method < 2 else []
    return places


@dataclass
class _Reader:
    """Big-endian numbers one after the other."""

    data: bytes
    at: int

    def number(self, n_bytes: int) -> int:
        self.at += n_bytes
        return int.from_bytes(self.data[self.at - n_bytes : self.at])


_WITHOUT_PLACE = {"jpeg": _jpeg_without_place, "png": _png_without_place, "heic": _heic_without_place}
_BLOCKS = {"jpeg": _jpeg_blocks, "png": _png_blocks, "heic": _heic_blocks}
