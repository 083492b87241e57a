"""TOML texts cut apart: what is left says the same as before, and is written as before.

The standard library's parser is what says so.
"""

from __future__ import annotations

import random
import tomllib
from pathlib import Path

import pytest

from schemas.toml_cutting import cut

ROOT = Path(__file__).parents[2]
TEXT = '''\
# made by keeper in /home/keeper
schema = "/home/keeper/t.schema.toml"   # mine
build = "auto"
outputs.overlay.listen = "10.1.2.3:80"

[source] # secret
kind = "debugger"
address = "10.1.2.3:1234"

# between
[[watches]]
name = "a" # b
expr = "0x10"
label = """two # lines


of text"""
target = { between = [
    0x10, # low
    0x2B6D,
] }

[layouts]
gull = "/home/keeper/gull.toml"
swap = { path = '/home/keeper/swap.toml', ignore_sizes = true }

[outputs.mqtt]
url = "mqtt://10.1.2.3"
[sampling]
rate = 30
'''


def test_tables_keys_and_comments_go_and_the_rest_is_as_it_was_written() -> None:
    made = cut(
        TEXT,
        lambda key: key not in ("source", "outputs"),
        {("schema",): "t.schema.toml", ("layouts", "gull"): "g", ("layouts", "swap", "path"): "s"},
    )
    assert made.keys == 'schema = "t.schema.toml"\nbuild = "auto"\n'
    assert made.tables.startswith(
        '[[watches]]\nname = "a"\nexpr = "0x10"\nlabel = """two # lines\n'
    )
    assert "of text" in made.tables
    assert "0x10,\n    0x2B6D,\n] }" in made.tables
    for private in ("keeper", "10.1.2.3", "secret", "mine", "between\n", "# low"):
        assert private not in made.text
    said = tomllib.loads(made.text)
    assert list(said) == ["schema", "build", "watches", "layouts", "sampling"]
    assert said["watches"] == tomllib.loads(TEXT)["watches"]
    assert said["layouts"] == {"gull": "g", "swap": {"path": "s", "ignore_sizes": True}}


def test_two_halves_of_a_text_joined_say_what_it_said() -> None:
    mine = ("source", "outputs", "build")
    ours, theirs = cut(TEXT, lambda key: key not in mine), cut(TEXT, lambda key: key in mine)
    assert tomllib.loads(ours.with_further(theirs)) == tomllib.loads(TEXT)
    assert tomllib.loads(theirs.with_further(ours)) == tomllib.loads(TEXT)


@pytest.mark.parametrize(
    "path", sorted([*(ROOT / "sample_dumps").glob("*.toml"), *(ROOT / "schemas/games").glob("*")])
)
def test_every_file_of_ours_says_the_same_without_comments(path: Path) -> None:
    text = path.read_text("utf-8")
    made = cut(text)
    assert tomllib.loads(made.text) == tomllib.loads(text)
    assert not any(line.lstrip().startswith("#") for line in made.text.split("\n"))
    assert cut(made.text) == made


def test_no_comment_is_left_wherever_it_stands() -> None:
    """Comments put behind every line end of a text: all go, and only they."""
    chance = random.Random(7)
    plain = (ROOT / "sample_dumps" / "demo.bridge.toml").read_text("utf-8")
    for _ in range(20):
        lines = [
            line + (" # SECRET" if chance.random() < 0.3 and "#" not in line else "")
            for line in plain.split("\n")
        ]
        made = cut("\n".join(lines))
        assert "SECRET" not in made.text
        assert tomllib.loads(made.text) == tomllib.loads(plain)


@pytest.mark.parametrize(
    "text",
    ["", "\n", "# only\n", "a = 1", "a = nan\n", "[a]\n[b]\n", "'a.b' = 1\n[x.'y z']\nq=1\n"],
)
def test_texts_at_the_edge(text: str) -> None:
    assert repr(tomllib.loads(cut(text).text)) == repr(tomllib.loads(text))


@pytest.mark.parametrize("text", ["a = ", "[a", "a = 1\na = 2\n"])
def test_what_is_no_toml_is_refused(text: str) -> None:
    with pytest.raises(ValueError):
        cut(text)


def test_elements_of_an_array_of_tables_go_with_what_is_below_them() -> None:
    text = "[[a]]\nx = 1\n[[a.b]]\ny = 1\n[c]\n[[a]]\nx = 2\n[a.d]\nz = 2\n[[a]]\nx = 3\n"
    made = cut(text, dropped={("a", 0), ("a", 2)})
    assert tomllib.loads(made.text) == {"a": [{"x": 2, "d": {"z": 2}}], "c": {}}
    inline = "a = [{ x = 1 }, { x = 2 }]\n"
    with pytest.raises(ValueError, match="written in a way that cannot be taken apart"):
        cut(inline, dropped={("a", 0)})
