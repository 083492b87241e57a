"""What is done with files that are given without a command: a pure function."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from adapters.commands.opening.given import Given, Kind
from schemas.errors import LowhalfError

__all__ = ["PLAY", "what_to_do"]

PLAY = "play"
"""In place of a command: a recording is played with the bridge and schema that it holds."""

_EXPECTED = "expected a bridge file, a pack, a schema, a dump or a recording"


def what_to_do(given: Sequence[Given]) -> list[list[str]]:
    """The commands, each with its arguments; one that fails is the last.

    ======================  ====================================================
    given                   done
    ======================  ====================================================
    nothing                 the demo, with its page
    a bridge file           run
    a schema                attach, and run with the bridge file that it writes
    dumps or recordings     read, with the bridge file beside them that is called alike
                            or is the only one
    and a bridge file       read, with that one
    a recording alone       play, with its page
    a pack alone            check, which tells what it holds
    and a bridge file       run, with the source of that one
    and dumps, recordings   read, with the bridge file in the pack
    ======================  ====================================================

    Raises LowhalfError where the files say nothing that can be done.
    """
    if not given:
        return [["demo", "--browser"]]
    for each in given:
        if each.kind is Kind.OTHER:
            raise LowhalfError(f"{each.path} {each.why}: {_EXPECTED}")
    packs = [each for each in given if each.kind is Kind.PACK]
    if packs:
        return _packed(packs, [each for each in given if each.kind is not Kind.PACK])
    bridges = [each for each in given if each.kind is Kind.BRIDGE]
    schemas = [each for each in given if each.kind is Kind.SCHEMA]
    held = [each for each in given if each.kind in (Kind.DUMP, Kind.RECORDING)]
    if len(bridges) > 1 or (schemas and len(given) > 1):
        found = ", ".join(each.path.name for each in (*bridges, *schemas))
        raise LowhalfError(f"expected one bridge file, or one schema alone, found {found}")
    if schemas:
        return _attach(schemas[0])
    if not held:
        return [["run", str(bridges[0].path)]]
    if not bridges and len(held) == 1 and held[0].kind is Kind.RECORDING:
        return [[PLAY, str(held[0].path)]]
    bridge = str(bridges[0].path) if bridges else _beside(held)
    return [["read", bridge, *(word for each in held for word in ("--dump", str(each.path)))]]


def _packed(packs: Sequence[Given], others: Sequence[Given]) -> list[list[str]]:
    pack = str(packs[0].path)
    if not others and len(packs) == 1:
        return [["check", pack]]
    held = [each for each in others if each.kind in (Kind.DUMP, Kind.RECORDING)]
    if len(packs) == 1 and len(held) == len(others):
        return [["read", pack, *(word for each in held for word in ("--dump", str(each.path)))]]
    if len(packs) == len(others) == 1 and others[0].kind is Kind.BRIDGE:
        return [["run", pack, "--source", str(others[0].path)]]
    found = ", ".join(each.path.name for each in (*packs, *others))
    raise LowhalfError(
        f"expected one pack, alone, with dumps, or with the file that has your [source]; "
        f"found {found}"
    )


def _attach(schema: Given) -> list[list[str]]:
    name = schema.path.name[: -len(".toml")].removesuffix(".schema")
    bridge = schema.path.with_name(f"{name}.bridge.toml")
    if bridge in schema.beside:
        raise LowhalfError(f"{bridge} is there already: open that one")
    return [["attach", str(schema.path), "--write", str(bridge)], ["run", str(bridge)]]


def _beside(held: Sequence[Given]) -> str:
    """The bridge file in the folders of dumps: the one that is called as they are, or is alone."""
    there = {bridge for each in held for bridge in each.beside}
    alike = {bridge for bridge in there if _stem(bridge) in {_stem(each.path) for each in held}}
    found = alike or there
    if len(found) == 1:
        return str(found.pop())
    raise LowhalfError(
        f"{held[0].path} does not say what its bytes mean: expected one bridge file "
        f"(NAME.bridge.toml) beside it, found {len(found)}; open it together with its bridge file"
    )


def _stem(path: Path) -> str:
    return path.name.partition(".")[0].lower()
