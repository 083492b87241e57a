"""``lowhalf explain`` of what comes of a list, and of a block of the heap: the exact lines."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from adapters.commands.main import main

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
CARRY = str(SAMPLES / "first-print-carry.bridge.toml")
HEAD = "frame 151 · build first-print · file first-print-carry.bin.gz · still\n\n"
GULL = "first([a for a in chain(actor_head, 'next') if a.kind == ActorKind.gull]).position.x"


def test_the_element_that_was_taken_and_its_sum(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain", CARRY, GULL]) == 0
    assert capsys.readouterr().out == (
        f"""{HEAD}\
actor_head                           80180D00   Actor*, where first-print places it
actor_head holds                     80200780   Actor*
chain(actor_head, 'next')            5          elements, Actor
  [0]                                80200780   Actor
  [1]                                802005A0   Actor
  [2]                                802003D0   Actor
  [3]                                802001F0   Actor
  [4]                                80200010   Actor
[a for a in chain(actor_head, 'next') if a.kind == ActorKind.gull]
                                     1 of 5     elements, Actor
  [0]                      from [1]  802005A0   Actor
a is element                         1          of chain(actor_head, 'next')
a                                    802005A0   Actor
first([a for a in chain(actor_head, 'next') if a.kind == ActorKind.gull])
                                     802005A0   Actor
  .position                + 2C      802005CC   Vec3
  .x                       + 0       802005CC   f32
{GULL} holds
                                     415190CE   f32 13.097853

{GULL}
                           =         13.097853
"""
    )


def test_a_block_with_what_is_known_of_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain", CARRY, "block(courier.held).size"]) == 0
    assert capsys.readouterr().out == (
        f"""{HEAD}\
courier                          80180B60  Actor, where first-print places it
  .held                   + 13C  80180C9C  Actor*
courier.held holds               802003D0  Actor*
block(courier.held)              802003D0  where the block begins
  .index                         2
  .owner                         lantern
  .size                          448

block(courier.held).size  =      448
"""
    )


def test_the_elements_of_a_list_of_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain", CARRY, "sum([b.size for b in blocks() if b.used])"]) == 0
    rows = [line.split() for line in capsys.readouterr().out.splitlines()]
    assert rows[-8:-2] == [
        [
            "[b.size",
            "for",
            "b",
            "in",
            "blocks()",
            "if",
            "b.used]",
            "5",
            "of",
            "6",
            "elements,",
            "int",
        ],
        *(
            ["[" + str(n) + "]", str(size), "int"]
            for n, size in enumerate([464, 464, 448, 464, 432])
        ),
    ]
    assert rows[-1][-1] == "2272"


def test_json_has_the_elements_with_the_keys_of_any_step(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["explain", CARRY, GULL, "--json"]) == 0
    steps = json.loads(capsys.readouterr().out)
    keys = ["kind", "label", "type", "offset", "status", "value", "text", "address", "target"]
    assert all(list(step) == [*keys, "reason"] for step in steps)
    told = [(step["kind"], step["label"], step["offset"], step["value"]) for step in steps]
    chain, gulls = "chain(actor_head, 'next')", GULL.removeprefix("first(").partition(").")[0]
    assert told[2:4] == [("list", chain, 5, 5), ("element", "[0]", 0, 0x8020_0780)]
    assert told[8:12] == [
        ("list", gulls, 5, 1),
        ("element", "[0]", 1, 0x8020_05A0),
        ("position", "a", 0, 1),
        ("taken", "a", 0, 0x8020_05A0),
    ]
    assert (steps[9]["address"], steps[9]["type"]) == (0x8020_05A0, "Actor")
