"""How a source's bytes differ from the guest's own order.

An emulator on a little-endian host often keeps big-endian RAM as host words.  The four orders here
are named by what was done to the guest's bytes, and each is its own inverse:

    big       nothing: the bytes stand as the guest sees them
    swap16    the two bytes of each 16-bit half-word are swapped       b0 b1 b2 b3 -> b1 b0 b3 b2
    swap32    the four bytes of each 32-bit word are reversed          b0 b1 b2 b3 -> b3 b2 b1 b0
    halfswap  the two half-words of each 32-bit word are swapped       b0 b1 b2 b3 -> b2 b3 b0 b1
"""

from __future__ import annotations

from array import array
from enum import StrEnum

__all__ = ["ByteOrder", "reorder"]

_HALF = next(code for code in "HI" if array(code).itemsize == 2)
_WORD = next(code for code in "ILQ" if array(code).itemsize == 4)


class ByteOrder(StrEnum):
    """The order in which a source holds the guest's bytes."""

    BIG = "big"
    SWAP16 = "swap16"
    SWAP32 = "swap32"
    HALFSWAP = "halfswap"


def reorder(data: bytes, order: ByteOrder) -> bytes:
    """Bytes from a source turned to guest order, or back: every order is its own inverse.

    *data* must begin on a multiple of four; a rest of one to three bytes at its end, which no whole
    word covers, is left as it stands.
    """
    if order is ByteOrder.BIG:
        return data
    whole = len(data) & ~3
    words = array(_HALF if order is ByteOrder.SWAP16 else _WORD, data[:whole])
    words.byteswap()
    if order is ByteOrder.HALFSWAP:
        words = array(_HALF, words.tobytes())
        words.byteswap()
    return words.tobytes() + data[whole:]
