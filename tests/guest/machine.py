"""Runs Tidewright on QEMU's emulated Malta board, with the guest's RAM in a file."""

from __future__ import annotations

import re
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

EMULATOR = "qemu-system-mips"
SYMBOL_LISTER = "mips-linux-gnu-nm"

RAM_START = 0x8000_0000
RAM_SIZE = 0x40_0000
"""What the schema calls `ram`; the machine itself has 16 MiB, of which the game uses this."""

COMMANDS = {
    "idle": 1,
    "walk": 2,
    "turn": 3,
    "carry": 4,
    "stale hold": 5,
    "grand tour": 6,
    "practice": 7,
}
"""Script name → the mailbox's number for it."""

SCRIPT_FRAMES = {1: 120, 2: 240, 3: 180, 4: 300, 5: 360}
"""A script's number → its frames; the grand tour plays these five in turn."""

LOADS = {"normal": 0, "slow": 1, "busy": 2, "swift": 3}

_MAILBOX_MAGIC = 0x5449_4D42
_COMMAND_AT, _LOAD_AT, _SEQUENCE_AT, _ACKNOWLEDGED_AT, _HOLD_AT = 0x04, 0x08, 0x0C, 0x10, 0x14
_PROMPT = b"(qemu) "


class GuestMachineError(Exception):
    """The emulated machine did not do what was asked; the message says what, and what was seen."""


def symbol_addresses(elf: Path) -> dict[str, int]:
    """Symbol name → guest address, of every symbol in `elf`, as binutils' nm gives them."""
    listing = subprocess.run(
        [SYMBOL_LISTER, str(elf)], check=True, capture_output=True, text=True
    ).stdout
    rows = (line.split() for line in listing.splitlines())
    return {row[2]: int(row[0], 16) & 0xFFFF_FFFF for row in rows if len(row) == 3}


class GuestMachine:
    """A running guest. Use it as a context manager: on leaving, the emulator is ended.

    `ram_path` is the guest's RAM, live and in guest byte order: offset 0 is address
    0x80000000. `gdb_port` is a loopback TCP port with the emulator's debugger stub.
    """

    def __init__(self, elf: Path, directory: Path, *, timeout_seconds: float = 20.0) -> None:
        self.elf = elf
        self.symbols = symbol_addresses(elf)
        self.ram_path = directory / f"{elf.stem}.ram"
        self._timeout_seconds = timeout_seconds
        # A UNIX socket's path may not be longer than about 100 bytes; a test's directory may.
        self._socket_directory = Path(tempfile.mkdtemp(prefix="tide"))
        self._log = (directory / f"{elf.stem}.log").open("wb+")
        self._monitor: socket.socket | None = None
        self._process = self._start()
        try:
            self._monitor = self._connect()
            self.gdb_port = self._find_gdb_port()
            self._wait_until_listening()
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def pid(self) -> int:
        """The emulator's process id."""
        return self._process.pid

    @property
    def is_running(self) -> bool:
        """Whether the emulator's process still lives."""
        return self._process.poll() is None

    # -- the guest's memory

    def read(self, address: int, length: int) -> bytes:
        """`length` bytes at guest `address` (0x80000000 and up), as they are now: no guard."""
        with self.ram_path.open("rb", buffering=0) as ram:
            ram.seek(address - RAM_START)
            return ram.read(length)

    def read_u32(self, address: int) -> int:
        """The big-endian u32 at guest `address`."""
        return int.from_bytes(self.read(address, 4), "big")

    def read_symbol_u32(self, name: str) -> int:
        """The big-endian u32 at the symbol `name` of the ELF file."""
        return self.read_u32(self.symbols[name])

    def _write_u32(self, address: int, value: int) -> None:
        with self.ram_path.open("rb+", buffering=0) as ram:
            ram.seek(address - RAM_START)
            ram.write(value.to_bytes(4, "big"))

    def _post(self, command: int, load: str, hold_at: int, what: str) -> None:
        mailbox = self.symbols["mailbox"]
        sequence = self.read_u32(mailbox + _SEQUENCE_AT) + 1
        self._write_u32(mailbox + _COMMAND_AT, command)
        self._write_u32(mailbox + _LOAD_AT, LOADS[load])
        self._write_u32(mailbox + _HOLD_AT, hold_at)
        self._write_u32(mailbox + _SEQUENCE_AT, sequence)
        self._wait_until(
            lambda: self.read_u32(mailbox + _ACKNOWLEDGED_AT),
            lambda acknowledged: acknowledged == sequence,
            what,
        )

    # -- the game

    def wait_for_frame(self, number: int) -> int:
        """Waits until frame `number` has ended; gives the frame that has ended by then."""
        return self._wait_until(
            lambda: self.read_symbol_u32("frame_ended"),
            lambda ended: ended >= number,
            f"frame {number}",
        )

    def wait_for_script_frame(self, number: int) -> int:
        """Waits until the script is at its frame `number` or later; gives that frame."""
        return self._wait_until(
            lambda: self.read_symbol_u32("script_frame"),
            lambda frame: frame >= number,
            f"script frame {number}",
        )

    def command(self, name: str, *, load: str = "normal", hold_at: int = 0) -> int:
        """Restarts the game with script `name`; gives the frame that was the script's first.

        `load`: "normal"; "slow", three frame times a frame; or "busy", no idle at all;
        or "swift", no waiting at all, thousands of frames a second. The scripts do not notice.
        `hold_at`: the script's frame after which the game stands still, see `hold`; 0: none.
        """
        self._post(COMMANDS[name], load, hold_at, f"the answer to {name}")
        # the game answers first, and notes the script's begin later in the same frame
        self.wait_for_frame(self.read_symbol_u32("frame_began"))
        return self.read_symbol_u32("script_began")

    def hold(self, name: str, script_frame: int, *, load: str = "swift") -> int:
        """Plays script `name` up to the end of its frame `script_frame`, and no further.

        The game then stands still between two frames, so a dump is exact and whole, while the
        processor runs on. Gives the number of the frame; `release` or `command` ends it.
        """
        first = self.command(name, load=load, hold_at=script_frame)
        held = self.wait_for_frame(first + script_frame - 1)
        if self.read_symbol_u32("script_frame") != script_frame:
            raise GuestMachineError(f"{name} has no frame {script_frame} to hold at")
        return held

    def step(self) -> int:
        """Lets a held game play one more frame and stand still again; gives the frame's number."""
        number = self.read_symbol_u32("frame_ended")
        at = self.read_symbol_u32("script_frame")
        last = SCRIPT_FRAMES[self.read_symbol_u32("script")]
        # nothing is posted: the game goes on as soon as it is to be held at another frame
        self._write_u32(self.symbols["mailbox"] + _HOLD_AT, 1 if at == last else at + 1)
        return self.wait_for_frame(number + 1)

    def release(self) -> None:
        """Lets a held game go on from where it stands, at the normal pace."""
        self._post(0, "normal", 0, "the answer to release")

    # -- the machine

    def stop(self) -> None:
        """Halts the guest's processor, wherever in a frame it is."""
        self.monitor("stop")

    def cont(self) -> None:
        """Lets a halted guest go on."""
        self.monitor("cont")

    def stop_between_frames(self) -> int:
        """Halts the guest where no frame is under way; gives the frame that ended last."""
        for _ in range(200):
            self.stop()
            began, ended = (self.read_symbol_u32(f"frame_{end}") for end in ("began", "ended"))
            if began == ended:
                return ended
            self.cont()
            time.sleep(0.002)
        raise GuestMachineError("no halt fell between two frames in 200 tries; is the load busy?")

    def reset(self) -> None:
        """Presses the machine's reset button: the game starts again from its first frame."""
        self.monitor("system_reset")

    def dump(self, path: Path) -> None:
        """Writes the game's 4 MiB of RAM to `path`, raw. Halt the guest first for a whole frame."""
        self.monitor(f'pmemsave 0 {RAM_SIZE:#x} "{path}"')

    def monitor(self, line: str) -> str:
        """Gives `line` to the emulator's monitor; gives what it answered."""
        if self._monitor is None:
            raise GuestMachineError("the emulator's monitor is closed")
        self._monitor.sendall(line.encode() + b"\n")
        return self._read_to_prompt()

    def close(self) -> None:
        """Ends the emulator and waits for it; does nothing the second time."""
        if self._monitor is not None:
            self._monitor.close()
            self._monitor = None
        if self.is_running:
            self._process.kill()
        self._process.wait()
        self._log.close()
        shutil.rmtree(self._socket_directory, ignore_errors=True)

    # -- starting

    @property
    def _socket_path(self) -> Path:
        return self._socket_directory / "monitor"

    def _start(self) -> subprocess.Popen[bytes]:
        ram = f"memory-backend-file,id=ram0,size=16M,mem-path={self.ram_path},share=on"
        return subprocess.Popen(
            [
                *(EMULATOR, "-machine", "malta,memory-backend=ram0", "-object", ram),
                *("-m", "16", "-nic", "none", "-vga", "none", "-display", "none"),
                *("-serial", "none", "-monitor", f"unix:{self._socket_path},server,nowait"),
                *("-gdb", "tcp:127.0.0.1:0", "-kernel", str(self.elf)),
            ],
            stdin=subprocess.DEVNULL,
            stdout=self._log,
            stderr=subprocess.STDOUT,
        )

    def _connect(self) -> socket.socket:
        deadline = time.monotonic() + self._timeout_seconds
        while True:
            monitor = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            monitor.settimeout(self._timeout_seconds)
            try:
                monitor.connect(str(self._socket_path))
            except OSError as fault:
                monitor.close()
                self._fail_if_ended()
                if time.monotonic() > deadline:
                    raise GuestMachineError("the emulator's monitor did not open") from fault
                time.sleep(0.02)
            else:
                self._monitor = monitor
                self._read_to_prompt()
                return monitor

    def _find_gdb_port(self) -> int:
        answer = self.monitor("info chardev")
        found = re.search(r"gdb: filename=\S*?tcp:127\.0\.0\.1:(\d+)", answer)
        if found is None:
            raise GuestMachineError(f"no debugger port in the monitor's answer: {answer!r}")
        return int(found[1])

    def _wait_until_listening(self) -> None:
        self._wait_until(
            lambda: self.read_symbol_u32("mailbox"),
            lambda magic: magic == _MAILBOX_MAGIC,
            "the game to listen",
        )

    # -- waiting

    def _wait_until(
        self, read: Callable[[], int], is_there: Callable[[int], bool], what: str
    ) -> int:
        deadline = time.monotonic() + self._timeout_seconds
        while True:
            value = read()
            if is_there(value):
                return value
            self._fail_if_ended()
            if time.monotonic() > deadline:
                raise GuestMachineError(
                    f"waited {self._timeout_seconds:g} s for {what}; last seen {value:#x}"
                )
            time.sleep(0.002)

    def _fail_if_ended(self) -> None:
        if not self.is_running:
            self._log.seek(0)
            said = self._log.read().decode(errors="replace").strip()
            raise GuestMachineError(f"the emulator ended with {self._process.returncode}: {said}")

    def _read_to_prompt(self) -> str:
        assert self._monitor is not None
        said = b""
        while not said.endswith(_PROMPT):
            piece = self._monitor.recv(65536)
            if not piece:
                raise GuestMachineError(f"the emulator's monitor closed after {said!r}")
            said += piece
        return said[: -len(_PROMPT)].decode(errors="replace")
