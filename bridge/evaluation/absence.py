"""Why there is no value: the exceptions inside an evaluation.  None of them leaves ``bridge``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from bridge.values.status import Status
from bridge.values.value_type import Value
from schemas.layout import Leaf

__all__ = ["SET_ASIDE", "Absent", "Missing", "NotHeld", "Site", "same_fault"]


class Absent(Exception):
    """A watch has no value in this frame: status and the sentence that names the step.

    ``cause`` is the same without the expression, where the status alone does not tell.
    """

    def __init__(
        self, status: Status, reason: str, value: Value | None = None, *, cause: str = ""
    ) -> None:
        super().__init__(reason)
        self.status = status
        self.reason = reason
        self.value = value
        self.cause = cause


SET_ASIDE: Final = Absent(Status.WAITING, "its bytes have not come yet")
"""Stands for the reason of a slot that runs again once its lines have come."""


class NotHeld(Absent):
    """There is no value because the source does not hold the bytes.

    ``site`` is the access that lacked them and ``address`` the canonical guest address of its first
    byte; None and 0 where the bytes are in no region that the source has.
    """

    site: Site | None = None
    address: int = 0


def same_fault(fault: Absent) -> Absent:
    """The same reason to be raised anew: without a traceback, and without the value."""
    anew = type(fault)(fault.status, fault.reason, cause=fault.cause)
    if isinstance(fault, NotHeld) and isinstance(anew, NotHeld):
        anew.site, anew.address = fault.site, fault.address
    return anew


class Missing(Exception):
    """Lines are needed that have not been fetched yet; which, the evaluator has noted."""


@dataclass(frozen=True, slots=True)
class Site:
    """One access in an expression, for the checks that fail.

    ``size`` bytes at ``offset`` from the address that ``pointer`` (its text, empty where no pointer
    is followed) holds; that address must have no bit of ``mask``.  They are bytes of a value that
    begins at ``value_offset`` from it, as ``leaf`` stores it; None where they are a whole struct's.
    """

    place: str
    pointer: str
    offset: int
    size: int
    mask: int
    value_offset: int
    leaf: Leaf | None = None
