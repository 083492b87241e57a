"""The tables of rules know every node there is, and what is joined is joined in one place."""

from __future__ import annotations

import ast
import inspect

import grimp
import pytest

from bridge.evaluation.slot_code import RULES
from bridge.expressions import nodes
from bridge.expressions.functions.table import FUNCTIONS
from bridge.expressions.node_rules import node_rules
from bridge.expressions.syntax import ALLOWED

BASES = (nodes.Expr, nodes.Number, nodes.Place, nodes.NamedBlock, nodes.Listing)


def kinds(base: type) -> set[type]:
    """The kinds of nodes of one sort, without the sort itself."""
    found = [each for _, each in inspect.getmembers(nodes, inspect.isclass)]
    return {each for each in found if issubclass(each, base) and each not in BASES}


def test_each_number_and_each_list_has_a_rule_that_makes_code_of_it() -> None:
    assert set(RULES) == kinds(nodes.Number) | kinds(nodes.Listing)


def test_each_expression_that_the_syntax_allows_has_a_rule_that_types_it() -> None:
    allowed = {each for each in ALLOWED if issubclass(each, ast.expr)}
    assert set(node_rules(FUNCTIONS)) == allowed


@pytest.fixture(scope="module")
def imports() -> grimp.ImportGraph:
    return grimp.build_graph("bridge", cache_dir=None)


@pytest.mark.parametrize(
    ("module", "unknown"),
    [
        ("bridge.expressions.checker", "bridge.expressions.functions.table"),
        ("bridge.expressions.checker", "bridge.expressions.node_rules"),
        ("bridge.expressions.node_rules", "bridge.expressions.functions.table"),
        ("bridge.expressions.nodes", "bridge.heap.shape"),
        ("bridge.expressions.nodes", "bridge.solvers.turns"),
        ("bridge.expressions.widths", "bridge.expressions.functions.table"),
        ("bridge.evaluation.evaluator", "bridge.expressions.functions.table"),
    ],
)
def test_who_must_not_know_of_whom(imports: grimp.ImportGraph, module: str, unknown: str) -> None:
    """Also not by way of others: a new function changes none of them."""
    assert imports.find_shortest_chain(module, unknown) is None


@pytest.mark.parametrize("family", ["heap_shape", "lists", "numbers", "over_frames", "turns"])
def test_a_family_of_functions_is_known_to_the_table_and_to_other_families_alone(
    imports: grimp.ImportGraph, family: str
) -> None:
    module = f"bridge.expressions.functions.{family}"
    known = imports.find_modules_that_directly_import(module)
    families = imports.find_children("bridge.expressions.functions")
    assert "bridge.expressions.functions.table" in known
    assert known <= families
