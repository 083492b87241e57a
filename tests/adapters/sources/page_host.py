"""A host program that keeps a guest's RAM in pages of its own, some guarded, some of another kind.

64 KiB that cannot be read stand on each side of the RAM, and behind them is a page of nothing.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from tests.adapters.sources.host_process import HostProcess

PROGRAM = """
import ctypes, mmap, os, sys

path, split = sys.argv[1], int(sys.argv[2])
size, page, beside = os.stat(path).st_size, mmap.PAGESIZE, 1 << 16
library = ctypes.CDLL(None, use_errno=True)
pointer, number = ctypes.c_void_p, ctypes.c_size_t
library.mmap.restype = pointer
library.mmap.argtypes = [pointer, number, ctypes.c_int, ctypes.c_int, ctypes.c_int, ctypes.c_long]
library.mprotect.argtypes = [pointer, number, ctypes.c_int]
library.munmap.argtypes = [pointer, number]

def done(result):
    if result in (None, -1, 2 ** (8 * ctypes.sizeof(pointer)) - 1):
        raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
    return result

private = mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS
ram = done(library.mmap(None, size + 2 * beside + page, 0, private, -1, 0)) + beside
done(library.munmap(ram + size + beside, page))
done(library.mprotect(ram, size, mmap.PROT_READ | mmap.PROT_WRITE))
if split:
    # from here on the RAM is the beginning of a file in memory
    file = os.memfd_create("more")
    os.ftruncate(file, size - split)
    fixed = 0x10
    both = mmap.PROT_READ | mmap.PROT_WRITE
    done(library.mmap(ram + split, size - split, both, mmap.MAP_SHARED | fixed, file, 0))
with open(path, "rb", buffering=0) as image:
    assert image.readinto((ctypes.c_char * size).from_address(ram)) == size
for rule in sys.argv[3:]:
    offset, rights = rule.split(":")
    done(library.mprotect(ram + int(offset), page, int(rights)))
print(ram, flush=True)
sys.stdin.read()
"""


class PageHost(HostProcess):
    """A running host; ``address`` is where its RAM begins.

    ``protected`` are offsets of pages that cannot be read, ``read_only`` of pages that cannot be
    written; from the offset ``split`` on, the RAM lies in another mapping that follows the first.
    """

    def __init__(
        self,
        image: Path,
        *,
        protected: Sequence[int] = (),
        read_only: Sequence[int] = (),
        split: int = 0,
    ) -> None:
        rules = [f"{offset}:0" for offset in protected] + [f"{offset}:1" for offset in read_only]
        super().__init__([sys.executable, "-c", PROGRAM, str(image), str(split), *rules])
        self.address = int(self.line())
