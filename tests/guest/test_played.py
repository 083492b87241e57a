"""The played guest does what the schema's [actions] say, held against its own walk and checksum."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from adapters.commands.main import main
from tests.benchmarks.live_heap import SCHEMA
from tests.guest.build import GUEST_SOURCE
from tests.guest.played.guest import ACTIONS, PlayedGuest, Standing, played_schema

pytestmark = [
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]


@pytest.fixture(scope="module")
def guest(
    tmp_path_factory: pytest.TempPathFactory, played_elf: Callable[[str, str | None], Path]
) -> Iterator[PlayedGuest]:
    directory = tmp_path_factory.mktemp("played")
    schema = played_schema(directory / "played.schema.toml")
    with PlayedGuest(played_elf("first-print", None), directory, schema=schema) as running:
        yield running
        assert running.read_symbol_u32("fault") == 0


def owners(guest: PlayedGuest) -> list[str]:
    return [block.owner for block in guest.heap().blocks]


def test_the_game_and_the_tables_name_the_same_actions() -> None:
    tables = tomllib.loads(SCHEMA.read_text("utf-8"))
    assert set(tables["actions"]) == set(ACTIONS)
    source = (GUEST_SOURCE / "played" / "courier.c").read_text("utf-8")
    deeds = re.search(r"typedef enum Deed \{(.*?)\}", source, re.DOTALL)
    assert deeds is not None
    words = re.findall(r"[A-Z_]+", deeds[1])
    assert [word.lower() for word in words] == list(ACTIONS)


def test_an_action_is_done_in_one_frame(guest: PlayedGuest) -> None:
    guest.begin()
    frame = guest.read_symbol_u32("frame_ended")
    assert guest.perform("call_gull") is Standing.DONE
    assert guest.read_symbol_u32("frame_ended") == frame + 1
    assert owners(guest) == ["crate", "crate", "lantern", "gull", "buoy", "gull", "free"]
    assert guest.perform("shoo_gull") is Standing.DONE
    assert guest.perform("break_crate") is Standing.DONE
    assert owners(guest) == ["free", "crate", "lantern", "gull", "buoy", "free"]


def test_an_action_that_cannot_be_done_here_changes_nothing(guest: PlayedGuest) -> None:
    guest.begin()
    before = guest.heap()
    for action in ("lantern_door", "harbour_door", "unload", "light_mist", "put_down"):
        assert guest.perform(action) is Standing.REFUSED
    assert list(guest.heap().blocks) == list(before.blocks)


def test_a_spread_action_has_a_frame_for_each_block(guest: PlayedGuest) -> None:
    guest.begin()
    told = [(standing, owners(guest)) for standing in guest.spread("gallery_door")]
    assert [standing for standing, _ in told] == [Standing.UNDER_WAY] * 7 + [Standing.DONE]
    assert told[0][1] == ["crate", "crate", "lantern", "gull", "free"]
    assert told[-3][1] == ["crate", "free"]
    assert told[-1][1] == told[-2][1] == ["crate", "crate", "free"]


def test_what_is_in_hand_when_its_room_is_left_stays_dangling(guest: PlayedGuest) -> None:
    guest.begin()
    assert guest.perform("take_lantern") is Standing.DONE
    lantern = guest.read_u32(guest.symbols["courier"] + 0x13C)
    assert guest.perform("gallery_door") is Standing.DONE
    assert guest.read_u32(guest.symbols["courier"] + 0x13C) == lantern
    assert guest.perform("put_down") is Standing.REFUSED
    block = guest.heap().holding(lantern)
    assert block is not None
    assert block.owner == "free"


def test_what_was_played_is_recorded_with_its_labels(
    guest: PlayedGuest, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "played.mcap"
    actions = ["call_gull", "gallery_door", "drop_crate"]
    frames = guest.record(path, actions)
    assert [later - earlier for earlier, later in pairwise(frames)] == [3, 3]
    bridge = ["--bridge", str(tmp_path / "played.bridge.toml")]
    asked = ["--watch", "action=played_action", "--where", "change(played_begun) > 0"]
    assert main(["query", str(path), *asked, "--json", *bridge]) == 0
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [row["frame"] for row in told] == frames
    assert [ACTIONS[row["values"]["action"] - 1] for row in told] == actions
