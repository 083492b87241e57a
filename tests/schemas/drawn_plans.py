"""Plan files of all sorts, drawn by hypothesis."""

from __future__ import annotations

from typing import get_args

from hypothesis import strategies as st

from schemas.plan_file import (
    BlockAt,
    BuildStart,
    GoalTable,
    MadeForTable,
    PlanFile,
    ProofTable,
    StartTable,
    StepTable,
    Verdict,
)

# what a file can hold as text: all but lone surrogates, which no UTF-8 has
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=9)
# outside reference: TOML 1.0.0 promises whole numbers of 64 bits with a sign
NUMBERS = st.integers(0, (1 << 63) - 1)
ARENA = (0x100, (1 << 63) - 1)


@st.composite
def tiled(draw: st.DrawFn) -> tuple[BlockAt, ...]:
    """Blocks one behind the other, with whatever lies between."""
    blocks: list[BlockAt] = []
    end = ARENA[0]
    for _ in range(draw(st.integers(1, 2))):
        start = draw(st.integers(end, ARENA[1]))
        block = BlockAt(
            start=start,
            size=draw(st.integers(0, ARENA[1] - start)),
            used=draw(st.booleans()),
            owner=draw(TEXTS),
            age=draw(st.none() | st.integers(-9, 9)),
        )
        blocks.append(block)
        end = block.start + block.size
    return tuple(blocks)


BLOCKS = tiled()


@st.composite
def plans(draw: st.DrawFn) -> PlanFile:
    builds = draw(st.lists(TEXTS, min_size=1, max_size=2, unique=True))
    pair = st.tuples(NUMBERS, NUMBERS)
    steps = draw(
        st.lists(
            st.builds(
                StepTable,
                action=TEXTS,
                frames=NUMBERS,
                precise=NUMBERS,
                states=st.dictionaries(TEXTS, st.integers(-9, 9), max_size=2),
                layouts=st.fixed_dictionaries(dict.fromkeys(builds, BLOCKS)),
            ),
            max_size=2,
        )
    )
    start = st.builds(
        BuildStart,
        taken_from=TEXTS,
        arena=st.just(ARENA),
        rover=st.none() | NUMBERS,
        held=st.none() | NUMBERS,
        blocks=BLOCKS,
    )
    return PlanFile(
        game=draw(TEXTS),
        title=draw(TEXTS | st.just("")),
        heap=draw(TEXTS | st.just("")),
        frames=sum(step.frames for step in steps),
        precise=sum(step.precise for step in steps),
        avoid=draw(st.lists(TEXTS, max_size=2).map(tuple)),
        most_precise=draw(st.none() | NUMBERS),
        made_for=MadeForTable(actions=draw(TEXTS), builds={name: draw(TEXTS) for name in builds}),
        proof=ProofTable(
            verdict=draw(st.sampled_from(get_args(Verdict))),
            floor=draw(st.none() | NUMBERS),
            reason=draw(TEXTS),
        ),
        goals=(
            GoalTable(
                sort="placed",
                words=draw(TEXTS),
                given=draw(TEXTS | st.just("")),
                kind=draw(st.none() | TEXTS),
                spans={name: draw(pair) for name in builds},
            ),
            GoalTable(
                sort="covered", words=draw(TEXTS), addresses={n: draw(NUMBERS) for n in builds}
            ),
        ),
        start=StartTable(
            states=draw(st.dictionaries(TEXTS, st.integers(-9, 9), max_size=2)),
            builds={name: draw(start) for name in builds},
        ),
        steps=tuple(steps),
    )
