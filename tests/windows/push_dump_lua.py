"""What push_dump.c is, with the Lua kit: a Lua of which lupa is the host, and Python's sockets.

So it stands for an emulator whose own functions send and receive.  Arguments: which Lua (lua51 …),
the kit's folder, then those of push_dump.c.
"""

from __future__ import annotations

import contextlib
import importlib
import socket
import sys
import time
from pathlib import Path
from typing import Any

DRIVER = b"""
local kit, send, receive, byte, size, order = ...
local lhp = dofile(kit)
return assert(lhp.new({
  base = 0x80000000, size = size, order = order, name = "my pier",
  send = send, receive = receive, byte = byte,
}))
"""
START = 0x8000_0000
kit = Path(sys.argv[2]) / "lhp.lua"
port, order, first, last, began, ended = (int(word, 0) for word in (sys.argv[3], *sys.argv[5:]))
ram = bytearray(Path(sys.argv[4]).read_bytes())
connection = socket.socket()


def send(data: bytes) -> bool | None:
    try:
        connection.sendall(data)
    except OSError:
        return None
    return True


def receive() -> bytes | None:
    connection.setblocking(False)
    try:
        data = connection.recv(1 << 16)
    except BlockingIOError:
        return b""
    except OSError:
        return None
    finally:
        connection.settimeout(5)
    return data or None


def count(at: int, frame: int) -> None:
    ram[at : at + 4] = frame.to_bytes(4, "big")


lupa: Any = importlib.import_module(f"lupa.{sys.argv[1]}")
lua = lupa.LuaRuntime(encoding=None)


def greeted() -> Any:
    """A client that is welcome; lowhalf may just be closing its port, so that it can listen anew.

    Raises OSError where it never is.
    """
    global connection
    for _ in range(200):
        with contextlib.suppress(OSError, lupa.LuaError):
            connection = socket.create_connection(("127.0.0.1", port), timeout=5)
            given = (send, receive, lambda address: ram[int(address) - START], len(ram), order)
            made = lua.execute(DRIVER, str(kit).encode(), *given)
            while made[b"poll"](made) is True:
                if made[b"welcome"]:
                    return made
                time.sleep(0.01)
        time.sleep(0.1)
    raise TimeoutError("nobody welcomes it")


client = greeted()
frame = first
while frame <= last:
    count(began, frame)
    count(ended, frame)
    done = client[b"frame"](client, frame)
    if done is True:
        frame += 1
    elif client[b"lost"]:
        print("lost", client[b"lost"])
        sys.exit(1)
    time.sleep(0.01)
print(f"sent {last}", flush=True)
sys.stdin.readline()
client[b"close"](client)
with contextlib.suppress(OSError):
    connection.shutdown(socket.SHUT_WR)
    while connection.recv(1 << 16):
        pass
connection.close()
