"""``lowhalf pack``, ``unpack``, and packs that are checked, read and run as they are.

What is read back is read by others: zip archives by Python's zipfile, recordings by the mcap
library, pictures by Pillow, digests by openssl.
"""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from mcap.reader import make_reader
from PIL import Image

from adapters.commands.main import main
from adapters.packs.reading import open_pack
from adapters.recordings.reader import open_recording
from adapters.sessions.bridge_file import load_bridge
from adapters.sessions.packed_bridge import packed_bridge
from tests.commands import private_setup
from tests.commands.private_setup import PRIVATE, SAMPLES, PrivateSetup

DEMO = str(SAMPLES / "demo.bridge.toml")
CARRY = SAMPLES / "first-print-carry.bridge.toml"
SECOND = SAMPLES / "second-print-carry.bridge.toml"
CARRY_DUMP = str(SAMPLES / "first-print-carry.bin.gz")

Capture = pytest.CaptureFixture[str]


def said(capsys: Capture, *words: object) -> tuple[int, str, str]:
    code = main([str(word) for word in words])
    printed = capsys.readouterr()
    return code, printed.out, printed.err


@pytest.fixture(scope="module")
def setup(tmp_path_factory: pytest.TempPathFactory) -> PrivateSetup:
    return private_setup.write(tmp_path_factory.mktemp("setup"))


@pytest.fixture(scope="module")
def pack(setup: PrivateSetup, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("packs") / "swap.zip"
    assert main(["pack", str(setup.bridge), str(path), *setup.words]) == 0
    return path


MEMBERS = [
    "manifest.toml",
    "swap.bridge.toml",
    "tide.schema.toml",
    "layouts/gull_in_place.layout.toml",
    "moves/turns.toml",
    "expectations/held.expect.toml",
    "notes/how.md",
    *("pictures/door.png", "pictures/map.webp", "pictures/steps.gif", "pictures/turned.JPG"),
    "recordings/swap-00007-success.mcap",
]


def test_another_reader_finds_what_the_manifest_says(pack: Path) -> None:
    with zipfile.ZipFile(pack) as archive:
        assert archive.testzip() is None
        assert archive.namelist() == MEMBERS
        for each in archive.infolist():
            assert each.date_time == (1980, 1, 1, 0, 0, 0)
            assert (each.external_attr, each.create_system) == (0o100644 << 16, 3)
            assert (each.flag_bits, each.extra) == (0, b"")
        manifest = tomllib.loads(archive.read("manifest.toml").decode())
        told = {each["path"]: each["size"] for each in manifest.pop("members")}
        assert told == {each.filename: each.file_size for each in archive.infolist()[1:]}
    assert manifest["title"] == "The swap"
    assert manifest["game"] == "Tidewright"
    assert manifest["format"] == 1
    known = {"at": 0x80000400, "bytes": b"TIDE 1.0".hex(" ").upper()}
    assert manifest["builds"]["first-print"] == {"title": "First print", "recognise": [known]}


@pytest.mark.needs("openssl", "openssl")
def test_digests_are_those_of_openssl(pack: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(pack) as archive:
        archive.extractall(tmp_path)
    manifest = tomllib.loads((tmp_path / "manifest.toml").read_text("utf-8"))
    paths = [each["path"] for each in manifest["members"]]
    done = subprocess.run(
        ["openssl", "dgst", "-sha256", "-r", *paths],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    found = [line.split()[0] for line in done.stdout.splitlines()]
    assert found == [each["sha256"] for each in manifest["members"]]


def everything(pack: Path) -> Iterator[tuple[str, bytes]]:
    """All bytes of a pack: its own, each file's, and what is packed in recordings and pictures."""
    yield "the archive", pack.read_bytes()
    with zipfile.ZipFile(pack) as archive:
        for name in archive.namelist():
            data = archive.read(name)
            yield name, data
            if name.endswith(".mcap"):
                yield from of_recording(name, data)
            elif name.startswith("pictures/"):
                image = Image.open(io.BytesIO(data))
                yield name, repr((image.info, dict(image.getexif()))).encode()


def of_recording(name: str, data: bytes) -> Iterator[tuple[str, bytes]]:
    reader = make_reader(io.BytesIO(data))
    count = 0
    for _, channel, message in reader.iter_messages():
        yield f"{name}: {channel.topic}", message.data
        count += 1
    for attachment in reader.iter_attachments():
        yield f"{name}: {attachment.name}", attachment.data
    for metadata in reader.iter_metadata():
        yield f"{name}: {metadata.name}", repr(metadata.metadata).encode()
    assert count > 100


def test_nothing_private_is_in_any_byte(pack: Path, setup: PrivateSetup) -> None:
    words = {word.lower() for word in (*PRIVATE, str(setup.folder), str(SAMPLES))}
    wide = {word.encode("utf-16-le") for word in words}
    looked = 0
    for name, data in everything(pack):
        low = data.lower()
        for word in words:
            assert word.encode() not in low, f"{word} in {name}"
        assert not [word for word in wide if word in low], name
        looked += len(data)
    assert looked > 1 << 20
    # the search finds what was there before
    before = (setup.folder / "clips" / "swap-00007-success.mcap").read_bytes()
    parts = list(of_recording("clip", before))
    for word in (private_setup.HOST, private_setup.ADDRESS, private_setup.TOKEN):
        assert any(word.encode() in data for _, data in parts), word


def test_what_is_shared_is_as_it_was_written(pack: Path) -> None:
    with zipfile.ZipFile(pack) as archive:
        bridge = archive.read("swap.bridge.toml").decode()
        schema = archive.read("tide.schema.toml").decode()
        notes = archive.read("notes/how.md")
        expect = archive.read("expectations/held.expect.toml").decode()
        moves = archive.read("moves/turns.toml").decode()
    demo = tomllib.loads((SAMPLES / "demo.bridge.toml").read_text("utf-8"))
    told = tomllib.loads(bridge)
    assert told["source"] == {"kind": "none"}
    assert "outputs" not in told
    assert told["schema"] == "tide.schema.toml"
    assert told["layouts"] == {"gull_in_place": "layouts/gull_in_place.layout.toml"}
    assert told["attempts"] == {**demo["attempts"], "file": ""}
    for key in ("watches", "steps", "sampling"):
        assert told[key] == demo[key]
    assert "near = 0x2AAB, within = 0x0100" in bridge
    game = SAMPLES.parent / "schemas" / "games" / "tidewright.schema.toml"
    assert tomllib.loads(schema) == tomllib.loads(game.read_text("utf-8"))
    assert "0x8000_0400" in schema or "0x80000400" in schema
    assert notes == b"# The swap\n\nOpen http://127.0.0.1:7365/\n"
    assert moves == "[moves.quarter]\nadd = 0x4000\n"
    moments = tomllib.loads(expect)["moments"]
    assert [each["recording"] for each in moments] == ["../recordings/swap-00007-success.mcap"]
    assert "between = [0x0, 0x10]" in expect


def test_pictures_look_as_before(pack: Path, setup: PrivateSetup) -> None:
    with zipfile.ZipFile(pack) as archive:
        for path in (setup.folder / "pictures").iterdir():
            packed = io.BytesIO(archive.read(f"pictures/{path.name}"))
            with Image.open(path) as before, Image.open(packed) as after:
                assert after.format == before.format
                assert after.convert("RGB").tobytes() == before.convert("RGB").tobytes()
                assert after.getexif().get(0x0112) == (6 if path.suffix == ".JPG" else None)
                assert before.info or before.getexif()


def test_a_clip_has_every_frame_as_before(pack: Path, setup: PrivateSetup, tmp_path: Path) -> None:
    with zipfile.ZipFile(pack) as archive:
        copied = Path(archive.extract("recordings/swap-00007-success.mcap", tmp_path))
    one = open_recording(setup.folder / "clips" / "swap-00007-success.mcap")
    other = open_recording(copied)
    assert other.complete
    assert len(one.groups) == len(other.groups) > 5
    for group in range(len(one.groups)):
        ours, theirs = one.frames(group), other.frames(group)
        assert [f.number for f in ours] == [f.number for f in theirs]
        assert [f.consistency for f in ours] == [f.consistency for f in theirs]
        before, after = one.memory_before(group), other.memory_before(group)
        for region in one.about.regions:
            for frame_ours, frame_theirs in zip(ours, theirs, strict=True):
                before.apply(frame_ours)
                after.apply(frame_theirs)
            from bridge.memory.address_map import Span

            whole = Span(region.start, region.size)
            assert [bytes(p) for _, p in before.known(whole)] == [
                bytes(p) for _, p in after.known(whole)
            ]


def test_the_same_files_give_the_same_bytes(
    pack: Path, setup: PrivateSetup, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Made at another time, of a copy with other times, from another folder."""
    again = tmp_path / "copy" / setup.folder.name
    shutil.copytree(setup.folder, again)
    old = str(setup.folder)
    for path in again.rglob("*"):
        if path.suffix == ".toml":
            path.write_text(path.read_text("utf-8").replace(old, str(again)), "utf-8")
        os.utime(path, (1, 1))
    monkeypatch.chdir(tmp_path)
    words = [word.replace(old, str(again)) for word in setup.words]
    assert main(["pack", str(again / "swap.bridge.toml"), "other.zip", *words]) == 0
    assert (tmp_path / "other.zip").read_bytes() == pack.read_bytes()


def test_what_is_left_out_is_told(setup: PrivateSetup, tmp_path: Path, capsys: Capture) -> None:
    words = ["--clip", 7, "--expect", setup.folder / "held.expect.toml"]
    code, out, _ = said(capsys, "pack", setup.bridge, tmp_path / "a.zip", *words)
    assert code == 0
    assert "left out: held.expect.toml: 1 of 2 moments, which are of no recording in" in out
    assert out.splitlines()[-1] == f"5 files in {tmp_path / 'a.zip'}"
    code, _, err = said(capsys, "pack", setup.bridge, tmp_path / "b.zip", *words[2:])
    assert code == 2
    assert "none of its moments is of a recording that goes along: give those with --clip" in err


def test_a_file_that_is_there_is_kept(tmp_path: Path, capsys: Capture) -> None:
    path = tmp_path / "demo.zip"
    path.write_text("mine")
    assert said(capsys, "pack", DEMO, path)[0] == 2
    assert path.read_text() == "mine"
    assert said(capsys, "pack", DEMO, path, "--force")[0] == 0
    assert zipfile.is_zipfile(path)
    assert [each.name for each in tmp_path.iterdir()] == ["demo.zip"]


PATH = rf"{private_setup.PATH}\laps\{{name}}.mcap"
SVG = b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>'
REFUSED: list[Any] = [
    ("--picture", "a.svg", SVG, "is no picture by its first bytes, expected PNG, JPEG, WebP or"),
    ("--picture", "a.png", SVG, "is no picture by its first bytes"),
    (
        "--picture",
        "a.gif",
        private_setup.picture("PNG"),
        "another kind by its first bytes: call it",
    ),
    ("--picture", "a.png", private_setup.picture("PNG")[:90], "is a damaged PNG: it is cut off"),
    ("--picture", "a.jpg", private_setup.picture("JPEG")[:500], "is a damaged JPG: it is cut off"),
    ("--picture", "a.webp", private_setup.picture("WEBP")[:99], "is a damaged WEBP"),
    ("--picture", "a.gif", private_setup.picture("GIF")[:99], "is a damaged GIF"),
    pytest.param(
        *("--picture", "con.png", private_setup.picture("PNG"), "names a device on Windows"),
        marks=pytest.mark.posix("no file can be called so there"),
    ),
    ("--notes", "a.md", b"\xff\xfe", "is not UTF-8 text: byte 0"),
    ("--notes", "a.md", b"a\0", "is no text"),
    ("--notes", "a.txt", b"a", "expected a name that ends with .md"),
    ("--notes", "a.md", b"x" * ((1 << 20) + 1), "expected at most 1048576 bytes for a notes"),
    ("--notes", "a.md", b"it is at 10.9.8.7", 'notes/a.md: holds "10.9.8.7", which is of this'),
    ("--notes", "a.md", b"mqtts://10.9.8.7:8883", 'holds "mqtts://10.9.8.7:8883"'),
    (
        "--notes",
        "a.md",
        b"c:/users/WREN_KEEPER/keeper-harbour/laps/{name}.mcap",
        r'holds "C:\Users',
    ),
    ("--clip", "a.mcap", b"no", "is not a usable recording"),
    ("--clip", "8", b"", "there is no clip of attempt 8"),
    ("--moves", "a.toml", b"x = 1", "unknown key"),
    ("--expect", "a.expect.toml", b'bridge = "x"', "moments: is missing"),
]


@pytest.mark.parametrize(
    ("option", "name", "data", "words"),
    REFUSED,
    ids=[str(getattr(row, "values", row)[3])[:30] for row in REFUSED],
)
def test_what_cannot_go_along(
    option: str, name: str, data: bytes, words: str, setup: PrivateSetup, tmp_path: Path,
    capsys: Capture,
) -> None:  # fmt: skip
    path = tmp_path / name
    path.write_bytes(data)
    given = name if name.isdecimal() else path
    code, _, err = said(capsys, "pack", setup.bridge, tmp_path / "a.zip", option, given)
    assert code in (2, 3)
    assert words in err
    assert not (tmp_path / "a.zip").exists()


def test_a_token_of_the_environment_is_refused(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LOWHALF_OVERLAY_TOKEN", private_setup.TOKEN)
    notes = tmp_path / "a.md"
    notes.write_text(f"say {private_setup.TOKEN}", "utf-8")
    code, _, err = said(capsys, "pack", DEMO, tmp_path / "a.zip", "--notes", notes)
    assert code == 2
    assert 'notes/a.md: holds "s3cret' in err
    (tmp_path / "b.md").write_text(f"see {tmp_path / 'x'}", "utf-8")
    code, _, err = said(capsys, "pack", DEMO, tmp_path / "a.zip", "--notes", tmp_path / "b.md")
    assert code == 2


# -- unpacked


def test_unpacked_it_is_checked_and_verified(
    pack: Path, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, _ = said(capsys, "unpack", pack)
    assert code == 0
    assert out.splitlines()[0] == "The swap: 11 files in swap"
    found = {p.relative_to("swap").as_posix() for p in Path("swap").rglob("*") if p.is_file()}
    assert found == set(MEMBERS)
    assert said(capsys, "verify", "swap/expectations")[1] == "2 as expected, 0 not\n"
    clip = "swap/recordings/swap-00007-success.mcap"
    ours = json.loads(said(capsys, "read", "swap/swap.bridge.toml", "--dump", clip, "--json")[1])
    theirs = json.loads(said(capsys, "read", DEMO, "--dump", clip, "--json")[1])
    assert ours["readings"] == theirs["readings"]
    assert said(capsys, "query", clip, "--frame", "741")[0] == 0
    code, _, err = said(capsys, "run", "swap/swap.bridge.toml")
    assert code == 2
    assert err.startswith(f"lowhalf: {Path('swap/swap.bridge.toml')}: has no source: give --source")
    code, _, err = said(capsys, "unpack", pack)
    assert code == 2
    assert "is not empty, and nothing is overwritten" in err


def test_packed_again_it_is_the_same(pack: Path, tmp_path: Path, capsys: Capture) -> None:
    folder = tmp_path / "out"
    assert said(capsys, "unpack", pack, folder)[0] == 0
    bridge, again = folder / "swap.bridge.toml", tmp_path / "again.zip"
    clip = next((folder / "recordings").iterdir())
    words = [
        *("--title", "The swap", "--moves", folder / "moves/turns.toml", "--clip", clip),
        *("--expect", folder / "expectations/held.expect.toml", "--notes", folder / "notes/how.md"),
        *("--picture", *sorted((folder / "pictures").iterdir())),
    ]
    assert said(capsys, "pack", bridge, again, *words)[0] == 0
    with zipfile.ZipFile(pack) as one, zipfile.ZipFile(again) as other:
        for name in MEMBERS[1:-1]:
            assert one.read(name) == other.read(name), name


# -- as it is


def test_check_tells_what_a_pack_is_and_whether_it_holds(
    pack: Path, setup: PrivateSetup, capsys: Capture
) -> None:
    code, out, _ = said(capsys, "check", pack)
    assert code == 0
    lines = out.splitlines()
    assert lines[0].startswith("The swap: Tidewright, packed by lowhalf ")
    assert lines[1] == ("build first-print (First print): 54 49 44 45 20 31 2E 30 at 0x80000400")
    assert "11 files, each with the SHA-256 of the manifest" in lines
    assert "expectations: 2 as expected, 0 not" in lines
    assert lines[-1] == "14 watches and 18 actions on 3 builds: all right"
    clip = "recordings/swap-00007-success.mcap"
    assert f"layout gull_in_place: matches first in frame 1021 of {clip}" in lines
    # a query evaluates by other code: in no earlier frame is it what it is in that one
    asked = ("query", setup.folder / "clips" / Path(clip).name, "--watch", "set_up", "--to", 1021)
    rows = [json.loads(line) for line in said(capsys, *asked, "--json")[1].splitlines()]
    states = [row["values"]["set_up"] for row in rows]
    assert rows[-1]["frame"] == 1021
    assert len(states) > 300
    assert states[-1] not in states[:-1]


def test_check_tells_what_is_not_as_expected(tmp_path: Path, capsys: Capture) -> None:
    setup = private_setup.write(tmp_path)
    expect = setup.folder / "held.expect.toml"
    expect.write_text(
        expect.read_text("utf-8").replace('"lantern" },  #', '"crate" },  #'), "utf-8"
    )
    assert said(capsys, "pack", setup.bridge, tmp_path / "a.zip", *setup.words)[0] == 0
    code, out, _ = said(capsys, "check", tmp_path / "a.zip", "--json")
    told = json.loads(out)["pack"]
    assert [each["passed"] for each in told["expectations"]] == [False, True]
    assert told["expectations"][0]["expected"] == "held_kind = crate"
    assert [each["frame"] for each in told["layouts"]] == [1021]
    assert code == 1


def mine(folder: Path, text: str) -> Path:
    path = folder / "mine.toml"
    path.write_text(text, "utf-8")
    return path


RECORDED = """\
# what is mine
[source]
kind = "recording"
path = "lap.mcap"
pace = "all"
repeat = false
"""


def test_it_runs_with_one_s_own_source_and_keeps_beside_it(
    pack: Path, tmp_path: Path, capsys: Capture
) -> None:
    """Values are those of the set-up itself, attempts lie beside the file with the source."""
    home = tmp_path / "mine"
    home.mkdir()
    with zipfile.ZipFile(pack) as archive:
        (home / "lap.mcap").write_bytes(archive.read(MEMBERS[-1]))
    own = mine(home, RECORDED + '[outputs.overlay]\nlisten = "127.0.0.1:0"\n')
    code, out, err = said(capsys, "run", pack, "--source", own, "--json")
    assert code in (0, 3), err
    frames = [json.loads(line) for line in out.splitlines()]
    assert frames[-1]["source"] == "recording lap.mcap"
    assert frames[-1]["practice"]["attempts"] >= 1
    assert [each["watch"] for each in frames[-1]["readings"]][:2] == ["room", "x"]
    kept = {each.name for each in home.iterdir()}
    assert "swap.attempts.sqlite" in kept
    assert [each.name for each in pack.parent.iterdir()] == ["swap.zip"]
    told = json.loads(said(capsys, "attempts", pack, "--source", own, "--json")[1])
    assert len(told["attempts"]) == frames[-1]["practice"]["attempts"]


def test_it_is_read_as_it_is(pack: Path, capsys: Capture) -> None:
    ours = json.loads(said(capsys, "read", pack, "--dump", CARRY_DUMP, "--json")[1])
    theirs = json.loads(said(capsys, "read", DEMO, "--dump", CARRY_DUMP, "--json")[1])
    assert ours == theirs
    ours_at = said(capsys, "explain", pack, "held_x_low", "--dump", CARRY_DUMP)
    assert ours_at == said(capsys, "explain", DEMO, "held_x_low", "--dump", CARRY_DUMP)
    code, _, err = said(capsys, "read", pack)
    assert code == 3
    assert "the set-up has no memory of its own: give --source" in err


OWN: list[tuple[str, str]] = [
    ("", "mine.toml: source: is missing: expected a table that says where memory is"),
    ('[source]\nkind = "fiel"\n', "mine.toml:1: source: expected one of "),
    ('[source]\nkind = "file"\npath = "x"\npaht = 1\n', "mine.toml:4: source.paht: unknown key"),
    ('[source]\nkind = "none"\n', "mine.toml:2: source.kind: none has no memory either"),
    ('sorce = 1\n[source]\nkind = "fake"\n', "mine.toml:1: sorce: unknown key; did you mean"),
    ("[source", "mine.toml:1: is not TOML"),
    (
        'build = "nope"\n[source]\nkind = "fake"\n',
        'mine.toml:1: build: the schema has no build "nope"',
    ),
    (
        '[source]\nkind = "fake"\n[sampling]\nframe = "nope"\n',
        "mine.toml:4: sampling.frame: unknown",
    ),
]


@pytest.mark.parametrize(("text", "words"), OWN)
def test_a_wrong_source_is_told_with_its_file(
    text: str, words: str, pack: Path, tmp_path: Path, capsys: Capture
) -> None:
    code, _, err = said(capsys, "run", pack, "--source", mine(tmp_path, text))
    assert code == 2
    assert words in err


def test_a_whole_bridge_file_gives_its_source(pack: Path, tmp_path: Path, capsys: Capture) -> None:
    """As ``lowhalf attach`` writes one: its own watches are left alone."""
    text = CARRY.read_text("utf-8")
    own = mine(tmp_path, text)
    shutil.copy(CARRY_DUMP, tmp_path)
    told = json.loads(said(capsys, "read", pack, "--source", own, "--json")[1])
    names = [watch.name for watch in load_bridge(Path(DEMO)).file.watches]
    assert [each["watch"] for each in told["readings"]] == names


@pytest.mark.skipif(sys.platform == "win32", reason="a folder that cannot be written to")
def test_a_folder_that_is_not_there(pack: Path, tmp_path: Path, capsys: Capture) -> None:
    code, _, err = said(capsys, "unpack", pack, tmp_path / "no" / "out")
    assert code == 2
    assert f"there is no folder {tmp_path / 'no'}" in err


def test_by_hand_and_on_paper_it_needs_no_source(
    pack: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    code, out, _ = said(capsys, "sheet", pack, "--build", "first-print")
    assert code == 0
    assert "80180C9C" in out.replace(" ", "")
    words = ["by-hand", pack, "--build", "first-print", "--watch", "courier.facing", "--addresses"]
    code, out, _ = said(capsys, *words)
    assert code == 0
    assert "8018 0C16" in out
    code, _, err = said(capsys, "attempts", pack)
    assert code == 2
    assert f"{pack.with_name('swap.attempts.sqlite').name} is not there yet" in err


def test_a_plan_goes_along_and_does_not_say_where_its_heap_was_read(
    tmp_path: Path, capsys: Capture
) -> None:
    plan = tmp_path / "elsewhere" / "under the gull.plan.toml"
    plan.parent.mkdir()
    wish = ["plan", SECOND, "--cover", "0x80218010", "--save", plan]
    assert said(capsys, *wish)[0] == 0
    home = f"{private_setup.HOST}:1234"
    text = plan.read_text("utf-8")
    told = re.sub("^taken_from = .*$", f'taken_from = "debugger {home}, frame 7"', text, flags=re.M)
    assert told.count(home) == text.count("taken_from") >= 1
    plan.write_text(told, "utf-8")
    bridge = tmp_path / "carry.bridge.toml"
    schema = (SAMPLES.parent / "schemas/games/tidewright.schema.toml").as_posix()
    text = SECOND.read_text("utf-8").replace("../schemas/games/tidewright.schema.toml", schema)
    bridge.write_text(f"{text}\n[plan]\nfile = '{plan.as_posix()}'\n", "utf-8")
    path = tmp_path / "carry.zip"
    assert said(capsys, "pack", bridge, path)[0] == 0
    with zipfile.ZipFile(path) as archive:
        packed = archive.read("plans/under the gull.plan.toml").decode()
        assert tomllib.loads(archive.read("carry.bridge.toml").decode())["plan"] == {
            "file": "plans/under the gull.plan.toml"
        }
    assert home not in packed
    ours, theirs = tomllib.loads(packed), tomllib.loads(told)
    for start in ours["start"]["builds"].values():
        assert start.pop("taken_from") == "a heap read where the set-up was made"
    for start in theirs["start"]["builds"].values():
        del start["taken_from"]
    assert ours == theirs
    read = packed_bridge(open_pack(path))
    assert read.file.plan is not None
    assert read.file.plan.called == "under the gull"
    saved = next(iter(read.schema.builds.values())).saved_plans["under the gull"]
    assert saved is not None
    assert [goal.words for goal in saved.goals] == [goal["words"] for goal in ours["goals"]]
    assert said(capsys, "check", path)[0] == 0


def test_names_that_are_one_file_elsewhere_do_not_go_along(tmp_path: Path, capsys: Capture) -> None:
    pictures = [tmp_path / name for name in ("Straße.png", "STRASSE.PNG")]
    for path in pictures:
        path.write_bytes(private_setup.picture("PNG"))
    code, _, err = said(capsys, "pack", DEMO, tmp_path / "a.zip", "--picture", *pictures)
    assert code == 2
    assert "does not fit into a pack: members: pictures/" in err
    assert err.endswith("are one file on some systems\n")
    code, _, err = said(capsys, "pack", DEMO, tmp_path / "a.tar")
    assert code == 2
    assert "a.tar: expected a name that ends with .zip" in err
