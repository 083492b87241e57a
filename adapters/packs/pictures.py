"""Pictures: which kind one is by its first bytes, and its bytes without what it tells beside it.

A picture may hold where it was taken, by whom and with which program, and the path it was saved to.
Chunks that are needed to draw it are kept, by the formats' own lists: PNG (W3C Recommendation, 5.6
and 11), JPEG (ITU-T T.81, annex B: APPn and COM are beside the picture), WebP (RFC 9649), GIF
(GIF89a, 24 and 26).  SVG is none of them: it can run scripts.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

__all__ = ["KNOWN", "endings_of", "without_metadata"]

KNOWN = "PNG, JPEG, WebP or GIF"

_PNG = b"\x89PNG\r\n\x1a\n"
_PNG_KEPT = frozenset(
    [b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"gAMA", b"cHRM", b"sRGB", b"sBIT", b"bKGD",
     b"pHYs", b"acTL", b"fcTL", b"fdAT"]
)  # fmt: skip
_JPEG = b"\xff\xd8\xff"
_STANDALONE = frozenset([0x01, *range(0xD0, 0xD8)])
_START_OF_SCAN, _END_OF_IMAGE, _JFIF, _EXIF, _ADOBE, _COMMENT = 0xDA, 0xD9, 0xE0, 0xE1, 0xEE, 0xFE
_ORIENTATION = 0x0112
_WEBP_BESIDE = {b"EXIF": 0x08, b"XMP ": 0x04, b"ICCP": 0x20}
_WEBP_KEPT = frozenset([b"VP8 ", b"VP8L", b"VP8X", b"ALPH", b"ANIM", b"ANMF"])
_GIF = (b"GIF87a", b"GIF89a")
_LOOPS = (b"\x0bNETSCAPE2.0", b"\x0bANIMEXTS1.0")


def endings_of(head: bytes) -> tuple[str, ...]:
    """How a picture's name may end by its first 12 bytes; nothing where it is none."""
    if head.startswith(_PNG):
        return (".png",)
    if head.startswith(_JPEG):
        return (".jpg", ".jpeg")
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return (".webp",)
    return (".gif",) if head.startswith(_GIF) else ()


def without_metadata(picture: bytes) -> bytes:
    """The picture as it is drawn.  Raises ValueError where it is none, or damaged."""
    kind = endings_of(picture)
    if not kind:
        raise ValueError(f"is no picture by its first bytes, expected {KNOWN}")
    make = {".png": _png, ".jpg": _jpeg, ".webp": _webp, ".gif": _gif}[kind[0]]
    try:
        return b"".join(make(picture))
    except (IndexError, struct.error):
        raise ValueError(f"is a damaged {kind[0][1:].upper()}: it is cut off") from None


def _png(data: bytes) -> Iterator[bytes]:
    yield _PNG
    at = len(_PNG)
    while True:
        length, kind = struct.unpack_from(">I4s", data, at)
        end = at + 12 + length
        if end > len(data):
            raise IndexError
        if kind in _PNG_KEPT:
            yield data[at:end]
        if kind == b"IEND":
            return
        at = end


def _jpeg(data: bytes) -> Iterator[bytes]:
    yield data[:2]
    at = 2
    while True:
        if data[at] != 0xFF:
            raise IndexError
        marker = data[at + 1]
        if marker == 0xFF:  # fill
            at += 1
            continue
        if marker == _END_OF_IMAGE:
            yield b"\xff\xd9"
            return
        if marker in _STANDALONE:
            yield data[at : at + 2]
            at += 2
            continue
        (length,) = struct.unpack_from(">H", data, at + 2)
        end = at + 2 + length
        if end > len(data) or length < 2:
            raise IndexError
        segment = data[at:end]
        if marker == _EXIF:
            yield _turned(segment[4:])
        elif marker in (_JFIF, _ADOBE) or not (0xE0 <= marker <= 0xEF or marker == _COMMENT):
            # a picture in the picture, which JFIF may have, is none of it
            yield segment if marker != _JFIF else _plain_jfif(segment)
        at = end
        if marker == _START_OF_SCAN:
            while not (data[at] == 0xFF and data[at + 1] != 0 and data[at + 1] not in _STANDALONE):
                found = data.find(b"\xff", at + 1)
                if found < 0:
                    raise IndexError
                yield data[at:found]
                at = found


def _plain_jfif(segment: bytes) -> bytes:
    if segment[4:9] != b"JFIF\0" or len(segment) < 18:
        return b""
    return b"\xff\xe0\x00\x10" + segment[4:16] + b"\0\0"


def _turned(exif: bytes) -> bytes:
    """Which way up it is, which cameras tell in Exif alone; the rest of that goes."""
    if exif[:6] != b"Exif\0\0":
        return b""
    body = exif[6:]
    order = {b"II": "<", b"MM": ">"}.get(body[:2])
    if order is None:
        return b""
    try:
        (first,) = struct.unpack_from(f"{order}I", body, 4)
        (count,) = struct.unpack_from(f"{order}H", body, first)
        for number in range(count):
            tag, kind, _, value = struct.unpack_from(f"{order}HHIH", body, first + 2 + 12 * number)
            if tag == _ORIENTATION and kind == 3 and 1 < value <= 8:
                told = struct.pack(">2sHIHHHIHHI", b"MM", 42, 8, 1, _ORIENTATION, 3, 1, value, 0, 0)
                return b"\xff\xe1" + struct.pack(">H", 8 + len(told)) + b"Exif\0\0" + told
    except struct.error:
        pass
    return b""


def _webp(data: bytes) -> Iterator[bytes]:
    kept: list[bytes] = []
    (whole,) = struct.unpack_from("<I", data, 4)
    end = 8 + whole
    if end > len(data):
        raise IndexError
    at = 12
    while at < end:
        kind, length = struct.unpack_from("<4sI", data, at)
        behind = at + 8 + length + length % 2
        if behind > end:
            raise IndexError
        if kind == b"VP8X":
            flags = data[at + 8]
            for beside in _WEBP_BESIDE.values():
                flags &= ~beside
            kept.append(data[at : at + 8] + bytes([flags]) + data[at + 9 : behind])
        elif kind in _WEBP_KEPT:
            kept.append(data[at:behind])
        at = behind
    body = b"WEBP" + b"".join(kept)
    yield b"RIFF" + struct.pack("<I", len(body)) + body


def _gif(data: bytes) -> Iterator[bytes]:
    at = 13 + _colours(data[10])
    yield data[:at]
    while True:
        kind = data[at]
        if kind == 0x3B:
            yield b";"
            return
        if kind == 0x21:
            end = _blocks(data, at + 2)
            label = data[at + 1]
            looping = label == 0xFF and data[at + 2 : at + 14] in _LOOPS
            if label == 0xF9 or looping:
                yield data[at:end]
        elif kind == 0x2C:
            end = _blocks(data, at + 11 + _colours(data[at + 9]))
            yield data[at:end]
        else:
            raise IndexError
        at = end


def _colours(flags: int) -> int:
    """Bytes of a table of colours."""
    return 3 << (flags & 7) + 1 if flags & 0x80 else 0


def _blocks(data: bytes, at: int) -> int:
    """The place behind a row of blocks, each of which begins with its length."""
    while data[at]:
        at += 1 + data[at]
    return at + 1
