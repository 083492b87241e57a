"""Which letter comes next: none of the sixteen digits, so that no sum can be misread."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Letters"]

_ADDRESSES = "PQRST"


@dataclass
class Letters:
    """P, Q, R, S, T and then P6 … for addresses; V1 … for values, N1 … for counts, L1 … for the
    elements of lists."""

    addresses: int = 0
    values: int = 0
    counts: int = 0
    elements: int = 0

    def address(self) -> str:
        self.addresses += 1
        if self.addresses <= len(_ADDRESSES):
            return _ADDRESSES[self.addresses - 1]
        return f"P{self.addresses}"

    def value(self) -> str:
        self.values += 1
        return f"V{self.values}"

    def count(self) -> str:
        self.counts += 1
        return f"N{self.counts}"

    def element(self) -> str:
        self.elements += 1
        return f"L{self.elements}"
