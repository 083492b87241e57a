"""Starts and addresses on every build that a plan is for, from what is known of some of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from bridge.planning.arena import Arena
from bridge.planning.derived_start import DerivedStart, NotDerivable, derive
from bridge.planning.model import GameModel, Start
from bridge.planning.wishes import Leading, Sort, Wish
from schemas.errors import PlanningError

__all__ = ["KnownBuild", "SetOut", "set_out"]


@dataclass(frozen=True, slots=True)
class KnownBuild:
    """What a frame or a file gave of one build.

    ``numbers`` is what each wish's number is, None where it needs none; ``taken_from`` says in
    words where all this was read.
    """

    start: Start
    numbers: Sequence[int | None]
    taken_from: str


@dataclass(frozen=True, slots=True)
class SetOut:
    """``starts`` and ``taken_from`` by build; ``addresses`` has those of each wish by build.

    ``assumed`` are sentences on what was taken to be so of heaps that were derived.
    """

    starts: Mapping[str, Start]
    addresses: Sequence[Mapping[str, int]]
    taken_from: Mapping[str, str]
    assumed: Sequence[str]


def set_out(
    wishes: Sequence[Wish],
    leading: Mapping[str, Sequence[Leading]],
    known: Mapping[str, KnownBuild],
    games: Mapping[str, GameModel],
    bounds: Mapping[str, tuple[int, int] | None],
) -> SetOut:
    """Starts on every build of *games* and the address of every wish there.

    *leading* is, by build, where each wish leads; *bounds* has the arena of each build where that
    is known without its memory.  The builds that are not known are derived from the first that is.
    Raises PlanningError.
    """
    making = _Making(known, games, bounds)
    addresses = [
        {build: making.address(build, n, wish, leading[build][n]) for build in games}
        for n, wish in enumerate(wishes)
    ]
    first = next(iter(known))
    taken_from = {
        build: known[build].taken_from if build in known else f"derived from {first}, not read"
        for build in games
    }
    return SetOut(making.starts, addresses, taken_from, making.assumed)


@dataclass
class _Making:
    known: Mapping[str, KnownBuild]
    games: Mapping[str, GameModel]
    bounds: Mapping[str, tuple[int, int] | None]
    starts: dict[str, Start] = field(default_factory=dict)
    derived: dict[tuple[str, str], DerivedStart] = field(default_factory=dict)
    assumed: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        first = next(iter(self.known))
        for build in self.games:
            if build in self.known:
                self.starts[build] = self.known[build].start
                continue
            bounds = self.bounds[build]
            if bounds is None:
                raise PlanningError(
                    f"where the arena of {build} lies stands in its memory: give a dump of it with "
                    f"--dump, or whole addresses as arena in [allocator.builds.{build}]"
                )
            derived = self._derived(first, build, bounds)
            self.starts[build] = derived.start
            self.assumed += derived.assumed

    def address(self, build: str, number: int, wish: Wish, lead: Leading) -> int:
        """The address of a wish on a build."""
        if lead.written:
            assert lead.fixed is not None
            owner = self._owner(wish, lead.fixed)
            found = lead.fixed if owner == build else self._carried(owner, build, lead.fixed)
        elif lead.fixed is not None:
            found = lead.fixed
        elif build in self.known:
            found = self._given(build, number, wish) + lead.offset
        else:
            first = next(iter(self.known))
            found = self._carried(first, build, self._given(first, number, wish)) + lead.offset
        arena = self.starts[build].arena
        if not arena.low <= found < arena.high:
            raise PlanningError(f"{wish.given}: {_outside(build, arena, found)}{_hint(wish)}")
        return found

    def _given(self, build: str, number: int, wish: Wish) -> int:
        found = self.known[build].numbers[number]
        assert found is not None
        if not found:
            raise PlanningError(f"{wish.given}: it is null on {build}, so it leads nowhere")
        return found

    def _owner(self, wish: Wish, address: int) -> str:
        """The build that a written address is one of."""
        arenas = {build: each.start.arena for build, each in self.known.items()}
        for build, arena in arenas.items():
            if arena.low <= address < arena.high:
                return build
        build, arena = next(iter(arenas.items()))
        raise PlanningError(f"{wish.given}: {_outside(build, arena, address)}")

    def _carried(self, of: str, build: str, address: int) -> int:
        arena = self.starts[build].arena
        derived = self._derived(of, build, (arena.low, arena.high))
        if _shape(derived.start.arena) != _shape(arena):
            raise PlanningError(
                f"0x{address:08X} is an address of {of}, and the heap of {build} is another; give "
                f"an expression, or each build's address as {build}=ADDRESS, with commas between "
                "them"
            )
        try:
            return derived.carried(address)
        except NotDerivable as fault:
            raise self._unknown(build, fault) from None

    def _derived(self, of: str, build: str, bounds: tuple[int, int]) -> DerivedStart:
        if (of, build) not in self.derived:
            try:
                made = derive(self.known[of].start, self.games[build], bounds)
            except NotDerivable as fault:
                raise self._unknown(build, fault) from None
            self.derived[of, build] = made
        return self.derived[of, build]

    def _unknown(self, build: str, fault: NotDerivable) -> PlanningError:
        if build in self.known:
            return PlanningError(
                f"{build}: {fault}; give an expression, or each build's address as "
                f"{build}=ADDRESS, with commas between them"
            )
        return PlanningError(f"{build}: {fault}; give a dump of {build} with --dump")


def _shape(arena: Arena) -> list[tuple[int, int, str]]:
    return [(cell.start, cell.stride, cell.kind) for cell in arena.cells]


def _outside(build: str, arena: Arena, address: int) -> str:
    return (
        f"0x{address:08X} is outside the heap of {build}, which is from 0x{arena.low:08X} to "
        f"0x{arena.high - 1:08X}"
    )


def _hint(wish: Wish) -> str:
    if wish.sort is not Sort.FIELD:
        return ""
    return "; --under takes the field that a pointer reaches, such as courier.held.position.x"
