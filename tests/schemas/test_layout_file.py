"""The layout file: written and read back, and every fault with file, line, found and nearest."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.errors import LayoutFileError
from schemas.layout_file import (
    MAX_BLOCKS,
    BlockTable,
    LayoutFile,
    Wildcard,
    layout_text,
    load_layout,
)
from schemas.table import Table
from schemas.toml_file import TomlText

GOOD = LayoutFile(
    game="Tidewright",
    build="first-print",
    title='The "good" attempt',
    saved_from="file carry.bin.gz, frame 150",
    blocks=(
        BlockTable(owner="lantern", size=0x1C0, used=True, at=0),
        BlockTable(owner="mist_puff", size=0x230, used=True, at=0x1D0),
        BlockTable(owner="free", size=0xF000, used=False, at=-0x40),
        BlockTable(owner="gull", size=0, used=True),
    ),
)
TEXT = """\
# The shape of a heap, block by block in the order of the allocator's list; sizes are in bytes of
# payload, at is how far behind the first block's payload each begins.  Edit as you like: without
# at, it does not matter where a block lies; without used, all are in use but those named free.
game = "Tidewright"
build = "first-print"
title = "The \\"good\\" attempt"
saved_from = "file carry.bin.gz, frame 150"
blocks = [
    { owner = "lantern",   size = 0x1C0,  used = true,  at = 0x0 },
    { owner = "mist_puff", size = 0x230,  used = true,  at = 0x1D0 },
    { owner = "free",      size = 0xF000, used = false, at = "-0x40" },
    { owner = "gull",      size = 0x0,    used = true },
]
"""


def test_it_is_written_a_line_a_block_and_read_back(tmp_path: Path) -> None:
    path = tmp_path / "good.layout.toml"
    path.write_text(layout_text(GOOD), "utf-8")
    assert path.read_text("utf-8") == TEXT
    assert load_layout(path) == GOOD


# what a file can hold as text: all but lone surrogates, which no UTF-8 has
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=64)
BLOCKS = st.builds(
    BlockTable,
    owner=TEXTS,
    size=st.integers(0, (1 << 64) - 1),
    used=st.booleans(),
    at=st.none() | st.integers(-(1 << 64) + 1, (1 << 64) - 1),
)
FILES = st.builds(
    LayoutFile,
    game=TEXTS,
    build=TEXTS,
    title=TEXTS | st.just(""),
    saved_from=TEXTS | st.just(""),
    blocks=st.lists(BLOCKS, min_size=1, max_size=5).map(tuple),
)


@given(FILES)
def test_any_layout_is_read_back_as_it_was(layout: LayoutFile) -> None:
    text = layout_text(layout)
    # outside reference: the standard library's TOML reader
    assert len(tomllib.loads(text)["blocks"]) == len(layout.blocks)
    read = TomlText(Path("t.layout.toml"), text, LayoutFileError).model(LayoutFile)
    assert read == layout


def test_used_and_place_may_be_left_out_and_sizes_written_as_people_do(tmp_path: Path) -> None:
    path = tmp_path / "t.layout.toml"
    path.write_text(
        'game = "Tidewright"\nbuild = "export"\n'
        '[[blocks]]\nowner = "gull"\nsize = "2 KiB"\nat = 16\n'
        '[[blocks]]\nowner = "free"\nsize = 0x10\n',
        "utf-8",
    )
    assert load_layout(path).blocks == (
        BlockTable(owner="gull", size=2048, used=True, at=16),
        BlockTable(owner="free", size=16, used=False),
    )


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("size = 0x230", 'size = "big"',
         '10: blocks.1.size: expected a count such as 4096 or "4 MiB", found "big"'),
        ("size = 0x230", "size = -1", "10: blocks.1.size: expected at least 0, found -1"),
        ("size = 0x230,", "", "10: blocks.1.size: is missing"),
        ("size = 0x230", "sise = 0x230",
         "10: blocks.1.size: is missing (and 1 more fault in this file)"),
        ("size = 0x230,", "size = 0x230, ownr = 1,",
         "10: blocks.1.ownr: unknown key; did you mean owner?"),
        ("used = true,  at = 0x1D0", "used = 1",
         "10: blocks.1.used: expected true or false, found 1"),
        ('"mist_puff"', "5", "10: blocks.1.owner: expected a text, found 5"),
        ('"mist_puff"', '""', '10: blocks.1.owner: expected a text that is not empty, found ""'),
        ("0x1D0", "0.5", "10: blocks.1.at: expected an integer, found 0.5"),
        ('build = "first-print"', "", "0: build: is missing"),
        ('build = "first-print"', 'build = "first-print"\nbuilds = 1',
         "6: builds: unknown key; did you mean build?"),
        ("blocks = [", "blocks = [\n    5,", "9: blocks.0: expected a table, found 5"),
        ("blocks = [", "blocks = [ }", "8: is not TOML: invalid value"),
    ],
)  # fmt: skip
def test_a_fault_is_told_with_file_line_and_what_was_found(
    tmp_path: Path, old: str, new: str, message: str
) -> None:
    assert TEXT.count(old) == 1
    path = tmp_path / "t.layout.toml"
    path.write_text(TEXT.replace(old, new), "utf-8")
    with pytest.raises(LayoutFileError) as fault:
        load_layout(path)
    assert str(fault.value) == f"{path}:{message}".replace(":0:", ":")


def test_no_blocks_and_too_many_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "t.layout.toml"
    head = 'game = "Tidewright"\nbuild = "export"\n'
    path.write_text(f"{head}blocks = []\n", "utf-8")
    with pytest.raises(LayoutFileError) as fault:
        load_layout(path)
    assert str(fault.value) == f"{path}:3: blocks: expected 1 to 16384 blocks, found 0"
    block = '[[blocks]]\nowner = "gull"\nsize = 1\n'
    path.write_text(head + block * (MAX_BLOCKS + 1), "utf-8")
    with pytest.raises(LayoutFileError, match="expected 1 to 16384 blocks, found 16385"):
        load_layout(path)


@pytest.mark.parametrize("model", [LayoutFile, BlockTable], ids=lambda model: model.__name__)
def test_every_key_describes_itself(model: type[Table]) -> None:
    assert all(field.description for field in model.model_fields.values())


def test_a_file_that_is_not_there_is_told_of(tmp_path: Path) -> None:
    path = tmp_path / "none.layout.toml"
    with pytest.raises(LayoutFileError) as fault:
        load_layout(path)
    assert str(fault.value) == f"{path}: cannot be read: no such file or directory"


WILD = """\
game = "Tidewright"
build = "export"
blocks = [
    { owner = "any", size = 0x1D0 },
    { owner = "any", size = "any", used = true, at = 0x20 },
    { owner = "crate", size = "any" },
    { owner = "any*" },
    { owner = "any", literal = true, size = 0x10 },
    { owner = "the rest" },
]
"""


def test_wildcards_are_read_and_written_back(tmp_path: Path) -> None:
    path = tmp_path / "wild.layout.toml"
    path.write_text(WILD, "utf-8")
    layout = load_layout(path)
    told = [(b.wildcard, b.owner, b.size, b.used, b.at) for b in layout.blocks]
    assert told == [
        (Wildcard.ANY, "any", 0x1D0, None, None),
        (Wildcard.ANY, "any", None, True, 0x20),
        (None, "crate", None, True, None),
        (Wildcard.RUN, "any*", None, None, None),
        (None, "any", 0x10, True, None),
        (Wildcard.REST, "the rest", None, None, None),
    ]
    text = layout_text(layout)
    path.write_text(text, "utf-8")
    assert load_layout(path) == layout
    assert '    { owner = "any*" },' in text.splitlines()
    # outside reference: the standard library's TOML reader
    assert [sorted(block) for block in tomllib.loads(text)["blocks"]] == [
        ["owner", "size"],
        ["at", "owner", "size", "used"],
        ["owner", "size", "used"],
        ["owner"],
        ["literal", "owner", "size", "used"],
        ["owner"],
    ]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('"any*" }', '"any*", size = 0x10 }',
         '7: blocks.3: "any*" is any number of blocks: leave size out'),
        ('"the rest" }', '"the rest", at = 0 }',
         '9: blocks.5: "the rest" is any number of blocks: leave at out'),
        ('"any*" }', '"the rest" }',
         '3: blocks: block 3 is "the rest", which is last; "any*" has others behind it'),
        ('{ owner = "any", size = 0x1D0 }', '{ owner = "any" }', "4: blocks.0.size: is missing"),
        ('size = "any" }', 'size = "Any" }',
         '6: blocks.2.size: expected a count such as 4096 or "4 MiB", found "Any"'),
    ],
)  # fmt: skip
def test_a_wildcard_that_makes_no_sense_is_refused(
    tmp_path: Path, old: str, new: str, message: str
) -> None:
    assert WILD.count(old) == 1
    path = tmp_path / "wild.layout.toml"
    path.write_text(WILD.replace(old, new), "utf-8")
    with pytest.raises(LayoutFileError) as fault:
        load_layout(path)
    assert str(fault.value) == f"{path}:{message}"
