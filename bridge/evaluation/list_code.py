"""Generated code of lists: the rule of each kind of node.

What a list does is counted where it does it (``spend``), a step for every two statements of its
body.
"""

from __future__ import annotations

from collections.abc import Mapping

from bridge.evaluation.absence import Site
from bridge.evaluation.code_generator import Generator, Rule
from bridge.evaluation.code_writer import plus
from bridge.expressions import nodes
from bridge.values.value_type import ValueType
from schemas.layout import Leaf
from schemas.resolve import leaves

__all__ = ["LIST_RULES"]

_MADE_BLOCK = 8
"""Statements that making a block is worth."""


def _chain(generator: Generator, node: nodes.Chain) -> str:
    if node.head_is_pointer:
        assert isinstance(node.head.node, Leaf)
        head = generator.load(node.head, node.head.node)
    else:
        address = generator.address(node.head)
        head = str(address.offset)
        if address.variable is not None:
            generator.not_null(address)
            head = generator.temporary(plus(address.variable, address.offset))
    pointer = generator.layout.pointer_size
    mask = 0 if generator.layout.unaligned_loads else pointer - 1
    at, element = node.next_offset, node.element
    assert not isinstance(element, ValueType | nodes.BlockSort)
    link = next((leaf for _, offset, leaf in leaves(element) if offset == at), None)
    site = Site(f"{node.text} element", "", at, pointer, mask, at, link)
    found = generator.temporary(f"chain({head}, {generator.constant(site)})")
    generator.aim_all(found, node.text, element)
    return found


def _all_blocks(generator: Generator, node: nodes.AllBlocks) -> str:
    among = f", {node.heap!r}" if node.heap else ""
    if not generator.checks:
        return generator.temporary(f"blocks(None{among})")
    generator.cautious.add(generator.slot)
    return generator.temporary(f"blocks({generator.slot}{among})")


def _slot_listing(generator: Generator, node: nodes.SlotListing) -> str:
    generator.listed(node.slot)
    return generator.temporary(f"V[{node.slot}].values")


def _comprehension(generator: Generator, node: nodes.Comprehension) -> str:
    return _made_of(generator, node, generator.listing(node.source), "")


def _made_of(generator: Generator, node: nodes.Comprehension, source: str, positions: str) -> str:
    """Emit the list, and where *positions* is given the position of each element's source."""
    result = generator.temporary("[]")
    variable = f"v{generator.count}"
    generator.count += 1
    generator.loops[node.variable] = variable
    generator.widths.enter(node)
    further, generator.further = generator.further, 0
    lacking = "" if generator.whole else generator.temporary("False")
    head = f"for {variable} in {source}:"
    note = ""
    if positions:
        head = f"for p{variable}, {variable} in enumerate({source}):"
        note = f"{positions}.append(p{variable})"
    generator.block(head, lambda: _iteration(generator, node, result, lacking, note))
    if lacking:
        generator.emit(f"if {lacking}: lack()")
    generator.further += further
    del generator.loops[node.variable]
    return result


def _iteration(
    generator: Generator, node: nodes.Comprehension, result: str, lacking: str, note: str
) -> None:
    """Emit what is done for each element.

    One whose lines are *lacking* does not end the list: those of the others are asked for in
    the same batch.  What is wrong with a later one counts only once the earlier are known.
    """

    def element() -> None:
        _body(generator, node, result, note)

    def awaited() -> None:
        generator.block("try:", element)
        generator.emit(f"except Missing: {lacking} = True")
        generator.emit(f"except Exception as e: wrong({lacking}, e)")

    if isinstance(node.source.element, nodes.BlockSort):
        generator.further += _MADE_BLOCK
    body = generator.captured(awaited if lacking else element)
    generator.emit(f"spend({(len(body) + generator.further) // 2 + 1})")
    generator.out += body


def _body(generator: Generator, node: nodes.Comprehension, result: str, note: str) -> None:
    for condition in node.conditions:
        generator.emit(f"if not {generator.number(condition)}: continue")
    if note:
        generator.emit(note)
    if isinstance(node.result, nodes.Number):
        generator.emit(f"{result}.append({generator.number(node.result)})")
        return
    if isinstance(node.result, nodes.NamedBlock):
        generator.emit(f"{result}.append({generator.block_of(node.result)[0]})")
        return
    address = generator.address(node.result)
    if address.variable is None:
        generator.emit(f"{result}.append({address.offset})")
        return
    generator.not_null(address)
    generator.emit(f"{result}.append({plus(address.variable, address.offset)})")


# lists in explanations


def _listed(generator: Generator, node: nodes.Listed) -> str:
    listing = node.listing
    if not isinstance(listing, nodes.Comprehension):
        found = generator.listing(listing)
        return generator.temporary(f"walked({found}, None, len({found}))")
    source, positions = generator.listing(listing.source), generator.temporary("[]")
    found = _made_of(generator, listing, source, positions)
    return generator.temporary(f"walked({found}, {positions}, len({source}))")


def _picked_number(generator: Generator, node: nodes.PickedNumber) -> str:
    return generator.pick(node.listing, node.index)


def _position(generator: Generator, node: nodes.Position) -> str:
    generator.listed(node.slot)
    position, text = generator.number(node.index), generator.constant(node.text)
    return generator.temporary(f"pick(V[{node.slot}].positions, {position}, {text})")


def _extreme(generator: Generator, node: nodes.Extreme) -> str:
    generator.listed(node.slot)
    text = f"{generator.constant(node.function)}, {generator.constant(node.text)}"
    return generator.temporary(f"extreme(V[{node.slot}].values, {text})")


LIST_RULES: Mapping[type[nodes.Expr], Rule] = {
    nodes.Chain: _chain,
    nodes.AllBlocks: _all_blocks,
    nodes.SlotListing: _slot_listing,
    nodes.Comprehension: _comprehension,
    nodes.Listed: _listed,
    nodes.PickedNumber: _picked_number,
    nodes.Position: _position,
    nodes.Extreme: _extreme,
}
