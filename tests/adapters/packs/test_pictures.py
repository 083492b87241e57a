"""Pictures without what is told beside them are drawn as before; Pillow is what draws them."""

from __future__ import annotations

import io
import random
import struct
from typing import Any

import pytest
from PIL import Image

from adapters.packs.pictures import endings_of, without_metadata

SECRET = b"wren_keeper at 10.9.8.7"


def frames(data: bytes) -> list[bytes]:
    with Image.open(io.BytesIO(data)) as image:
        drawn = []
        for number in range(getattr(image, "n_frames", 1)):
            image.seek(number)
            drawn.append(image.convert("RGBA").tobytes())
        return drawn


def made(kind: str, mode: str = "RGB", count: int = 1, **options: Any) -> bytes:
    size = (50, 34)
    images = []
    for number in range(count):
        ramp = Image.linear_gradient("L").resize(size).rotate(90 * number)
        images.append(Image.merge("RGB", [ramp, ramp.rotate(180), ramp]).convert(mode))
    stream = io.BytesIO()
    more = {"save_all": True, "append_images": images[1:], "duration": 70} if count > 1 else {}
    images[0].save(stream, kind, **more, **options)
    return stream.getvalue()


EXIF = Image.Exif()
EXIF[0x010E] = SECRET.decode()
SOUND: dict[str, bytes] = {
    "png": made("PNG"),
    "png, palette with transparency": made("PNG", "P", transparency=3),
    "png, grey": made("PNG", "L", exif=EXIF),
    "png, animated": made("PNG", count=3, exif=EXIF),
    "jpeg": made("JPEG", exif=EXIF, comment=SECRET),
    "jpeg, progressive": made("JPEG", progressive=True, exif=EXIF, quality=60),
    "jpeg, grey, restarts": made("JPEG", "L", restart_marker_rows=1, comment=SECRET),
    "jpeg, of Adobe": made("JPEG", "CMYK", exif=EXIF),
    "webp": made("WEBP", lossless=True, exif=EXIF, xmp=SECRET),
    "webp, animated, with alpha": made("WEBP", "RGBA", 3, exif=EXIF, xmp=SECRET),
    "webp, bare": made("WEBP"),
    "gif": made("GIF", "P", comment=SECRET),
    "gif, animated, looping": made("GIF", "P", 3, comment=SECRET, loop=0),
}


@pytest.mark.parametrize("name", SOUND)
def test_it_is_drawn_as_before_and_tells_nothing(name: str) -> None:
    data = SOUND[name]
    shared = without_metadata(data)
    assert frames(shared) == frames(data)
    assert endings_of(shared) == endings_of(data)
    assert SECRET not in shared
    assert SECRET[:8] not in shared
    assert without_metadata(shared) == shared
    if "looping" in name:
        with Image.open(io.BytesIO(shared)) as image:
            assert (image.info["loop"], image.info["duration"]) == (0, 70)
    if "exif" in name or "jpeg" in name:
        with Image.open(io.BytesIO(shared)) as image:
            assert "comment" not in image.info


@pytest.mark.parametrize("name", SOUND)
def test_what_stands_behind_its_end_goes(name: str) -> None:
    assert SECRET not in without_metadata(SOUND[name] + SECRET)


def test_which_way_up_it_is_stays(tmp_path: object) -> None:
    for turn in range(1, 9):
        exif = Image.Exif()
        exif[0x0112], exif[0x010E] = turn, SECRET.decode()
        shared = without_metadata(made("JPEG", exif=exif))
        with Image.open(io.BytesIO(shared)) as image:
            told = dict(image.getexif())
        assert told == ({0x0112: turn} if turn > 1 else {})


def test_exif_of_both_byte_orders_and_none() -> None:
    plain = made("JPEG")
    for order, mark in (("<", b"II"), (">", b"MM")):
        tags = struct.pack(f"{order}HIHHHIHHI", 42, 8, 1, 0x0112, 3, 1, 3, 0, 0)
        body = b"Exif\0\0" + mark + tags
        told = b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body
        with Image.open(io.BytesIO(without_metadata(plain[:2] + told + plain[2:]))) as image:
            assert image.getexif()[0x0112] == 3
    for body in (
        b"",
        b"Exif\0\0",
        b"Exif\0\0II",
        b"Exif\0\0XX" + bytes(20),
        b"Exif\0\0MM" + b"\xff" * 9,
    ):
        told = b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body
        assert without_metadata(plain[:2] + told + plain[2:]) == without_metadata(plain)


def test_by_chance_damaged_ones_are_refused_or_taken_in_words_alone() -> None:
    chance, refused = random.Random(3), 0
    for data in SOUND.values():
        for _ in range(60):
            hurt = bytearray(data)
            for _ in range(chance.choice((1, 3))):
                hurt[chance.randrange(len(hurt))] = chance.randrange(256)
            del hurt[chance.randrange(len(hurt) // 2, len(hurt)) :]
            try:
                size = len(without_metadata(bytes(hurt)))
            except ValueError:
                refused += 1
            else:
                assert size <= len(hurt) + 64
    assert refused > 300
