"""The byte order of guest memory, told by the machine code in it.

MIPS and PowerPC instructions are 32-bit words, and compilers write some of them in every function:
the stack pointer is moved, the return address is saved and fetched again, the function returns.
Such words are rare anywhere else.  Each order that a source may hold its bytes in moves the halves
of these words to certain lanes, swapped or not, so the words are looked for in all four forms at
once, and each form's finds are weighed against chance:

    bits of a kind = -log2 P(at least as many finds | a Poisson law for uniformly random words)

A word that stands there n times counts 1 + log2 n times, and no kind of word gives more than
``MAX_BITS``, so that neither a fill nor a table of like words can pass for code.  At least one
word must be right in all its bits, as a return is, so that a run of numbers through the addresses
of a frame cannot either.  The verdict needs ``ENOUGH_BITS`` and three times what the next best
order has.  Otherwise there is none: a wrong order is worse than a question.

Instruction words: MIPS Architecture For Programmers, volume II; Power ISA, book I; the stack
frames of the System V ABI supplements for both processors.
"""

from __future__ import annotations

import math
import sys
from array import array
from collections import Counter
from collections.abc import Iterable, Iterator
from functools import cache

from bridge.memory.byte_order import ByteOrder, reorder

__all__ = ["ENOUGH_BITS", "MAX_BITS", "TIMES_THE_NEXT", "code_order", "order_scores"]

ENOUGH_BITS = 40.0
TIMES_THE_NEXT = 3.0
MAX_BITS = 16.0
"""Of one kind of word: three kinds must agree at the least."""

_WORD = next(code for code in "ILQ" if array(code).itemsize == 4)
_ALL_WORDS = 2.0**32
_SAVED = (*range(16, 24), 28, 30, 31)
"""The MIPS registers that a function saves: s0 to s7, gp, s8, ra."""


def _with_low(high: int, low: Iterable[int]) -> list[int]:
    return [high << 16 | part & 0xFFFF for part in low]


def _mips() -> Iterator[list[int]]:
    in_frame = range(0, 0x400, 4)
    yield _with_low(0x27BD, range(-0x1000, 0, 8))  # addiu sp, sp, -n
    yield _with_low(0x27BD, range(8, 0x1000, 8))  # addiu sp, sp, n
    yield _with_low(0xAFBF, in_frame)  # sw ra, n(sp)
    yield _with_low(0x8FBF, in_frame)  # lw ra, n(sp)
    yield [0x03E0_0008]  # jr ra
    yield [0x0320_F809]  # jalr t9
    yield [0x0399_E021]  # addu gp, gp, t9
    yield _with_low(0x8FBC, in_frame)  # lw gp, n(sp)
    yield _with_low(0x8F99, range(-0x8000, 0x8000, 4))  # lw t9, n(gp)
    saved = [register for register in _SAVED if register not in (28, 31)]
    yield [w for r in saved for w in _with_low(0xAFA0 | r, in_frame)]  # sw s, n(sp)
    yield [w for r in saved for w in _with_low(0x8FA0 | r, in_frame)]  # lw s, n(sp)


def _power_pc() -> Iterator[list[int]]:
    saved_at = range(0x14, 0x400, 16)  # four above a frame, whose size is a multiple of 16
    yield _with_low(0x9421, range(-0x1000, 0, 16))  # stwu r1, -n(r1)
    yield _with_low(0x3821, range(16, 0x1000, 16))  # addi r1, r1, n
    yield [0x7C08_02A6]  # mflr r0
    yield [0x7C08_03A6]  # mtlr r0
    yield [0x4E80_0020]  # blr
    yield [0x4E80_0421]  # bctrl
    yield _with_low(0x9001, saved_at)  # stw r0, n(r1)
    yield _with_low(0x8001, saved_at)  # lwz r0, n(r1)


_WORDS_REVERSED = {
    ByteOrder.BIG: ByteOrder.SWAP32,
    ByteOrder.SWAP32: ByteOrder.BIG,
    ByteOrder.SWAP16: ByteOrder.HALFSWAP,
    ByteOrder.HALFSWAP: ByteOrder.SWAP16,
}
"""What remains of an order once the bytes of each word are reversed as well."""

_PROCESSORS = (_mips, _power_pc)


@cache
def _kinds() -> list[tuple[int, list[int]]]:
    """Every kind of word, each with the processor's place in ``_PROCESSORS`` before it."""
    return [(place, words) for place, make in enumerate(_PROCESSORS) for words in make()]


@cache
def _forms() -> dict[int, tuple[ByteOrder, int]]:
    """From a word as a source holds it to its order and kind; words of two meanings left out."""
    forms: dict[int, tuple[ByteOrder, int]] = {}
    twice: set[int] = set()
    for order in ByteOrder:
        for kind, (_, words) in enumerate(_kinds()):
            for word in _big_endian_words(reorder(_as_bytes(words), order)):
                if word in forms:
                    twice.add(word)
                forms[word] = (order, kind)
    for word in twice:
        del forms[word]
    return forms


def _as_bytes(words: Iterable[int]) -> bytes:
    return b"".join(word.to_bytes(4, "big") for word in words)


def _big_endian_words(data: bytes) -> array[int]:
    words = array(_WORD, data[: len(data) & ~3])
    if sys.byteorder == "little":
        words.byteswap()
    return words


def order_scores(data: bytes) -> dict[ByteOrder, float]:
    """The bits that speak for each order, of the processor for which most do.

    *data* begins on a multiple of four of the guest's memory, in the order to be found.
    """
    words = _big_endian_words(data)
    forms = _forms()
    found: dict[tuple[ByteOrder, int], float] = {}
    for word, times in Counter(filter(forms.__contains__, words)).items():
        form = forms[word]
        found[form] = found.get(form, 0.0) + 1 + math.log2(times)
    sums = {order: [0.0] * len(_PROCESSORS) for order in ByteOrder}
    whole: set[tuple[ByteOrder, int]] = set()
    for (order, kind), counted in found.items():
        processor, likes = _kinds()[kind]
        expected = len(words) * len(likes) / _ALL_WORDS
        sums[order][processor] += min(MAX_BITS, _bits(counted, expected))
        if len(likes) == 1:
            whole.add((order, processor))
    return {
        order: max(score if (order, place) in whole else 0.0 for place, score in enumerate(scores))
        for order, scores in sums.items()
    }


def _bits(times: float, expected: float) -> float:
    """How unlikely so many finds are, in bits, by Chernoff's bound on the tail of a Poisson law."""
    if times <= expected:
        return 0.0
    return (times * math.log(times / expected) - times + expected) / math.log(2)


def code_order(data: bytes, *, big_endian: bool = True) -> ByteOrder | None:
    """The order in which a source holds *data*, if the MIPS or PowerPC code in it tells.

    *data* begins on a multiple of four of the guest's memory, in the order to be found.  None where
    the evidence does not suffice.  Code of a little-endian guest looks like that of a big-endian
    one whose words are reversed, so *big_endian* says which of the two the guest is.
    """
    scores = order_scores(data)
    best, second = sorted(scores, key=scores.__getitem__, reverse=True)[:2]
    if scores[best] < ENOUGH_BITS or scores[best] < TIMES_THE_NEXT * scores[second]:
        return None
    return best if big_endian else _WORDS_REVERSED[best]
