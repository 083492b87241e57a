"""The emulated machine with the guest's RAM in the emulator's own, anonymous memory."""

from __future__ import annotations

import os
import re
import subprocess

from tests.guest.machine import EMULATOR, RAM_START, GuestMachine, GuestMachineError


class PrivateMachine(GuestMachine):
    """A guest whose RAM is in no file: only another process's memory shows it.

    `ram_path` names nothing. `host_address` is where the guest's address 0x80000000 lies in the
    emulator, as the emulator's own monitor tells it.
    """

    _host_address: int | None = None

    @property
    def host_address(self) -> int:
        """The address in the emulator's process of the guest's first byte of RAM."""
        if self._host_address is None:
            answer = self.monitor("gpa2hva 0")
            found = re.search(r"is (0x[0-9a-f]+)", answer)
            if found is None:
                raise GuestMachineError(f"no host address in the monitor's answer: {answer!r}")
            self._host_address = int(found[1], 16)
        return self._host_address

    def read(self, address: int, length: int) -> bytes:
        """`length` bytes at guest `address` (0x80000000 and up), as they are now: no guard."""
        file = os.open(f"/proc/{self.pid}/mem", os.O_RDONLY)
        try:
            return os.pread(file, length, self.host_address + address - RAM_START)
        finally:
            os.close(file)

    def _write_u32(self, address: int, value: int) -> None:
        # the tests play the game's controller; lowhalf itself never writes
        file = os.open(f"/proc/{self.pid}/mem", os.O_RDWR)
        try:
            os.pwrite(file, value.to_bytes(4, "big"), self.host_address + address - RAM_START)
        finally:
            os.close(file)

    def _start(self) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [
                *(EMULATOR, "-machine", "malta"),
                *("-m", "16", "-nic", "none", "-vga", "none", "-display", "none"),
                *("-serial", "none", "-monitor", f"unix:{self._socket_path},server,nowait"),
                *("-gdb", "tcp:127.0.0.1:0", "-kernel", str(self.elf)),
            ],
            stdin=subprocess.DEVNULL,
            stdout=self._log,
            stderr=subprocess.STDOUT,
        )
