"""Archives that deceive, overflow or are damaged: each is refused, with words, and nothing is
written; the same archive without what is wrong with it is unpacked.

What such archives do is common practice, no source, but for the overlapping files: D. Fifield, "A
better zip bomb", WOOT 2019.  Python's zipfile is the other reader of the sound ones.
"""

from __future__ import annotations

import io
import random
import struct
import sys
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from adapters.packs.directory import UnsafeArchive, read_directory, unpacked_chunks
from adapters.packs.reading import is_pack, open_pack
from adapters.packs.unpacking import unpack
from schemas.errors import LowhalfError, PackError
from tests.adapters.packs.made_archives import BRIDGE, File, good_files, made

PIXEL = bytes.fromhex("89504e470d0a1a0a") + bytes(8)
NOTES = (File(b"notes/read me.md", b"# how\n"), "notes")


def names(folder: Path) -> list[str]:
    return sorted(each.name for each in folder.iterdir())


def tried(folder: Path, archive: bytes) -> str:
    """What unpacking says; "" where all went well.  Nothing is left where it did not."""
    path, target = folder / "pier.zip", folder / "out"
    path.write_bytes(archive)
    before = names(folder)
    try:
        unpack(open_pack(path), target)
    except PackError as fault:
        told = str(fault)
    else:
        return ""
    assert names(folder) == before
    assert told.startswith(f"{path}: ")
    return told.removeprefix(f"{path}: ")


def test_the_sound_one_is_unpacked_byte_by_byte(tmp_path: Path) -> None:
    files = good_files(NOTES, (File(b"pictures/a.PNG", PIXEL), "picture"))
    archive = made(files)
    assert tried(tmp_path, archive) == ""
    out = tmp_path / "out"
    found = {p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file()}
    assert found == {each.name.decode() for each in files}
    with zipfile.ZipFile(io.BytesIO(archive)) as other:
        assert other.testzip() is None
        for name in found - {"manifest.toml"}:
            assert (out / name).read_bytes() == other.read(name)
    if sys.platform != "win32":
        assert all(not p.stat().st_mode & 0o111 for p in out.rglob("*") if p.is_file())


def test_one_that_another_program_packed_anew_is_taken(tmp_path: Path) -> None:
    """Deflated, with folders, extra fields for times and sizes behind the bytes."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.mkdir("notes")
        for each in good_files(NOTES):
            archive.writestr(each.name.decode(), each.data)
    assert tried(tmp_path, stream.getvalue()) == ""

    class Unseekable(io.BytesIO):
        def seekable(self) -> bool:
            return False

        def seek(self, *_: int) -> int:
            raise io.UnsupportedOperation

        def tell(self) -> int:
            raise io.UnsupportedOperation

    streamed = Unseekable()
    with zipfile.ZipFile(streamed, "w", zipfile.ZIP_DEFLATED) as archive:
        for each in good_files():
            archive.writestr(each.name.decode(), each.data)
    (tmp_path / "b").mkdir()
    assert tried(tmp_path / "b", streamed.getvalue()) == ""


NAMES: list[tuple[bytes, str]] = [
    (b"../out.md", 'has ".." for a folder'),
    (b"notes/../../out.md", 'has ".." for a folder'),
    (b"notes/./out.md", 'has "." for a folder'),
    (b"notes//out.md", 'has "" for a folder'),
    (b"/etc/out.md", "is an absolute path"),
    (b"C:/out.md", "names a drive or a stream"),
    (b"notes/a.md:hidden", "names a drive or a stream"),
    (b"notes\\out.md", "leads into a folder on Windows alone"),
    (b"\\\\far\\share\\a.md", "leads into a folder on Windows alone"),
    (b"notes/CON.md", "names a device on Windows"),
    (b"notes/aux", "names a device on Windows"),
    (b"notes/com1.tar.md", "names a device on Windows"),
    (b"notes/a.md.", "ends with a dot or a space"),
    (b"notes/a.md ", "ends with a dot or a space"),
    (b"notes/a\0.md", "holds a NUL"),
    (b"notes/a\x1b[2J.md", "holds letters that are not seen"),
    (b"notes/a?.md", "holds ?, which no name on Windows can"),
    (b"notes/" + b"a" * 130 + b".md", "is too long"),
    (b"a/" * 90 + b"a.md", "has 184 characters"),
    (b"a/b/c/d/e.md", "lies 5 folders deep"),
    (b"", "has 0 characters"),
    (b"notes/\xe4.md", "is read in several ways"),
    (b"notes/~a.md", 'begins with "~"'),
]


@pytest.mark.parametrize(("name", "words"), NAMES, ids=[ascii(name)[:30] for name, _ in NAMES])
def test_names_that_lead_elsewhere(name: bytes, words: str, tmp_path: Path) -> None:
    told = tried(tmp_path, made([*good_files(), File(name, b"x")]))
    assert words.replace("is read", "are read") in told
    assert "\x1b" not in repr(told)


@pytest.mark.parametrize(
    ("one", "other", "words"),
    [
        (b"notes/a.md", b"notes/a.md", "are one file on some systems"),
        (b"notes/a.md", b"NOTES/A.MD", "are one file on some systems"),
        (b"notes/a.md", b"notes/a.md/b.md", "lies in notes/a.md, which is a file"),
        (b"x/manifest.toml", b"Manifest.toml", "are one file on some systems"),
    ],
)
def test_names_that_are_one(one: bytes, other: bytes, words: str, tmp_path: Path) -> None:
    assert words in tried(tmp_path, made([*good_files(), File(one), File(other)]))


def changed(**changes: Any) -> bytes:
    """The sound pack, with the notes as no program writes them."""
    files = good_files(NOTES)
    files[-1] = replace(files[-1], **changes)
    return made(files)


ZIP64 = struct.pack("<HHQ", 1, 8, 6)
OTHER_NAME = struct.pack("<HHB", 0x7075, 1, 1)
BOMB = zlib.compressobj(9, zlib.DEFLATED, -15)
BOMB_BODY = BOMB.compress(bytes(60 << 20)) + BOMB.flush()
ODD: dict[str, tuple[Callable[[], bytes], str]] = {
    "link": (lambda: changed(attributes=0o120777 << 16), "is a link, expected a file"),
    "pipe": (lambda: changed(attributes=0o010644 << 16), "is a pipe"),
    "device": (lambda: changed(attributes=0o060644 << 16), "is a device"),
    "socket": (lambda: changed(attributes=0o140644 << 16), "is a socket"),
    "folder": (lambda: changed(attributes=0o040755 << 16), "is no plain file"),
    "folder of DOS": (lambda: changed(attributes=0x10), "is no plain file"),
    "reparse point": (lambda: changed(attributes=0x400), "is a link"),
    "encrypted": (lambda: changed(flags=1), "is encrypted"),
    "strongly encrypted": (lambda: changed(flags=0x41), "is encrypted"),
    "masked": (lambda: changed(flags=0x2000), "is encrypted"),
    "patched": (lambda: changed(flags=0x20), "packed in a way that no pack is"),
    "bzip2": (lambda: changed(method=12), "packed by method 12"),
    "method 99": (lambda: changed(method=99), "packed by method 99"),
    "zip64": (lambda: changed(extra=ZIP64), "zip64"),
    "zip64 size": (lambda: changed(sizes=(0xFFFFFFFF, 0xFFFFFFFF)), "zip64"),
    "zip64 in its head": (lambda: changed(local_extra=ZIP64), "second name or size"),
    "second name": (lambda: changed(extra=OTHER_NAME), "second name"),
    "second name in its head": (lambda: changed(local_extra=OTHER_NAME), "second name or size"),
    "another name in its head": (lambda: changed(local_name=b"notes/read ME.md"), "in two ways"),
    "other sizes in its head": (lambda: changed(local_sizes=(6, 7)), "in two ways"),
    "more bytes than told": (lambda: changed(sizes=(5, 5)), "has 5 bytes, expected 6"),
    "stored, two sizes": (lambda: changed(sizes=(6, 7)), "stored as it is, in 6 bytes, and has 7"),
    "fewer bytes than told": (
        lambda: changed(sizes=(1 << 20, 1 << 20)), "does not end before the archive's directory"),
    "wrong checksum": (lambda: changed(checksum=7), "its size or its checksum is not as"),
    "its place is nowhere": (lambda: changed(offset=9), "is not where the archive's directory"),
    "its place is behind": (lambda: changed(offset=1 << 30), "is not where the archive's"),
    "cut deflate": (
        lambda: changed(method=8, packed=b"\x4b", sizes=(1, 6)), "do not end where they should"),
    "broken deflate": (lambda: changed(method=8, packed=b"\xff\xff\xff"), "is damaged (Error -3"),
    "bytes behind deflate": (
        lambda: changed(method=8, packed=File(b"", b"# how\n", 8).body() + b"more"),
        "do not end where they should"),
    "bomb": (
        lambda: changed(method=8, packed=BOMB_BODY, sizes=(len(BOMB_BODY), 60 << 20)),
        "would unpack to 62914560 bytes from"),
    "bomb that lies": (
        lambda: changed(method=8, packed=BOMB_BODY, sizes=(len(BOMB_BODY), 6)),
        "its size or its checksum is not as"),
    "no member of the manifest": (
        lambda: made([*good_files(), NOTES[0]]), "is in the archive and not in its manifest"),
    "not in the archive": (
        lambda: made(good_files(NOTES)[:-1]), "is named in the manifest and not in the archive"),
    "comment": (lambda: made(good_files(), comment=b"PK\5\6"), "does not end as a zip archive"),
    "something behind": (lambda: made(good_files(), behind=b"\0"), "does not end as a zip archive"),
    "something in front": (lambda: made(good_files(), before=b"MZ"), "is no zip archive"),
    "too many": (
        lambda: made([*good_files(), *(File(b"notes/%d.md" % n) for n in range(400))]),
        "holds 403 files, more than the 256"),
    "count too low": (lambda: made(good_files(NOTES), count=2), "is longer than its entries"),
    "count too high": (lambda: made(good_files(NOTES), count=9), "ends in the middle"),
    "zip64 count": (lambda: made(good_files(), count=0xFFFF), "zip64"),
    "several disks": (lambda: made(good_files(), disk=1), "one part of an archive in several"),
    "zip64 locator": (
        lambda: made(good_files(), locator=b"PK\6\7" + bytes(16)), "is not where its end says"),
    "empty": (lambda: made([]), "is no zip archive|without manifest.toml"),
    "no archive": (lambda: b"hello", "is no zip archive"),
    "nothing": (lambda: b"", "is no zip archive"),
    "a dump": (lambda: made([File(b"ram.bin", b"TIDE")]), "is a zip archive without manifest.toml"),
    "in a folder": (
        lambda: made([File(b"pier/" + each.name, each.data) for each in good_files()]),
        "has its manifest.toml in the folder pier: unpack it, and zip what is in there"),
}  # fmt: skip


@pytest.mark.parametrize("name", ODD)
def test_what_no_program_writes(name: str, tmp_path: Path) -> None:
    make, words = ODD[name]
    told = tried(tmp_path, make())
    assert any(part in told for part in words.split("|")), told


def test_files_that_share_bytes(tmp_path: Path) -> None:
    """A file's head and bytes inside of another's bytes, which a bomb does thousands of times."""
    files = good_files()
    quine = File(b"notes/b.md", b"y" * 10)
    head = made([quine])[: 30 + len(quine.name)]
    outer = File(b"notes/a.md", head + b"y" * 10)
    archive = made([*files, outer])
    place = archive.index(head)
    told = tried(tmp_path, made([*files, outer, File(b"notes/b.md", b"y" * 10, offset=place)]))
    assert told.startswith("notes/b.md: shares bytes with notes/a.md")


def test_a_digest_that_differs_is_told(tmp_path: Path) -> None:
    files = good_files(NOTES)
    files[-1] = File(NOTES[0].name, b"# HOW\n")
    told = tried(tmp_path, made(files))
    assert told.startswith("notes/read me.md: is not what was packed: expected SHA-256 ")
    assert "ask for the pack again" in told


CONTENTS: list[tuple[str, str]] = [
    (BRIDGE.replace('"none"', '"file"\npath = "/etc/passwd"'), 'source: expected kind = "none"'),
    (BRIDGE.replace('[source]\nkind = "none"\n', ""), 'source: expected kind = "none"'),
    (BRIDGE + '[outputs.mqtt]\nurl = "mqtt://10.0.0.1"\n', "outputs: expected none"),
    (BRIDGE.replace("pier.schema", "../../pier.schema"), 'schema: expected "pier.schema.toml"'),
    (BRIDGE + '[attempts]\nbegins = "lamp"\nfile = "../x"\n', "attempts.file: expected none"),
    (
        BRIDGE + '[layouts]\na = "\\\\\\\\far\\\\share\\\\x"\n',
        "every layout file to be in the pack",
    ),
    (BRIDGE + '[layouts]\na = { path = "/etc/x" }\n', "every layout file to be in the pack"),
    (BRIDGE + '[plan]\nfile = "/etc/x"\n', "every plan file to be in the pack"),
    (BRIDGE + "[layouts]\na = 1\n", "every layout file to be in the pack"),
    ("plan = 7\n" + BRIDGE, "every plan file to be in the pack"),
    ("layouts = 7\n" + BRIDGE, "every layout file to be in the pack"),
    ("attempts = 7\n" + BRIDGE, "attempts.file: expected none"),
    ("= 7", "line 1: is not TOML"),
]


@pytest.mark.parametrize(("bridge", "words"), CONTENTS, ids=range(len(CONTENTS)))
def test_a_bridge_file_that_leads_out_of_the_pack(bridge: str, words: str, tmp_path: Path) -> None:
    assert words in tried(tmp_path, made(good_files(bridge=bridge)))


MOMENT = '[[moments]]\nrecording = "{}"\nframe = 1\nexpect = [{{ watch = "lamp", value = 1 }}]\n'
HEAD = 'bridge = "../pier.bridge.toml"\n'


@pytest.mark.parametrize(
    ("name", "kind", "data", "words"),
    [
        (b"expectations/a.expect.toml", "expectations", 'bridge = "/x"\n', "bridge: expected"),
        (b"expectations/a.expect.toml", "expectations", HEAD + MOMENT.format("/dev/x"), "moments"),
        (b"expectations/b.expect.toml", "expectations", HEAD + '[[moments]]\ndump = "x"', "mom"),
        (b"expectations/a.expect.toml", "expectations", HEAD + "moments = 7", "moments: expected"),
        (b"pictures/a.png", "picture", "<svg onload='x'/>", "no such picture by its first bytes"),
        (b"pictures/a.gif", "picture", PIXEL.decode("latin-1"), "no such picture"),
        (b"recordings/a.mcap", "clip", "MZ", "no recording by its first bytes"),
        (b"notes/a.md", "notes", "a\0b", "is no text"),
    ],
)  # fmt: skip
def test_files_that_are_not_what_they_are_called(
    name: bytes, kind: str, data: str, words: str, tmp_path: Path
) -> None:
    told = tried(tmp_path, made(good_files((File(name, data.encode("latin-1")), kind))))
    assert told.startswith(name.decode())
    assert words in told


@pytest.mark.parametrize(
    ("name", "kind"),
    [(b"run.exe", "notes"), (b"notes/run.bat", "notes"), (b"conftest.py", "bridge"),
     (b"autorun.inf", "schema"), (b"notes/x.md/y", "notes"), (b".bashrc", "notes")],
)  # fmt: skip
def test_nothing_else_is_ever_written(name: bytes, kind: str, tmp_path: Path) -> None:
    assert tried(tmp_path, made(good_files((File(name, b"x"), kind))))


def test_a_nested_archive_is_no_kind_of_file(tmp_path: Path) -> None:
    inner = File(b"notes/inner.zip", made(good_files()))
    assert "expected .md for a notes" in tried(tmp_path, made(good_files((inner, "notes"))))


# -- by chance


def fuzzed(seed: int, sound: bytes) -> bytes:
    chance = random.Random(seed)
    data = bytearray(sound)
    for _ in range(chance.choice((1, 1, 2, 8))):
        kind = chance.random()
        at = chance.randrange(len(data))
        if kind < 0.5:
            data[at] ^= 1 << chance.randrange(8)
        elif kind < 0.7:
            data[at : at + 4] = chance.choice((b"\xff\xff\xff\xff", bytes(4), b"PK\3\4", b"PK\5\6"))
        elif kind < 0.85:
            del data[at : at + chance.randrange(1, 64)]
        else:
            data[at:at] = chance.randbytes(chance.randrange(1, 16))
        if not data:
            return b""
    return bytes(data)


def harmless(folder: Path, archive: bytes, sound: dict[str, bytes]) -> bool:
    """Whether it was unpacked; then it is just what was packed."""
    path, out = folder / "pier.zip", folder / "out"
    path.write_bytes(archive)
    is_pack(path)
    try:
        unpack(open_pack(path), out)
    except LowhalfError:
        assert names(folder) == ["pier.zip"]
        return False
    found = {p.relative_to(out).as_posix(): p for p in out.rglob("*") if p.is_file()}
    assert sorted(found) == sorted(sound)
    for name, data in sound.items():
        assert name == "manifest.toml" or found[name].read_bytes() == data
        found[name].unlink()
    for inner in sorted(out.rglob("*"), reverse=True):
        inner.rmdir()
    out.rmdir()
    return True


def run_fuzz(folder: Path, seeds: range) -> int:
    files = good_files(NOTES, (File(b"pictures/a.png", PIXEL + bytes(500)), "picture"))
    sound = {each.name.decode(): each.data for each in files}
    packed = made([File(each.name, each.data, 8 * (n % 2)) for n, each in enumerate(files)])
    assert harmless(folder, packed, sound)
    return sum(harmless(folder, fuzzed(seed, packed), sound) for seed in seeds)


def test_flipped_and_cut_bytes_do_no_harm(tmp_path: Path) -> None:
    taken = run_fuzz(tmp_path, range(150))
    # bits of a time, say, change nothing that is looked at
    assert taken < 40


@pytest.mark.full
def test_flipped_and_cut_bytes_do_no_harm_in_full(tmp_path: Path) -> None:
    assert run_fuzz(tmp_path, range(1000, 41000)) < 10000


@pytest.mark.full
def test_cut_anywhere(tmp_path: Path) -> None:
    packed = made(good_files(NOTES))
    for length in range(len(packed)):
        assert tried(tmp_path, packed[:length])


def test_cut_in_places(tmp_path: Path) -> None:
    packed = made(good_files(NOTES))
    for length in range(0, len(packed), 97):
        assert tried(tmp_path, packed[:length])


# -- what is there already


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    pack = tmp_path / "pier.zip"
    pack.write_bytes(made(good_files()))
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine").write_text("mine")
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_text("mine")
    for target, words in (
        ("full", "full is not empty, and nothing is overwritten: name another folder"),
        ("file", "file is a file: name a folder"),
        ("no/out", "there is no folder "),
    ):
        with pytest.raises(PackError, match=words):
            unpack(open_pack(pack), tmp_path / target)
    assert (tmp_path / "full" / "mine").read_text() == "mine"
    unpack(open_pack(pack), tmp_path / "empty")
    assert (tmp_path / "empty" / "pier.bridge.toml").read_text() == BRIDGE
    assert names(tmp_path) == ["empty", "file", "full", "pier.zip"]


def test_what_stops_half_way_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pack = tmp_path / "pier.zip"
    pack.write_bytes(made(good_files(NOTES)))
    opened = open_pack(pack)
    real, count = Path.open, iter(range(99))

    def full(self: Path, mode: str = "r", *args: object, **named: object) -> object:
        if "x" in mode and next(count) == 2:
            raise OSError(28, "No space left on device")
        return real(self, mode, *args, **named)  # type: ignore[call-overload]

    monkeypatch.setattr(Path, "open", full)
    with pytest.raises(PackError, match="no space left on device"):
        unpack(opened, tmp_path / "out")
    assert names(tmp_path) == ["pier.zip"]


def test_a_pack_is_known_from_a_zipped_dump(tmp_path: Path) -> None:
    for name, data, expected in (
        ("pack", made(good_files()), True),
        ("cut", made(good_files())[:400], True),
        ("otherwise", made(good_files()[::-1]), True),
        ("dump", made([File(b"ram.bin", b"x" * 4000)]), False),
        ("raw", bytes(100), False),
        ("empty", b"", False),
    ):
        (tmp_path / name).write_bytes(data)
        assert is_pack(tmp_path / name) is expected, name
    assert not is_pack(tmp_path / "nowhere")
    assert not is_pack(tmp_path)


def test_of_a_bomb_that_lies_no_more_is_unpacked_than_it_says(tmp_path: Path) -> None:
    path = tmp_path / "pier.zip"
    path.write_bytes(ODD["bomb that lies"][0]())
    given: list[bytes] = []
    with path.open("rb") as stream:
        (entry,) = [each for each in read_directory(stream) if each.path.startswith("notes/")]
        assert entry.size == 6
        with pytest.raises(UnsafeArchive, match="its size or its checksum"):
            given.extend(unpacked_chunks(stream, entry))
    assert sum(map(len, given)) <= 6
