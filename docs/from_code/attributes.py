"""What the source says of a class's attributes: the text that stands under each.

Python keeps no docstrings of attributes, so the source is read.
"""

from __future__ import annotations

import ast
import inspect
import textwrap


def attribute_docs(kind: type) -> dict[str, str]:
    """The text under each attribute of *kind*, in the order of the source; "" where there is none.

    Attributes that begin with an underscore are left out.
    """
    (body,) = ast.parse(textwrap.dedent(inspect.getsource(kind))).body
    assert isinstance(body, ast.ClassDef)
    found: dict[str, str] = {}
    last = ""
    for statement in body.body:
        match statement:
            case ast.Assign(targets=[ast.Name(id=name)]) | ast.AnnAssign(target=ast.Name(id=name)):
                last = "" if name.startswith("_") else name
                if last:
                    found[last] = ""
            case ast.Expr(value=ast.Constant(value=str(text))) if last:
                found[last] = " ".join(text.split())
                last = ""
            case _:
                last = ""
    return found
