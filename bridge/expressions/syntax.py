"""From an expression's text to a checked syntax tree.

Expressions are a small, total subset of Python's expression grammar.  Python's own parser reads the
text; nothing of Python's evaluation is used.  Every node must be of a kind in ``ALLOWED``; the rest
is refused with its place and what to write instead.  Length and depth are bounded before and after
parsing, so that no text makes the parser or a later walk run long.
"""

from __future__ import annotations

import ast
import io
import tokenize
import warnings

from schemas.errors import ExpressionError

__all__ = ["ALLOWED", "DEEPEST", "LONGEST", "MAX_COMPARISON", "MAX_LITERAL", "column_of", "parse"]

LONGEST = 4000
DEEPEST = 60
MAX_LITERAL = 1 << 64
MAX_COMPARISON = 64

ALLOWED = (
    ast.Expression,
    ast.BinOp,
    ast.UnaryOp,
    ast.BoolOp,
    ast.Compare,
    ast.IfExp,
    ast.Name,
    ast.Attribute,
    ast.Subscript,
    ast.Call,
    ast.Constant,
    ast.ListComp,
    ast.comprehension,
    ast.Load,
    ast.Store,
    *(ast.Add, ast.Sub, ast.Mult, ast.Div, ast.FloorDiv, ast.Mod, ast.Pow),
    *(ast.BitAnd, ast.BitOr, ast.BitXor, ast.LShift, ast.RShift),
    *(ast.Invert, ast.UAdd, ast.USub, ast.Not, ast.And, ast.Or),
    *(ast.Eq, ast.NotEq, ast.Lt, ast.LtE, ast.Gt, ast.GtE),
)
_ADVICE: dict[type[ast.AST], str] = {
    ast.Lambda: "functions cannot be made",
    ast.NamedExpr: "names cannot be assigned; write a watch and use its name",
    ast.Await: "there is nothing to wait for",
    ast.Dict: "there are no dictionaries",
    ast.Set: "there are no sets",
    ast.Tuple: "there are no tuples",
    ast.List: "a list comes from chain(…) or from [… for … in …]",
    ast.GeneratorExp: "write the list in square brackets",
    ast.JoinedStr: "there are no formatted texts; use show",
    ast.Starred: "arguments cannot be spread",
    ast.keyword: "arguments have no names",
    ast.Slice: "an index is a single number",
    ast.Is: "write == or !=",
    ast.IsNot: "write == or !=",
    ast.In: "compare with == and join with or",
    ast.NotIn: "compare with != and join with and",
    ast.MatMult: "there are no matrices",
}


def parse(text: str, watch: str = "") -> ast.expr:
    """The syntax tree of an expression.  Raises ExpressionError with the place of the fault."""
    if len(text) > LONGEST:
        raise ExpressionError(
            f"has {len(text)} characters, the most is {LONGEST}; split it into watches",
            expression=text[:60],
            watch=watch,
        )
    if not text.strip():
        raise ExpressionError("is empty", expression=text, watch=watch)
    line = " ".join(text.splitlines())
    comment = _comment(line)
    if comment is not None:
        raise ExpressionError(
            "comments belong outside the expression",
            expression=line,
            column=comment,
            watch=watch,
        )
    shift = len(line) - len(line.lstrip())
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            tree = ast.parse(line.strip(), mode="eval")
    except (RecursionError, MemoryError):
        raise _too_deep(line, 0, watch) from None
    except (SyntaxError, ValueError) as fault:
        # where something is yet to come at the end, Python gives 0; without a place, None
        offset = getattr(fault, "offset", None)
        column = 1 if offset is None else offset or len(line) + 1
        message = str(getattr(fault, "msg", fault)).lower().split("(<unknown>")[0].strip()
        if isinstance(fault, UnicodeEncodeError):
            column, message = fault.start + 1, "half of a surrogate pair is no character"
        if "nested" in message:
            raise _too_deep(line, 0, watch) from None
        raise ExpressionError(
            f"is not an expression: {message}",
            expression=line,
            column=min(shift + column - 1, len(line)),
            watch=watch,
        ) from None
    _check(tree, line, shift, watch)
    return tree.body


def _comment(line: str) -> int | None:
    """Where a comment begins, which would hide the rest of a text of several lines."""
    if "#" not in line:
        return None
    try:
        for token in tokenize.generate_tokens(io.StringIO(line.strip()).readline):
            if token.type == tokenize.COMMENT:
                return len(line) - len(line.lstrip()) + token.start[1]
    except (tokenize.TokenError, SyntaxError, ValueError, RecursionError, MemoryError):
        return None  # the parser says it better
    return None


def column_of(node: ast.AST, line: str, shift: int = 0) -> int:
    """Where a node begins, in characters: Python counts bytes of UTF-8."""
    stripped = line.strip().encode()
    return shift + len(stripped[: getattr(node, "col_offset", 0)].decode(errors="replace"))


def _check(tree: ast.Expression, line: str, shift: int, watch: str) -> None:
    """Refuse what is not in the table, and what is too deep, without recursion."""
    pending: list[tuple[ast.AST, float, ast.AST]] = [(tree, 0.0, tree.body)]
    while pending:
        node, depth, place = pending.pop()
        if hasattr(node, "col_offset"):
            place = node
        message = _refusal(node)
        if message:
            column = column_of(place, line, shift)
            raise ExpressionError(message, expression=line, column=column, watch=watch)
        if depth > DEEPEST:
            raise _too_deep(line, column_of(place, line, shift), watch)
        children = list(ast.iter_child_nodes(node))
        left_arm = node.left if isinstance(node, ast.BinOp) else None
        for child in children:
            # a long sum is a deep tree to the left, yet not as hard to read as one in brackets
            step = 0.5 if child is left_arm and isinstance(child, ast.BinOp) else 1.0
            pending.append((child, depth + step, place))


def _refusal(node: ast.AST) -> str:
    if not isinstance(node, ALLOWED):
        name = type(node).__name__
        return f"{name} is not allowed: {_ADVICE.get(type(node), 'it is no part of the language')}"
    if isinstance(node, ast.Constant):
        value = node.value
        if isinstance(value, int | float):
            if isinstance(value, int) and value > MAX_LITERAL:
                return "the number is larger than 64 bits"
            return "" if value == value and abs(value) != float("inf") else "is not finite"
        if not isinstance(value, str):
            return f"{value!r} is not a number"
    if isinstance(node, ast.Compare) and len(node.ops) > MAX_COMPARISON:
        return f"compares more than {MAX_COMPARISON} times in a row; join with and"
    if isinstance(node, ast.ListComp) and len(node.generators) != 1:
        return "a list has one for"
    if isinstance(node, ast.comprehension):
        if node.is_async:
            return "a list has a plain for"
        if not isinstance(node.target, ast.Name):
            return "a list's for has one name"
    if isinstance(node, ast.Call):
        if node.keywords:
            return "arguments have no names"
        if not isinstance(node.func, ast.Name):
            return "only a function's name can be called"
    return ""


def _too_deep(line: str, column: int, watch: str) -> ExpressionError:
    return ExpressionError(
        f"is nested deeper than {DEEPEST}; split it into watches",
        expression=line,
        column=column,
        watch=watch,
    )
