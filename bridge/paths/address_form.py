"""Where a value is, as a sum with brackets: the form in which addresses are passed on."""

from __future__ import annotations

from bridge.expressions import nodes

__all__ = ["address_form"]


def address_form(number: nodes.Number | None) -> str:
    """Where a value is, as a sum with each pointer's own address in brackets: ``[80102B7C] + 2E``.

    ``computed`` for a value that has no address, or one that is computed otherwise.
    """
    if not isinstance(number, nodes.Read | nodes.Stored | nodes.FlagRead):
        return "computed"
    offset = number.offset if isinstance(number, nodes.Stored) else 0
    return _place_form(number.place, offset) or "computed"


def _place_form(place: nodes.Place, offset: int) -> str:
    if isinstance(place, nodes.Offset):
        return _place_form(place.base, offset + place.offset)
    if isinstance(place, nodes.Fixed):
        return f"{place.address + offset:08X}"
    if isinstance(place, nodes.Followed):
        inner = _place_form(place.pointer, 0)
        return f"[{inner}] + {offset:X}" if inner else ""
    return ""
