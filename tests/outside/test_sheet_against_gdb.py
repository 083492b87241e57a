"""The sums of a sheet are right, and lead where C's own declarations do.

Source: gdb, which adds, and which knows from the debug information of the demo game (written by
gcc) where each symbol and each field is.
"""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import main

pytestmark = [
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("gdb-multiarch", "gdb-multiarch"),
]

SCHEMA = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"
FIXED = {
    # lowhalf's expression → what C calls the place, and how far into it the sheet goes
    "courier.position.x": ("&courier.position.x", 0),
    "low(courier.position.x)": ("&courier.position.x", 2),
    "high(courier.position.x)": ("&courier.position.x", 0),
    "low(courier.longitude)": ("&courier.longitude", 4),
    "byte(courier.token, 0)": ("&courier.token", 3),
    "courier.satchel[5].freshness": ("&courier.satchel[5].freshness", 0),
    "courier.sway[1][2]": ("&courier.sway[1][2]", 0),
    "courier.held": ("&courier.held", 0),
    "rooms[2].tiles[3][1]": ("&rooms[2].tiles[3][1]", 0),
    "ledger.rooms_entered": ("&ledger.rooms_entered", 0),
}
BEHIND = {
    # lowhalf's expression → C's offset of its last sum, and what is read before, in order
    "low(courier.held.position.x)": ("&((Actor *)0)->position.x", 2, ["&courier.held"]),
    "courier.held.kind": ("&((Actor *)0)->kind", 0, ["&courier.held"]),
    "actor_head.next.next.mood": (
        *("&((Actor *)0)->mood", 0),
        ["&actor_head", "&((Actor *)0)->next", "&((Actor *)0)->next"],
    ),
    "actor_head.watchers[3].step_count": (
        *("&((Actor *)0)->step_count", 0),
        ["&actor_head", "&((Actor *)0)->watchers[3]"],
    ),
    "current_room.neighbours[1].entered_frame": (
        *("&((Room *)0)->entered_frame", 0),
        ["&current_room", "&((Room *)0)->neighbours[1]"],
    ),
    'at(courier.held, "Lantern").beam.z': ("&((Lantern *)0)->beam.z", 0, ["&courier.held"]),
    'at(actor_head, "Crate").contents[1].grade': (
        *("&((Crate *)0)->contents[1].grade", 0),
        ["&actor_head"],
    ),
    "ledger.last_door[2].y": ("&((Vec3 *)0)[2].y", 0, ["&ledger.last_door"]),
}


@pytest.fixture(scope="module")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> Any:
    directory = tmp_path_factory.mktemp("sheet")
    tables = "".join(
        f"[[watches]]\nname = 'w{number}'\nexpr = {json.dumps(text)}\n"
        for number, text in enumerate([*FIXED, *BEHIND])
    )
    bridge = directory / "t.bridge.toml"
    source = f'schema = {json.dumps(str(SCHEMA))}\n[source]\nkind = "file"\npath = "none.bin"\n'
    bridge.write_text(source + tables, "utf-8")
    out = directory / "t.json"
    with pytest.MonkeyPatch.context() as patch, out.open("w", encoding="utf-8") as file:
        patch.setattr("sys.stdout", file)
        assert main(["sheet", str(bridge), "--json"]) == 0
    return json.loads(out.read_text("utf-8"))


def asked(elf: Path, expressions: Sequence[str]) -> list[int]:
    """What gdb makes of expressions, with the symbols of a program that does not run."""
    commands = [
        word
        for text in expressions
        for word in ("-ex", f"output/x (unsigned)({text})", "-ex", "echo \\n")
    ]
    done = subprocess.run(
        ["gdb-multiarch", "-nx", "-q", "-batch", *commands, str(elf)],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    found = [int(line, 16) for line in re.findall(r"^0x[0-9a-f]+$", done.stdout, re.M)]
    assert len(found) == len(expressions), done.stdout + done.stderr
    return found


@pytest.mark.parametrize("build", ["first-print", "second-print", "export"])
def test_addresses_and_offsets_are_those_of_c(
    build: str, sheet: Any, elves: dict[str, Path]
) -> None:
    entries = {
        each["expression"]: each["recipes"][build]["definitions"] for each in sheet["watches"]
    }
    wanted: list[tuple[str, int]] = []
    found: list[int] = []
    for text, (in_c, into) in FIXED.items():
        (look,) = entries[text]
        wanted.append((in_c, into))
        found.append(look["at"]["add"])
    for text, (in_c, into, before) in BEHIND.items():
        looks = entries[text]
        assert len(looks) == len(before) + 1, text
        wanted += [*((each, 0) for each in before), (in_c, into)]
        found += [look["at"]["add"] for look in looks]
    said = asked(elves[build], [in_c for in_c, _ in wanted])
    assert found == [where + into for where, (_, into) in zip(said, wanted, strict=True)]
    assert len(found) > 25


def test_worked_sums_are_gdbs(sheet: Any, elves: dict[str, Path]) -> None:
    """The digits as they are written, carries too: a place has one where its two digits and the
    carry into it make sixteen or more."""
    worked = [each for entry in sheet["watches"] for each in entry["worked"]]
    parts = [
        (look["at"]["add"], [part["offset"] for part in look["at"]["parts"]])
        for entry in sheet["watches"]
        for recipe in entry["recipes"].values()
        for look in recipe["definitions"]
    ]
    sums = [f"0x{each['before']} + 0x{each['operand']}" for each in worked]
    totals = [" + ".join(map(str, offsets)) or "0" for _, offsets in parts]
    said = asked(elves["export"], [*sums, *totals])
    assert [int(each["after"], 16) for each in worked] == said[: len(worked)]
    assert [total for total, _ in parts] == said[len(worked) :]
    carried = 0
    for each in worked:
        carry = 0
        for place in range(-1, -9, -1):
            assert each["carries"][place] == " 1"[carry]
            total = int(each["before"][place], 16) + int(each["operand"][place], 16) + carry
            carry = total // 16
            carried += carry
    assert carried >= 5
