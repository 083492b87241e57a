"""The manifest of a pack: what it says is read again, and what it may not say is refused."""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path
from typing import Any

import pytest

from schemas.errors import PackError
from schemas.pack_manifest import (
    MAX_TOTAL,
    MemberTable,
    PackedBuildTable,
    PackManifest,
    load_manifest,
    manifest_text,
)
from schemas.schema_file import Recognise
from schemas.seen_letters import toml_string

SHA = hashlib.sha256(b"").hexdigest()


def member(path: str, kind: Any, size: int = 0) -> MemberTable:
    return MemberTable(path=path, kind=kind, size=size, sha256=SHA)


def manifest(*further: MemberTable) -> PackManifest:
    recognise = Recognise.model_validate({"at": 0x8000_0400, "bytes": "54 49 44 45"})
    return PackManifest(
        format=1,
        made_by="lowhalf 0.2.0",
        title='The "lantern" swap',
        game="Tidewright",
        builds={"first-print": PackedBuildTable(title="First print", recognise=(recognise,))},
        members=(member("tide.bridge.toml", "bridge"), member("t.schema.toml", "schema"), *further),
    )


def read(text: str) -> PackManifest:
    return load_manifest(Path("tide.zip"), text)


def test_what_is_written_is_read_again() -> None:
    made = manifest(member("notes/read me.md", "notes", 12), member("pictures/DOOR.PNG", "picture"))
    text = manifest_text(made)
    assert read(text) == made
    told = tomllib.loads(text)
    assert told["builds"]["first-print"]["recognise"][0] == {
        "at": 0x8000_0400,
        "bytes": "54 49 44 45",
    }
    assert [each["path"] for each in told["members"]][2:] == [
        "notes/read me.md",
        "pictures/DOOR.PNG",
    ]


PLACES = [
    ("../tide.bridge.toml", "bridge", 'has ".." for a folder'),
    ("/tide.bridge.toml", "bridge", "is an absolute path"),
    ("C:/tide.bridge.toml", "bridge", "names a drive or a stream"),
    ("notes/a\\b.md", "notes", "leads into a folder on Windows alone"),
    ("notes/con.md", "notes", "names a device on Windows"),
    ("notes/a .md ", "notes", "ends with a dot or a space"),
    ("notes/a.md/b.md", "notes", "expected notes/NAME.md for a notes"),
    ("notes/a.html", "notes", "expected .md for a notes"),
    ("notes/.md", "notes", "expected notes/NAME.md for a notes"),
    ("pictures/door.svg", "picture", "expected .png or .jpg or .jpeg or .webp or .gif"),
    ("pictures/door.exe", "picture", "expected .png or"),
    ("a.md", "notes", "expected notes/NAME.md for a notes"),
    ("notes/\u202ea.md", "notes", "holds letters that are not seen"),
    ("notes/e\u0301.md", "notes", "spells a letter with a mark apart"),
    ("notes/" + "n" * 200 + ".md", "notes", "has 209 characters, expected 1 to 160"),
    ("notes/-rf.md", "notes", 'begins with "-"'),
    ("notes/a.md", "virus", "expected one of bridge, schema"),
]


@pytest.mark.parametrize(("path", "kind", "words"), PLACES, ids=[f"{p!a}" for p, _, _ in PLACES])
def test_nothing_is_written_but_where_its_kind_belongs(path: str, kind: str, words: str) -> None:
    good = manifest_text(manifest(member("notes/x.md", "notes")))
    text = good.replace(
        'path = "notes/x.md"\nkind = "notes"',
        f"path = {toml_string(path)}\nkind = {toml_string(kind)}",
    )
    with pytest.raises(PackError) as caught:
        read(text)
    assert words in str(caught.value)
    assert str(caught.value).startswith("tide.zip: manifest.toml: ")


WRONG = [
    ("format = 1", "format = 2", "is of format 2, expected 1: a later lowhalf may read it"),
    ("format = 1\n", "", "is no manifest of a pack: it has no format"),
    ('kind = "schema"', 'kind = "bridge"', "t.schema.toml: expected .bridge.toml for a bridge"),
    ("size = 0", "size = -1", "expected at least 0, found -1"),
    (SHA, SHA.upper(), "expected 64 digits of hexadecimal"),
    ("size = 0", "size = 0\nsise = 0", "line 18: members.0.sise: unknown key; did you mean size?"),
]


@pytest.mark.parametrize(("old", "new", "words"), WRONG)
def test_a_wrong_manifest_says_where(old: str, new: str, words: str) -> None:
    with pytest.raises(PackError) as caught:
        read(manifest_text(manifest()).replace(old, new, 1))
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("one", "other"),
    [("notes/a.md", "notes/a.md"), ("notes/Straße.md", "notes/STRASSE.md"),
     ("notes/K.md", "notes/\u212a.md")],
)  # fmt: skip
def test_two_names_that_are_one_file_on_some_system(one: str, other: str) -> None:
    with pytest.raises(ValueError, match=r"are one file on some systems|puts? together"):
        manifest(member(one, "notes"), member(other, "notes"))


def test_sizes_and_counts_have_limits() -> None:
    with pytest.raises(
        ValueError, match="expected at most 1048576 bytes for a notes, found 1048577"
    ):
        member("notes/a.md", "notes", (1 << 20) + 1)
    clips = [member(f"recordings/{n}.mcap", "clip", 400 << 20) for n in range(3)]
    with pytest.raises(ValueError, match=f"expected at most {MAX_TOTAL} bytes together"):
        manifest(*clips)
    with pytest.raises(ValueError, match="expected at most 256, found 302"):
        manifest(*(member(f"notes/{n}.md", "notes") for n in range(300)))
    with pytest.raises(ValueError, match="expected one bridge, found 2"):
        manifest(member("u.bridge.toml", "bridge"))
