"""The Lua kit, run for real by the oldest and the newest Lua that it is for."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from adapters.sources.pushed import lhp
from adapters.sources.pushed.lhp_stream import StreamReceiver
from bridge.memory.byte_order import ByteOrder
from tests.adapters.clients import kit_run
from tests.commands import files

LUAS = [
    pytest.param("lua5.1", marks=pytest.mark.needs("lua5.1", "lua5.1")),
    pytest.param("lua5.4", marks=pytest.mark.needs("lua5.4", "lua5.4")),
]
every_lua = pytest.mark.parametrize("lua", LUAS)


def driver(lua: str) -> list[str]:
    there = subprocess.run([lua, "-e", 'require "socket"'], capture_output=True, timeout=20)
    if there.returncode:
        pytest.skip(f"needs Debian package lua-socket: no socket for {lua}")
    return [lua, str(kit_run.DRIVERS / "driver.lua")]


@every_lua
@pytest.mark.parametrize("order", kit_run.ORDERS)
def test_under_the_daemon(tmp_path: Path, lua: str, order: int) -> None:
    kit_run.run_against_the_daemon(driver(lua), tmp_path, order)


@every_lua
def test_frames_in_parts(tmp_path: Path, lua: str) -> None:
    kit_run.run_with_small_messages(driver(lua), tmp_path)


@every_lua
def test_most_ranges(tmp_path: Path, lua: str) -> None:
    kit_run.run_with_most_ranges(driver(lua), tmp_path)


@every_lua
def test_refused(tmp_path: Path, lua: str) -> None:
    kit_run.run_until_refused(driver(lua), tmp_path, "tide is out")


@every_lua
def test_nobody_there(tmp_path: Path, lua: str) -> None:
    kit_run.run_with_nobody_there(driver(lua), tmp_path)


WITHOUT_SOCKETS = """
package.path, package.cpath = "", ""
local lhp = dofile(arg[1] .. "/lhp.lua")
local none, reason = lhp.connect("127.0.0.1", 1, {})
assert(none == nil and reason == "LuaSocket is not here: give lhp.new a send and a receive")
local file = assert(io.open(arg[2], "rb"))
local answers = file:read("*a")
file:close()
local at = 0
local client = assert(lhp.new({
  base = 0x80000000, size = 0x4000, order = 3, name = "pier", token = "secret",
  send = function(bytes) return io.stdout:write(bytes) end,
  receive = function()
    -- byte by byte
    at = at + 1
    return answers:sub(at, at)
  end,
  read = function(address, length) return string.rep(string.char(address % 251), length) end,
}))
assert(client:frame(4294967295))
assert(client.refusal == "no such pier", client.refusal)
client.wanted = {}
assert(client:frame(0))
client:close()
assert(not client:frame(1))
"""


@every_lua
def test_with_functions_of_the_emulators_own(tmp_path: Path, lua: str) -> None:
    ranges = ((0x8000_0100, 256), (0xFFFF_FF00, 4))
    answers = (
        lhp.Welcome(lhp.MAX_PAYLOAD),
        lhp.Want(lhp.MAX_PAYLOAD, ranges),
        lhp.Ack(7),
        lhp.Pong(b"?"),
        lhp.ErrorMessage(lhp.Code.OUTSIDE_RAM, False, "no such pier"),
    )
    (tmp_path / "answers").write_bytes(b"".join(lhp.encode(answer) for answer in answers))
    (tmp_path / "test.lua").write_text(WITHOUT_SOCKETS, "utf-8")
    done = subprocess.run(
        [lua, str(tmp_path / "test.lua"), str(kit_run.KITS), str(tmp_path / "answers")],
        capture_output=True,
        timeout=20,
    )
    assert done.returncode == 0, done.stderr
    said = [lhp.decode(*pair) for pair in StreamReceiver().receive(done.stdout)]
    assert said == [
        lhp.Hello(files.BASE, 0x4000, ByteOrder.HALFSWAP, "pier", b"secret"),
        lhp.FramePart(
            0xFFFF_FFFF,
            False,
            tuple((at, bytes([at % 251]) * length) for at, length in ranges),
        ),
        lhp.FramePart(0, False, ((files.BASE, bytes([files.BASE % 251])),)),
        lhp.Bye(),
    ]
