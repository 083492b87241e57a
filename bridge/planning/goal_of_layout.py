"""A layout as a goal on every build: as it was saved on its own, with the other builds' sizes."""

from __future__ import annotations

from collections.abc import Mapping

from bridge.planning.model import GameModel
from schemas.errors import LowhalfError
from schemas.layout_file import BlockTable, LayoutFile

__all__ = ["layouts_by_build"]


def layouts_by_build(
    file: LayoutFile, games: Mapping[str, GameModel]
) -> dict[str, tuple[BlockTable, ...]]:
    """The blocks that are wanted on each build of *games*, the file's own among them or not.

    Where sizes differ, a block has its kind's size on the other build, and free ones and those of
    no known kind may have any.  Raises LowhalfError.
    """
    own = games.get(file.build)
    if own is None:
        raise LowhalfError(
            f"the layout was saved on {file.build}, and the plan is for {', '.join(games)}: sizes "
            "may differ; give one saved on one of these"
        )
    return {build: _on(file, own, game) for build, game in games.items()}


def _on(file: LayoutFile, own: GameModel, game: GameModel) -> tuple[BlockTable, ...]:
    strides = [(_stride(own, kind), _stride(game, kind)) for kind in own.sizes]
    if own.policy.header == game.policy.header and all(mine == other for mine, other in strides):
        return file.blocks
    return tuple(_resized(block, own, game) for block in file.blocks)


def _resized(block: BlockTable, own: GameModel, game: GameModel) -> BlockTable:
    if block.wildcard is not None and not block.wildcard.one:
        return block
    size = None
    if block.wildcard is None and block.owner in own.sizes and block.owner in game.sizes:
        payload = own.policy.stride(own.sizes[block.owner]) - own.policy.header
        if block.size == payload:
            size = game.policy.stride(game.sizes[block.owner]) - game.policy.header
    return block.model_copy(update={"size": size, "at": None})


def _stride(game: GameModel, kind: str) -> int:
    return game.policy.stride(game.sizes[kind]) if kind in game.sizes else -1
