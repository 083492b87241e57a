"""Generated code of numbers: the rule of each kind of node.

A rule emits what is needed, and gives the number in generated code, cheap and without side effects.
Those of lists, and of what explanations take from them, are in ``list_code``.
"""

from __future__ import annotations

from collections.abc import Mapping

from bridge.evaluation.code_generator import Generator, Rule
from bridge.evaluation.code_writer import plus
from bridge.expressions import nodes
from bridge.values.value_type import Kind

__all__ = ["NUMBER_RULES"]


def _literal(generator: Generator, node: nodes.Literal) -> str:
    return generator.constant(node.value) if isinstance(node.value, str) else f"({node.value!r})"


def _read(generator: Generator, node: nodes.Read | nodes.Stored | nodes.FlagRead) -> str:
    return generator.temporary(generator.stored(node)[0])


def _address_of(generator: Generator, node: nodes.AddressOf) -> str:
    address = generator.address(node.place)
    if address.variable is None:
        return str(address.offset)
    generator.not_null(address)
    return generator.bounded(generator.temporary(plus(address.variable, address.offset)), node)


def _loop_number(generator: Generator, node: nodes.LoopNumber) -> str:
    return generator.loops[node.variable]


def _unary(generator: Generator, node: nodes.Unary) -> str:
    operand = generator.number(node.operand)
    if node.op == "~":  # Python warns of ~ on a truth value
        return generator.bounded(generator.temporary(f"-1 - {operand}"), node)
    return generator.temporary(f"{node.op} {operand}")


def _arithmetic(generator: Generator, node: nodes.Arithmetic) -> str:
    left, right = generator.number(node.left), generator.number(node.right)
    calls = {"**": "power", "<<": "shift_left", ">>": "shift_right"}
    if node.op in calls:
        generator.further += 8
        return generator.temporary(f"{calls[node.op]}({left}, {right})")
    value = generator.temporary(f"{left} {node.op} {right}")
    if node.type.kind is Kind.FLOAT:
        generator.emit(f"if {value} - {value} != 0.0: finite({value})")
        return value
    return generator.bounded(value, node)


def _comparison(generator: Generator, node: nodes.Comparison) -> str:
    left = generator.number(node.operands[0])
    if len(node.ops) == 1:
        return generator.temporary(f"{left} {node.ops[0]} {generator.number(node.operands[1])}")
    result = generator.temporary("True")
    outer = generator.indent
    # one behind the other, not one in the other: what was true left its right side behind
    for op, operand in zip(node.ops, node.operands[1:], strict=True):
        generator.emit(f"if {result}:")
        generator.indent = outer + " "
        right = generator.number(operand)
        generator.emit(f"{result} = {left} {op} {right}")
        generator.indent, left = outer, right
    return result


def _logic(generator: Generator, node: nodes.Logic) -> str:
    result = generator.temporary(f"not not {generator.number(node.operands[0])}")
    outer = generator.indent
    for operand in node.operands[1:]:
        generator.emit(f"if {'' if node.op == 'and' else 'not '}{result}:")
        generator.indent += " "
        generator.emit(f"{result} = not not {generator.number(operand)}")
        generator.indent = outer
    return result


def _choice(generator: Generator, node: nodes.Choice) -> str:
    condition = generator.number(node.condition)
    result = generator.temporary("None")
    convert = "float" if node.type.kind is Kind.FLOAT else ""
    generator.block(
        f"if {condition}:",
        lambda: generator.emit(f"{result} = {convert}({generator.number(node.chosen)})"),
    )
    generator.block(
        "else:", lambda: generator.emit(f"{result} = {convert}({generator.number(node.otherwise)})")
    )
    return result


def _apply(generator: Generator, node: nodes.Apply) -> str:
    arguments = ", ".join(generator.number(part) for part in node.arguments)
    generator.further += node.statements
    value = f"{generator.constant(node.call)}({arguments})"
    if node.type.kind is Kind.FLOAT:
        return generator.temporary(f"float({value})")
    return generator.bounded(generator.temporary(value), node)


def _slot_value(generator: Generator, node: nodes.SlotValue) -> str:
    generator.emit(f"if S[{node.slot}] is not None: again(S[{node.slot}])")
    generator.share(node.slot)
    return generator.temporary(f"V[{node.slot}]")


def _length(generator: Generator, node: nodes.Length) -> str:
    return generator.temporary(f"len({generator.listing(node.listing)})")


def _fold(generator: Generator, node: nodes.Fold) -> str:
    listing = generator.listing(node.listing)
    if node.function != "sum":
        listing = f"filled({listing}, {generator.constant(node.text)})"
    generator.emit(f"spend(len({listing}) >> 1)")
    value = generator.temporary(f"f_{node.function}({listing})")
    return generator.bounded(value, node) if node.type.kind is Kind.INTEGER else value


def _first_number(generator: Generator, node: nodes.FirstNumber) -> str:
    return generator.first(node.listing)


def _of_blocks(generator: Generator, node: nodes.OfBlocks) -> str:
    generator.spends = True
    slot = str(generator.slot) if generator.checks else "None"
    if generator.checks:
        generator.cautious.add(generator.slot)
    call, among = generator.constant(node.call), f", {node.heap!r}" if node.heap else ""
    return generator.temporary(f"of_blocks({call}, {node.most}, {slot}{among})")


def _block_field(generator: Generator, node: nodes.BlockField) -> str:
    block, address = generator.block_of(node.block)
    if node.field == "offset":
        return generator.bounded(generator.temporary(f"canonical({address}) - {block}.start"), node)
    return generator.temporary(f"{block}.{node.field}")


NUMBER_RULES: Mapping[type[nodes.Expr], Rule] = {
    nodes.Literal: _literal,
    nodes.Read: _read,
    nodes.Stored: _read,
    nodes.FlagRead: _read,
    nodes.AddressOf: _address_of,
    nodes.LoopNumber: _loop_number,
    nodes.Unary: _unary,
    nodes.Arithmetic: _arithmetic,
    nodes.Comparison: _comparison,
    nodes.Logic: _logic,
    nodes.Choice: _choice,
    nodes.Apply: _apply,
    nodes.SlotValue: _slot_value,
    nodes.Length: _length,
    nodes.Fold: _fold,
    nodes.FirstNumber: _first_number,
    nodes.OfBlocks: _of_blocks,
    nodes.BlockField: _block_field,
}
