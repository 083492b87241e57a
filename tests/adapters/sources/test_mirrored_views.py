"""Views of one piece of shared memory at several addresses, on memory made by hand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from adapters.sources.process.mirrored_views import without_mirrors
from tests.adapters.sources.test_find_ram import Game

FIRST, SECOND = 0, 1


def found(game: Game, turn: Callable[[int], None], *, shared: Sequence[bool]) -> list[int]:
    """Which of the copies remain; *turn* is called before each range that is read."""
    live = [
        replace(copy, area=replace(copy.area, shared=is_shared))
        for copy, is_shared in zip(game.found, shared, strict=True)
    ]
    reads = 0

    def read(ranges: Sequence[tuple[int, int]]) -> list[bytes | None]:
        nonlocal reads
        parts: list[bytes | None] = []
        for each in ranges:
            turn(reads)
            reads += 1
            parts += game.host.read([each])
        return parts

    kept = without_mirrors(
        *(live, game.ready, game.memory, game.memory.regions[0], read),
        longest=5.0,
        pause=lambda seconds: None,
    )
    return [live.index(copy) for copy in kept]


def step(game: Game, *, lag: int = 0, every: int = 3) -> Callable[[int], None]:
    """Both go on at the same moment but for a *lag* of so many reads."""
    pieces = list(game.host.pieces.values())

    def turn(reads: int) -> None:
        for index, piece in enumerate(pieces):
            frame = max(0, reads - lag * index) // every
            piece[0x2000:0x2004] = piece[0x2010:0x2014] = frame.to_bytes(4, "big")

    return turn


def test_what_always_goes_on_alike_is_one(tmp_path: Path) -> None:
    game = Game(tmp_path, [1, 1])
    assert found(game, step(game), shared=(True, True)) == [FIRST]


@pytest.mark.parametrize("every", [4, 5, 7])
def test_what_changes_while_it_is_looked_at_says_nothing(tmp_path: Path, every: int) -> None:
    """The first has changed before the second is read: this tells nothing of the two."""
    game = Game(tmp_path, [1, 1])
    assert found(game, step(game, every=every), shared=(True, True)) == [FIRST]


def test_a_copy_that_is_late_is_another(tmp_path: Path) -> None:
    game = Game(tmp_path, [1, 1])
    assert found(game, step(game, lag=4, every=6), shared=(True, True)) == [FIRST, SECOND]


@pytest.mark.parametrize("shared", [(True, False), (False, True), (False, False)])
def test_memory_of_its_own_is_nobodys_mirror(tmp_path: Path, shared: tuple[bool, bool]) -> None:
    game = Game(tmp_path, [1, 1])
    assert found(game, step(game), shared=shared) == [FIRST, SECOND]


def test_what_cannot_be_read_is_no_mirror(tmp_path: Path) -> None:
    game = Game(tmp_path, [1, 1])
    game.host.pieces[game.found[SECOND].address] = bytearray(0x2800)
    assert found(game, lambda reads: None, shared=(True, True)) == [FIRST, SECOND]
