"""A set-up with everything that a pack can hold, in which private words stand wherever they can."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from PIL import Image, PngImagePlugin

from adapters.recordings.copying import copy_part
from adapters.recordings.header import About
from adapters.recordings.reader import open_recording

__all__ = ["PRIVATE", "PrivateSetup", "picture", "write"]

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_dumps"
HOST, ADDRESS, TOKEN, USER = "pier-9.keeper.lan", "10.9.8.7", "s3cret-of-the-tide-0", "wren_keeper"
FOLDER = "keeper-harbour"
PRIVATE = (HOST, ADDRESS, TOKEN, USER, FOLDER, "fog-bank", "/home/", "Users")
"""None of it may be in a pack; the folder is in every path of this machine."""
PATH = rf"C:\Users\{USER}\{FOLDER}"

SOURCE = f"""
[source]  # at {ADDRESS}
kind = "debugger"
address = "{HOST}:1234"
"""
OUTPUTS = f"""
[outputs.mqtt]
url = "mqtts://{ADDRESS}:8883"
user = "{USER}"
device = "fog-bank"
[outputs.overlay]
listen = "{ADDRESS}:7365"  # {TOKEN}
[outputs.recording]
path = '{PATH}\\laps\\{{name}}.mcap'
"""
EXPECT = """\
bridge = "swap.bridge.toml"  # as {path}

[[moments]]
recording = "clips/swap-00007-success.mcap"
frame = 741
expect = [
    {{ watch = "held_kind", value = "lantern" }},  # {host}
    {{ expr = "current_room.index", between = [0x0, 0x10] }},
]

[[moments]]
dump = '{dump}'
expect = [{{ watch = "held_kind", value = "lantern" }}]
"""


@dataclass(frozen=True, slots=True)
class PrivateSetup:
    """The bridge file, and the words that pack all of it."""

    folder: Path
    bridge: Path
    words: tuple[str, ...]


def picture(kind: str, **beside: Any) -> bytes:
    """A small picture that Pillow writes, with what it may tell beside it."""
    image = Image.radial_gradient("L").resize((40, 24)).convert("RGB")
    image.putpixel((3, 2), (250, 20, 20))
    stream = io.BytesIO()
    image.save(stream, kind, **beside)
    return stream.getvalue()


def pictures() -> Mapping[str, bytes]:
    """One of each kind, each with private words in all places that its kind has for words."""
    words = PngImagePlugin.PngInfo()
    words.add_text("Source", PATH)
    words.add_itxt("Author", USER, zip=True)
    exif = Image.Exif()
    exif[0x013B], exif[0x010E], exif[0x0112] = USER, PATH, 6
    comment = f"{HOST} {PATH}".encode()
    return {
        "door.png": picture("PNG", pnginfo=words, exif=exif, icc_profile=comment * 4),
        "turned.JPG": picture("JPEG", exif=exif, comment=comment, icc_profile=comment * 4),
        "map.webp": picture("WEBP", exif=exif, xmp=comment, icc_profile=comment * 4, lossless=True),
        "steps.gif": picture("GIF", comment=comment),
    }


def write(folder: Path) -> PrivateSetup:
    """Write it into a folder of a private name."""
    home = folder / FOLDER
    for name in ("clips", "pictures", "elsewhere"):
        (home / name).mkdir(parents=True)
    schema = home / "elsewhere" / "tide.schema.toml"
    game = (ROOT / "schemas" / "games" / "tidewright.schema.toml").read_text("utf-8")
    schema.write_text(f"# kept in {PATH}\n{game}", "utf-8")
    layout = home / "elsewhere" / "gull.layout.toml"
    saved = f"saved_from = 'debugger {HOST}:1234, frame 7'"
    text = (SAMPLES / "demo.layout.toml").read_text("utf-8")
    layout.write_text(re.sub("^saved_from = .*$", saved, text, flags=re.M), "utf-8")
    demo = (SAMPLES / "demo.bridge.toml").read_text("utf-8")
    head, _, rest = demo.partition("[source]")
    middle = rest[rest.index("[sampling]") :].partition("[outputs.overlay]")[0]
    text = f"# {TOKEN}\n" + head + SOURCE + middle + OUTPUTS
    text = text.replace("../schemas/games/tidewright.schema.toml", schema.as_posix())
    text = text.replace('"demo.layout.toml"', f"'{layout.as_posix()}'")
    text = text.replace("[attempts]", f"[attempts]\nfile = '{home.as_posix()}/fog-bank.sqlite'")
    bridge = home / "swap.bridge.toml"
    bridge.write_text(text, "utf-8")
    _clip(home / "clips" / "swap-00007-success.mcap", text, layout)
    dump = (home / "elsewhere" / "first-print-carry.bin.gz").as_posix()
    expect = EXPECT.format(path=PATH, host=HOST, dump=dump)
    (home / "held.expect.toml").write_text(expect, "utf-8")
    moves = f"# {ADDRESS}\n[moves.quarter]\nadd = 0x4000  # {HOST}\n"
    (home / "turns.toml").write_text(moves, "utf-8")
    (home / "how.md").write_bytes(b"\xef\xbb\xbf# The swap\r\n\r\nOpen http://127.0.0.1:7365/\r\n")
    for name, data in pictures().items():
        (home / "pictures" / name).write_bytes(data)
    words = (
        *("--title", "The swap", "--clip", "7", "--moves", str(home / "turns.toml")),
        *("--expect", str(home / "held.expect.toml"), "--notes", str(home / "how.md")),
        *("--picture", *(str(home / "pictures" / name) for name in pictures())),
    )
    return PrivateSetup(home, bridge, words)


def _clip(path: Path, bridge: str, layout: Path) -> None:
    """Six seconds of the demo, frames 692 to 1052, recorded as if from a machine far away."""

    def about(recorded: About) -> About:
        layouts = {"gull_in_place": layout.read_text("utf-8")}
        return replace(recorded, bridge=bridge, source=f"debugger {HOST}:1234", layouts=layouts)

    def readings(told: dict[str, Any]) -> dict[str, Any]:
        return {**told, "source": f"debugger {HOST}:1234"}

    first = open_recording(SAMPLES / "demo.mcap").groups[0].first_time / 1e9
    copy_part([SAMPLES / "demo.mcap"], path, first + 5, first + 11, about=about, readings=readings)
