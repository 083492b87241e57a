"""The demo game does what its scripts say: held against its memory, read without lowhalf."""

from __future__ import annotations

import os
import struct
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.guest import build as guest_build
from tests.guest.machine import COMMANDS, RAM_START, GuestMachine

pytestmark = [
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]

BUILD_NAMES = [each.name for each in guest_build.BUILDS]
LANTERN, GULL = 2, 4
POSITION_AT, FACING_AT = 0x2C, 0xB6
HELD_AT = {"first-print": 0x13C, "second-print": 0x13C, "export": 0x144}


@pytest.fixture(scope="module", params=BUILD_NAMES)
def machine(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, elves: dict[str, Path]
) -> Iterator[GuestMachine]:
    directory = tmp_path_factory.mktemp("guest")
    with GuestMachine(elves[request.param], directory) as running:
        yield running
        assert running.read_symbol_u32("fault") == 0


def held(machine: GuestMachine) -> int:
    return machine.read_u32(machine.symbols["courier"] + HELD_AT[machine.elf.stem])


def kind(machine: GuestMachine, actor: int) -> int:
    return int.from_bytes(machine.read(actor, 2), "big")


def position(machine: GuestMachine, actor: int) -> tuple[float, ...]:
    return struct.unpack(">3f", machine.read(actor + POSITION_AT, 12))


def test_says_which_version_it_is(machine: GuestMachine) -> None:
    versions = {each.name: each.version for each in guest_build.BUILDS}
    expected = versions[machine.elf.stem].encode().ljust(16, b"\0")
    assert machine.read(0x8000_0400, 16) == expected


def test_a_held_game_stands_still_after_a_whole_frame(machine: GuestMachine) -> None:
    frame = machine.hold("walk", 90)
    time.sleep(0.1)
    assert machine.read_symbol_u32("frame_began") == frame
    assert machine.read_symbol_u32("frame_ended") == frame
    assert machine.read_symbol_u32("script_frame") == 90
    assert machine.read(machine.read_symbol_u32("current_room"), 8) == b"Gallery\0"
    machine.release()
    assert machine.wait_for_frame(frame + 1) > frame


def test_a_frame_of_a_script_is_the_same_every_time(machine: GuestMachine) -> None:
    copies = []
    for load in ("swift", "normal", "swift"):
        machine.hold("carry", 75, load=load)
        symbols = ("random_state", "heap_checksum", "actor_head")
        values = [machine.read_symbol_u32(name) for name in symbols]
        copies.append((position(machine, held(machine)), values))
    assert copies[0] == copies[1] == copies[2]


def test_a_script_that_is_over_starts_again_from_the_same_state(machine: GuestMachine) -> None:
    first_frame = machine.hold("stale hold", 1)
    before = machine.read(machine.symbols["courier"], POSITION_AT + 12)
    machine.command("stale hold", load="swift")
    while machine.read_symbol_u32("script_laps") < 3:
        machine.wait_for_frame(machine.read_symbol_u32("frame_ended") + 1)
    machine.hold("stale hold", 1)
    assert machine.read(machine.symbols["courier"], POSITION_AT + 12) == before
    assert machine.read_symbol_u32("frame_began") >= first_frame + 3 * 360


def test_the_grand_tour_plays_every_script_in_turn(machine: GuestMachine) -> None:
    """At the normal pace a lap takes 20 s, so this one is played swiftly."""
    machine.command("grand tour", load="slow")
    assert machine.read_symbol_u32("script") == COMMANDS["idle"]
    machine.command("grand tour", load="swift")
    seen: set[int] = set()
    deadline = time.monotonic() + 10
    while len(seen) < 5 and time.monotonic() < deadline:
        seen.add(machine.read_symbol_u32("script"))
    assert seen == {1, 2, 3, 4, 5}


def test_turn_adds_to_the_facing_and_wraps(machine: GuestMachine) -> None:
    machine.hold("turn", 170)
    facing = int.from_bytes(machine.read(machine.symbols["courier"] + FACING_AT, 2), "big")
    assert facing == (89 * 0x0123 - 0x8000 - 80 * 0x0300) % 0x10000


def test_carry_picks_the_lantern_up_and_puts_it_down(machine: GuestMachine) -> None:
    machine.hold("carry", 59)
    assert held(machine) == 0
    machine.hold("carry", 60)
    assert kind(machine, held(machine)) == LANTERN
    machine.hold("carry", 240)
    assert held(machine) == 0


def test_a_held_game_is_stepped_frame_by_frame_over_a_script_s_end(machine: GuestMachine) -> None:
    number = machine.hold("walk", 239)
    for frame in (240, 1, 2):
        number += 1
        assert machine.step() == number
        assert machine.read_symbol_u32("script_frame") == frame
        time.sleep(0.02)  # at this load more than one frame, if it were not held
        assert machine.read_symbol_u32("frame_ended") == number


def test_a_stepped_game_is_where_a_held_one_is(machine: GuestMachine) -> None:
    courier = machine.symbols["courier"]
    machine.hold("carry", 150)
    place = machine.read(courier + 0x2C, 12)
    machine.hold("carry", 145)
    before = machine.read(courier + 0x2C, 12)
    for _ in range(5):
        machine.step()
    assert machine.read(courier + 0x2C, 12) == place != before


def test_stale_hold_dangles_and_its_block_is_handed_out_again(machine: GuestMachine) -> None:
    machine.hold("stale hold", 119)
    lantern = held(machine)
    assert kind(machine, lantern) == LANTERN
    assert block(machine, lantern)[:2] == (0x7B10, 1)

    machine.hold("stale hold", 120)
    assert held(machine) == lantern == machine.read_symbol_u32("stale_address")
    assert block(machine, lantern)[:2] == (0x7B10, 0)
    assert machine.read_symbol_u32("reuse_frame") == 0

    frame = machine.hold("stale hold", 180)
    assert held(machine) == lantern
    assert kind(machine, lantern) == GULL
    assert block(machine, lantern)[:2] == (0x7B10, 1)
    assert machine.read_symbol_u32("reuse_frame") == frame


def block(machine: GuestMachine, payload: int) -> tuple[int, ...]:
    """The magic, use, reuses, size, next and previous of the block that holds `payload`."""
    return struct.unpack(">HBBIII", machine.read(payload - 16, 16))


def test_the_heap_count_and_checksum_are_those_of_its_list(machine: GuestMachine) -> None:
    machine.hold("stale hold", 340)
    address, previous, blocks, checksum = machine.read_symbol_u32("heap_head"), 0, 0, 0
    while address and blocks < 100:
        magic, used, _, size, next_block, back = block(machine, address + 16)
        assert (magic, back) == (0x7B10, previous)
        assert next_block in (0, address + 16 + size)
        turned = (checksum << 5 | checksum >> 27) & 0xFFFF_FFFF
        checksum = (turned + address + size + used) & 0xFFFF_FFFF
        blocks += 1
        previous, address = address, next_block
    assert blocks == machine.read_symbol_u32("heap_count") == 5
    assert checksum == machine.read_symbol_u32("heap_checksum")


def paces(machine: GuestMachine) -> tuple[dict[str, float], dict[str, float]]:
    """By load: frames a second, and the share of looks that fell between two frames."""
    rates, open_share = {}, {}
    for load in ("normal", "slow", "busy"):
        machine.command("idle", load=load)
        start, first = time.monotonic(), machine.read_symbol_u32("frame_ended")
        looks = between = 0
        while time.monotonic() < start + 0.4:
            ended, began = (machine.read_symbol_u32(f"frame_{end}") for end in ("ended", "began"))
            looks += 1
            between += began == ended
            time.sleep(0.0005)
        lasted = time.monotonic() - start
        rates[load] = (machine.read_symbol_u32("frame_ended") - first) / lasted
        open_share[load] = between / looks
    machine.command("idle")
    return rates, open_share


def test_a_slow_frame_takes_longer_and_a_busy_one_leaves_no_gap(machine: GuestMachine) -> None:
    """A busy machine holds the game up, so that a few tries may be needed."""
    for _ in range(10):
        rates, open_share = paces(machine)
        is_slower = rates["slow"] < 0.6 * rates["normal"]
        if is_slower and open_share["normal"] > 0.4 and open_share["busy"] < 0.2:
            return
    raise AssertionError(
        f"expected slow below normal, and gaps but for busy: {rates}, {open_share}"
    )


def test_a_dump_is_the_ram_file_of_a_held_game(machine: GuestMachine, tmp_path: Path) -> None:
    machine.hold("idle", 30)
    machine.stop()
    dump = tmp_path / "with a space.bin"
    machine.dump(dump)
    live = machine.read(RAM_START, 0x40_0000)
    machine.cont()
    assert dump.read_bytes() == live


def test_pulses_differ_within_a_frame_and_agree_between_frames(machine: GuestMachine) -> None:
    machine.command("walk")
    pulse = machine.symbols["pulse"]
    seen_torn = False
    for _ in range(2000):
        frames = {machine.read_u32(pulse + 0x100 * part) for part in range(6)}
        seen_torn |= len(frames) > 1
        if seen_torn:
            break
        time.sleep(0.001)
    assert seen_torn
    frame = machine.hold("walk", 30)
    assert {machine.read_u32(pulse + 0x100 * part) for part in range(6)} == {frame}


def test_reset_starts_the_frame_counter_again(machine: GuestMachine) -> None:
    frame = machine.hold("idle", 100)
    machine.release()
    machine.reset()
    deadline = time.monotonic() + 5
    while machine.read_symbol_u32("frame_began") >= frame and time.monotonic() < deadline:
        time.sleep(0.01)
    assert 0 <= machine.read_symbol_u32("frame_began") < frame


def test_close_ends_the_emulator(tmp_path: Path, elf: Path) -> None:
    with GuestMachine(elf, tmp_path) as machine:
        pid = machine.pid
        assert 0 < machine.gdb_port < 65536
        os.kill(pid, 0)
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)
    machine.close()
