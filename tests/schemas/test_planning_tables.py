"""``[allocator]``, ``[state]`` and ``[actions]``: what they come to, and every fault of theirs."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from adapters.commands.json_schema import json_schema
from bridge.expressions.compiling import check
from bridge.planning.actions import Alloc, Free, Hold, Interval, LetGo, Which
from bridge.planning.described import FROM, HELD, TO, Described, described
from bridge.planning.policy import End, Fit, HoleOrder, Merge, Policy, WhenFull
from bridge.prepared import PreparedBuild
from schemas.action_table import EffectTable
from schemas.compiler import load_schema
from schemas.errors import SchemaError
from schemas.schema_file import SchemaFile

FILE = "tidewright.schema.toml"
GOOD = """\
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = "4 MiB" } ]
[enums.Kind]
base = "u16"
values = { courier = 1, lantern = 2, crate = 3 }
[structs.BlockHeader]
size = 0x18
[structs.BlockHeader.fields]
used = { at = 0x2, type = "u8" }
size = { at = 0x4, type = "u32" }
next = { at = 0x8, type = "BlockHeader*" }
[structs.Actor.fields]
kind = { at = 0x0, type = "Kind" }
[structs.Lantern]
size = 0x40
builds = { export = 0x48 }
[symbols]
heap_head = "BlockHeader*"
room = "u16"
speed = "f32"
[heap]
block = "BlockHeader"
first = "heap_head"
next = "block.next"
size = "block.size"
used = "block.used != 0"
payload = "address(block) + 0x18"
alignment = 8
[heap.owner]
struct = "Actor"
field = "kind"
structs = { lantern = "Lantern" }
[allocator]
merge = "next"
sizes = { crate = 0x30 }
[state]
room = "room"
bell = "room > 2"
[actions.door]
frames = 95
precise = 1
needs = { room = 0, bell = [true, { to = 7 }] }
sets = { room = 1 }
adds = { bell = -1 }
limit = 3
doc = "in"
effects = [
    { free = ["crate", "lantern"], which = "all", order = "newest" },
    { alloc = "crate", count = 2, end = "high" },
]
[actions.hand]
frames = 1
needs = { room = { from = 1, to = 3 } }
effects = [
    { hold = "lantern", which = "newest" },
    { free = "lantern", which = "held" },
    { hold = "crate", which = "lowest" },
    { release = true },
    { free = "crate", which = "highest", count = 2 },
]
[builds.print]
at = { heap_head = 0x8010_0000, room = 0x8010_0010, speed = 0x8010_0020 }
[builds.export]
at = { heap_head = 0x8010_0000, room = 0x8010_0010, speed = 0x8010_0020 }
"""


def of_build(directory: Path, text: str, build: str = "print", heap: str = "") -> Described:
    path = directory / FILE
    path.write_text(text, encoding="utf-8")
    layout = load_schema(path).builds[build]
    return described(PreparedBuild(layout, check(layout, {}), (), None, None), heap)


def with_allocator(lines: str) -> str:
    return GOOD.replace('merge = "next"\nsizes = { crate = 0x30 }\n', lines)


def test_what_is_not_said_is_as_the_heap_says(tmp_path: Path) -> None:
    game = of_build(tmp_path, GOOD).game
    # header and alignment of the heap; a rest is a hole from a header and once the alignment on
    assert game.policy == Policy(header=0x18, alignment=8, least_rest=0x20, merge=Merge.NEXT)
    assert game.sizes == {"lantern": 0x40, "crate": 0x30}
    assert of_build(tmp_path, GOOD, "export").game.sizes == {"lantern": 0x48, "crate": 0x30}


def test_all_that_can_be_said(tmp_path: Path) -> None:
    text = with_allocator(
        'fit = "next"\norder = "recent"\ntried_from = "high"\ncarved_from = "high"\nheader = 8\n'
        'alignment = 32\nleast_rest = "1 KiB"\nmerge = "when full"\nkeeps_last = true\n'
        'when_full = "carry on"\nrover = "heap_head"\nheld = 0x8010_0000\n'
        'arena = { from = 0x8020_0000, to = "0x8021_0000" }\nsizes = { crate = 0x30 }\n'
        "[allocator.builds.export]\nkeeps_last = false\nsizes = { lantern = 0x50 }\n"
    )
    found = of_build(tmp_path, text)
    policy = Policy(
        Fit.NEXT,
        HoleOrder.RECENT,
        End.HIGH,
        End.HIGH,
        8,
        32,
        1024,
        Merge.WHEN_FULL,
        True,
        WhenFull.CARRY_ON,
    )
    assert found.game.policy == policy
    assert found.bounds == (0x8020_0000, 0x8021_0000)
    assert found.expressions[HELD] == "0x80100000"
    other = of_build(tmp_path, text, "export").game
    assert (other.policy.keeps_last, other.policy.fit) == (False, Fit.NEXT)
    assert other.sizes == {"crate": 0x30, "lantern": 0x50}
    in_memory = with_allocator('arena = { from = "room", to = 9 }\nsizes = { crate = 1 }\n')
    found = of_build(tmp_path, in_memory)
    assert (found.bounds, found.expressions[FROM], found.expressions[TO]) == (None, "room", "0x9")


def test_actions(tmp_path: Path) -> None:
    found = of_build(tmp_path, GOOD)
    assert found.states == ("room", "bell")
    door, hand = found.actions
    assert (door.name, door.frames, door.precise, door.limit, door.doc) == ("door", 95, 1, 3, "in")
    assert door.needs == {
        "room": (Interval(0, 0),),
        "bell": (Interval(1, 1), Interval(None, 7)),
    }
    assert (door.sets, door.adds) == ({"room": 1}, {"bell": -1})
    assert door.effects == (
        Free(("crate", "lantern"), Which.ALL, order=Which.NEWEST),
        Alloc("crate", 2, End.HIGH),
    )
    assert hand.needs == {"room": (Interval(1, 3),)}
    assert hand.effects == (
        Hold(("lantern",), Which.NEWEST),
        Free(("lantern",), Which.HELD),
        Hold(("crate",), Which.LOWEST),
        LetGo(),
        Free(("crate",), Which.HIGHEST, 2),
    )


FAULTS = [
    ('merge = "next"', 'merge = "nxet"', 'merge: expected one of both, next, previous, when full, '
     'never, found "nxet"; did you mean next?'),
    ('merge = "next"', 'merg = "next"', "allocator.merg: unknown key; did you mean merge?"),
    ('merge = "next"', 'rover = "room"', "allocator.rover: goes with fit next, found fit first"),
    ('merge = "next"', "alignment = 0", "allocator.alignment: expected at least 1, found 0"),
    ('merge = "next"', "arena = { from = 1 }", "allocator.arena.to: is missing"),
    ("crate = 0x30 }", "craet = 0x30 }", "sizes.craet: unknown kind craet; did you mean crate?"),
    ("sizes = { crate = 0x30 }", "header = 0\nsizes = { crate = 0 }",
     "allocator.sizes.crate: a block takes no bytes"),
    ("sizes = { crate = 0x30 }", "",
     "actions.door.effects.1.alloc: no size of crate is known in build print: give it in "
     "allocator.sizes"),
    ("sizes = { crate = 0x30 }", "[allocator.builds.export]\nsizes = { crate = 0x30 }",
     "alloc: no size of crate is known in build print"),
    ("sizes = { crate = 0x30 }", "[allocator.builds.exprot]\nfit = 'best'",
     "allocator.builds.exprot: unknown build; did you mean export?"),
    ('alloc = "crate"', 'alloc = "crat"', "1.alloc: unknown kind crat; did you mean crate?"),
    ('alloc = "crate"', 'alloc = "free"', "effects.1.alloc: unknown kind free; known: courier, "),
    ('"crate", "lantern"]', '"crate", "lanter"]', "effects.0.free: unknown kind lanter; did you"),
    ('hold = "lantern"', 'hold = "wall"', "hand.effects.0.hold: unknown kind wall; known: courier"),
    ("needs = { room = 0", "needs = { rome = 0", "door.needs.rome: unknown state rome; did you "
     "mean room?"),
    ("sets = { room", "sets = { rome", "actions.door.sets.rome: unknown state rome; did you mean "),
    ("adds = { bell", "adds = { ball", "actions.door.adds.ball: unknown state ball; did you mean "),
    ("adds = { bell", "adds = { room", "actions.door: both sets and adds to room"),
    ("frames = 95", "frames = 0", "actions.door.frames: expected at least 1, found 0"),
    ("frames = 95\n", "", "actions.door.frames: is missing"),
    ("frames = 95", "frames = 95\nframe = 1", "door.frame: unknown key; did you mean frames?"),
    ("precise = 1", "precise = -1", "actions.door.precise: expected at least 0, found -1"),
    ("room = 0, ", "room = [], ", "needs.room: expected at least 1, found an array of 0"),
    ("room = 0, ", 'room = "0", ', "needs.room.0: expected a table, found"),
    ("room = 0, ", "room = {}, ", "needs.room.0: expected from, to or both"),
    ("from = 1, to = 3", "from = 3, to = 1", "hand.needs.room.0: no number is from 3 to 1"),
    ("sets = { room = 1", "sets = { room = 1.5", "door.sets.room: expected an integer, found 1.5"),
    ('alloc = "crate", count = 2', 'alloc = "crate", count = 0', "expected at least 1, found 0"),
    ('alloc = "crate", count = 2', 'alloc = "crate", count = 1025', "expected at most 1024, found"),
    ('alloc = "crate", count = 2', 'alloc = "crate", which = "all"',
     "actions.door.effects.1: which does not go with alloc"),
    ('alloc = "crate", count = 2', 'alloc = "crate", free = "crate"',
     "actions.door.effects.1: expected exactly one of alloc, free, hold and let_go"),
    ('alloc = "crate", count = 2', "count = 2", "expected exactly one of alloc, free, hold and"),
    ("release = true", "release = true, let_go = true", "exactly one of alloc, free, hold and let"),
    ("release = true", "let_go = false", "effects.3: let_go is true, or is not there"),
    (', which = "all", order = "newest"', "", "effects.0: free needs which: newest, oldest, "),
    ('which = "all", order', 'which = "newest", order',
     'actions.door.effects.0: order is of all that are released; it goes with which = "all"'),
    ('which = "all", order', 'which = "all", count = 2, order',
     'actions.door.effects.0: count does not go with which "all"'),
    ('hold = "lantern", which = "newest"', 'hold = "lantern", which = "all"',
     'actions.hand.effects.0: one block is held: which is "all"'),
    ('hold = "crate", which = "lowest"', 'free = "crate", which = "held"',
     "actions.hand: effect 3: nothing is held any more by then"),
    ("[actions.door]", '[actions."door 1"]', 'expected a name of letters, digits and _, found "'),
    ("[actions.door]", "[actions.while]", '"while" is a word of the expression language; choose'),
    ('room = "room"', "room = 1", "state.room: expected a text, found 1"),
    ('room = "room"', 'room = "rom"', "state.room: unknown name rom; did you mean room?"),
    ('room = "room"', 'room = "speed"', "state.room: speed is a f32, expected a whole number"),
    ('room = "room"', 'room = "room +"', "state.room: "),
    ('merge = "next"', 'held = "lantern"', "allocator.held: unknown name lantern"),
    ('merge = "next"', 'fit = "next"\nrover = "speed"', "allocator.rover: speed is a f32"),
    ('merge = "next"', 'arena = { from = "rom", to = 1 }', "allocator.arena.from: unknown name"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "words"), FAULTS)
def test_a_fault_is_told_with_its_place(tmp_path: Path, old: str, new: str, words: str) -> None:
    assert old in GOOD
    text = GOOD.replace(old, new, 1)
    with pytest.raises(SchemaError) as caught:
        of_build(tmp_path, text)
    told = str(caught.value)
    assert words in told
    assert told.startswith(str(tmp_path / FILE))
    line = told.removeprefix(str(tmp_path / FILE)).split(":")[1]
    assert int(line) > 0


def test_an_allocator_needs_a_heap_and_planning_an_allocator(tmp_path: Path) -> None:
    heap = GOOD[GOOD.index("[heap]") : GOOD.index("[allocator]")]
    with pytest.raises(SchemaError, match=r"allocator: there is no heap that it is of; add \[heap"):
        of_build(tmp_path, GOOD.replace(heap, ""))
    without = GOOD[: GOOD.index("[allocator]")] + GOOD[GOOD.index("[builds.print]") :]
    with pytest.raises(SchemaError, match=r"describes no allocator of \[heap\]; add \[alloc"):
        of_build(tmp_path, without)


PIER = """\
[heaps.pier]
block = "BlockHeader"
first = "pier_head"
next = "block.next"
size = "block.size"
used = "block.used != 0"
payload = "address(block) + 0x18"
owner = { sizes = { rope = 0x20, net = 0x40 } }
[heaps.pier.allocator]
fit = "best"
alignment = 4
[actions.moor]
frames = 7
effects = [
    { alloc = "rope", heap = "pier" },
    { alloc = "crate" },
    { hold = "net", which = "lowest", heap = "pier" },
    { let_go = true, heap = "pier" },
]
"""


def with_pier(text: str = PIER) -> str:
    symbols = GOOD.replace('room = "u16"', 'room = "u16"\npier_head = "BlockHeader*"')
    symbols = symbols.replace("room = 0x8010_0010", "room = 0x8010_0010, pier_head = 0x8010_0030")
    return symbols.replace("[builds.print]", text + "[builds.print]")


def test_a_further_heap_has_an_allocator_of_its_own(tmp_path: Path) -> None:
    of_heap = of_build(tmp_path, with_pier())
    pier = of_build(tmp_path, with_pier(), heap="pier")
    assert (of_heap.heap, pier.heap) == ("", "pier")
    assert pier.game.policy == Policy(Fit.BEST, header=0x18, alignment=4, least_rest=0x1C)
    assert pier.game.sizes == {"rope": 0x20, "net": 0x40}
    # each has the effects on its own blocks
    (moor,) = [action for action in of_heap.actions if action.name == "moor"]
    assert moor.effects == (Alloc("crate"),)
    (moor,) = [action for action in pier.actions if action.name == "moor"]
    assert moor.effects == (Alloc("rope"), Hold(("net",), Which.LOWEST), LetGo())
    assert [action.name for action in pier.actions] == ["door", "hand", "moor"]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"rope", heap', '"crate", heap', "effects.0.alloc: unknown kind crate; known: net, rope"),
        ('heap = "pier" },\n    { alloc', 'heap = "peer" },\n    { alloc',
         "moor.effects.0.heap: no heap peer with an allocator; did you mean pier?"),
        ("[heaps.pier.allocator]", "[heaps.pier.allocater]",
         "heaps.pier.allocater: unknown key; did you mean allocator?"),
        ("alignment = 4", "alignment = 4\nsizes = { rop = 1 }",
         "heaps.pier.allocator.sizes.rop: unknown kind rop; did you mean rope?"),
    ],
)  # fmt: skip
def test_faults_of_a_further_heap(tmp_path: Path, old: str, new: str, words: str) -> None:
    assert old in PIER
    text = with_pier(PIER.replace(old, new, 1))
    with pytest.raises(SchemaError) as caught:
        of_build(tmp_path, text)
    assert words in str(caught.value)


def test_a_heap_without_an_allocator_is_named(tmp_path: Path) -> None:
    with pytest.raises(SchemaError, match=r"describes no allocator of a heap per; did you mean pi"):
        of_build(tmp_path, with_pier(), heap="per")
    only = with_pier().replace('[allocator]\nmerge = "next"\nsizes = { crate = 0x30 }\n', "")
    with pytest.raises(SchemaError, match=r"door.effects.0: \[heap\] has no \[allocator\]; heap n"):
        of_build(tmp_path, only)


def test_there_is_a_bound_to_everything(tmp_path: Path) -> None:
    action = "[actions.a{}]\nframes = 1\n"
    many = "".join(action.format(number) for number in range(256))
    with pytest.raises(SchemaError, match=r"actions: .*at most 256 items"):
        of_build(tmp_path, GOOD.replace("[builds.print]", many + "[builds.print]"))
    states = "".join(f's{number} = "room"\n' for number in range(64))
    with pytest.raises(SchemaError, match=r"state: .*at most 64 items"):
        of_build(tmp_path, GOOD.replace("[state]\n", "[state]\n" + states))
    effects = '{ alloc = "crate" }, ' * 65
    with pytest.raises(SchemaError, match=r"actions\.more\.effects: .*at most 64 items"):
        of_build(
            tmp_path,
            GOOD.replace(
                "[builds.print]",
                f"[actions.more]\nframes = 1\neffects = [ {effects} ]\n[builds.print]",
            ),
        )


def test_what_the_page_shows_can_stand_in_a_schema() -> None:
    root = Path(__file__).parents[2]
    page = (root / "docs" / "how-to" / "describe-actions.md").read_text("utf-8")
    shown = re.findall(r"^```text\n(\[.*?)^```$", page, re.M | re.S)
    assert len(shown) == 3
    demo = tomllib.loads((root / "schemas/games/tidewright.schema.toml").read_text("utf-8"))
    found = tomllib.loads("".join(shown))
    whole = {**demo, **found, "actions": {**demo["actions"], **found["actions"]}}
    SchemaFile.model_validate(whole)
    assert found["state"] == demo["state"]
    assert found["actions"]["gallery_door"] == demo["actions"]["gallery_door"]
    assert found["allocator"]["merge"] == demo["allocator"]["merge"]
    effects = re.findall(r"^\| `(\{.*?\})`", page, re.M)
    assert len(effects) == 6
    for effect in effects:
        EffectTable.model_validate(tomllib.loads(f"effect = {effect}")["effect"])


def test_the_json_schema_takes_what_the_loader_takes() -> None:
    """By jsonschema, which is not ours."""
    validator = Draft202012Validator(json_schema("schema"))

    def faults(text: str) -> list[str]:
        return [fault.message for fault in validator.iter_errors(tomllib.loads(text))]

    assert faults(GOOD) == faults(with_pier()) == []
    for old, new in (
        ('merge = "next"', 'merge = "nxet"'),
        ('merge = "next"', 'merg = "next"'),
        ("frames = 95\n", ""),
        ("room = 0, ", 'room = "0", '),
        ('alloc = "crate", count = 2', 'alloc = "crate", count = 0'),
        ('free = ["crate", "lantern"]', "free = [1]"),
    ):
        assert GOOD.count(old) == 1
        assert faults(GOOD.replace(old, new)), new
