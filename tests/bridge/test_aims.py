"""Pointers into the heap that do not lead to what they were aimed at, over frames."""

from __future__ import annotations

import random

import pytest

from bridge.evaluation.evaluator import Evaluator
from bridge.expressions.compiling import check
from bridge.values.status import Status
from tests.bridge.made_guest import Outcome, Run
from tests.bridge.made_heap import ARENA, POINTER, HeapGuest, Made, changed

WATCH = "held.word"
BLOCKS = [Made(0x40, kind=3), Made(0x40, kind=2), Made(0x40, kind=4)]


class Play:
    """One watch over frames, while the test plays the game's allocator."""

    def __init__(self, expression: str = WATCH, *, whole: bool = True, **heap: str) -> None:
        self.guest = HeapGuest(**heap)  # type: ignore[arg-type]
        self.blocks = list(BLOCKS)
        self.guest.heap(self.blocks)
        self.guest.aim(self.guest.start(1))
        self.run: Run = self.guest.run({"watch": expression}, whole=whole)
        self.number = 0

    def frame(self, *, commit: bool = True) -> Outcome:
        self.number += commit
        self.run.frame(self.number, commit=commit)
        return self.run["watch"]

    def set(self, index: int, **fields: int | bool) -> None:
        self.blocks = changed(self.blocks, index, **fields)
        self.guest.heap(self.blocks)

    def free(self, index: int) -> None:
        self.set(index, used=False)

    def hand_out(self, index: int, kind: int) -> None:
        self.set(index, used=True, kind=kind, reuses=self.blocks[index].reuses + 1)


def stated(outcome: Outcome) -> tuple[Status, str]:
    return outcome.status, outcome.reason


OK = (Status.OK, "")
FREED = (Status.FREED, "held points into a free block (block 1, was lantern)")
CHANGED = (Status.CHANGED, "held was aimed at lantern (block 1) and the block now holds gull")


@pytest.mark.parametrize("whole", [True, False], ids=["whole", "sparse"])
@pytest.mark.parametrize("expression", [WATCH, "held", "held.word + 1", "low(held.word)"])
def test_a_block_that_is_freed_and_handed_out_again(expression: str, whole: bool) -> None:
    play = Play(expression, whole=whole)
    assert stated(play.frame()) == OK
    assert stated(play.frame()) == OK
    play.free(1)
    assert stated(play.frame()) == FREED
    assert stated(play.frame()) == FREED
    play.hand_out(1, kind=4)
    assert stated(play.frame()) == CHANGED
    assert stated(play.frame()) == CHANGED
    # until the pointer is written
    play.guest.aim(play.guest.start(2))
    assert stated(play.frame()) == OK
    play.guest.aim(play.guest.start(1))
    assert stated(play.frame()) == OK


def test_the_value_and_its_address_stay() -> None:
    play = Play()
    play.guest.poke(play.guest.start(1) + 4, "I", 0xBEEF)
    play.free(1)
    outcome = play.frame()
    assert (outcome.status, outcome.value) == (Status.FREED, 0xBEEF)
    assert outcome.address == play.guest.start(1) + 4


def test_at_first_sight_what_is_there_is_what_it_was_aimed_at() -> None:
    play = Play()
    play.free(1)
    assert stated(play.frame()) == (Status.FREED, "held points into a free block (block 1)")
    play.hand_out(1, kind=4)
    assert stated(play.frame()) == (
        Status.CHANGED,
        "held was aimed at a free block (block 1) and the block now holds gull",
    )


def test_the_same_kind_again_is_told_by_the_generation() -> None:
    play = Play()
    play.frame()
    play.hand_out(1, kind=2)
    assert stated(play.frame()) == (
        Status.CHANGED,
        "held was aimed at lantern (block 1) and the block now holds another lantern",
    )


def test_without_a_generation_the_kind_tells() -> None:
    play = Play(change=('generation = "block.reuses"', ""))  # type: ignore[arg-type]
    play.frame()
    play.hand_out(1, kind=2)
    assert stated(play.frame()) == OK
    play.hand_out(1, kind=4)
    assert stated(play.frame()) == CHANGED


def test_what_was_seen_free_is_not_the_same_again_however_alike_it_looks() -> None:
    # a header that was made anew begins to count anew
    play = Play()
    play.frame()
    play.free(1)
    assert stated(play.frame()) == FREED
    play.set(1, used=True)
    another = "held was aimed at lantern (block 1) and the block now holds another lantern"
    assert stated(play.frame()) == (Status.CHANGED, another)
    assert stated(play.frame()) == (Status.CHANGED, another)


def test_what_was_changed_stays_changed_when_it_looks_the_same_again() -> None:
    play = Play()
    play.frame()
    play.set(1, kind=4)
    assert stated(play.frame()) == CHANGED
    play.set(1, kind=2)
    assert play.frame().status is Status.CHANGED


def test_a_block_that_was_merged_and_split_again_holds_something_else() -> None:
    play = Play()
    play.frame()
    # both released, and one block made of them
    play.guest.heap([Made(0x40, kind=3), Made(0x90, used=False)])
    assert stated(play.frame()) == FREED
    # handed out in one piece that begins elsewhere: the pointer leads into its middle
    play.guest.heap([Made(0xE0, kind=4)])
    assert stated(play.frame()) == (
        Status.CHANGED,
        "held was aimed at lantern (block 1) and block 0 now holds gull",
    )


def test_a_header_that_is_there_now() -> None:
    play = Play()
    play.frame()
    # two blocks of 0x48 and so on: the header of the second lies where the lantern was
    play.guest.heap([Made(0x50, kind=3), Made(0x80, kind=4)])
    assert stated(play.frame()) == (
        Status.CHANGED,
        "held was aimed at lantern (block 1) and the header of block 1 (gull) is there now",
    )
    play.guest.heap([Made(0x50, kind=3), Made(0x80, used=False)])
    assert stated(play.frame()) == (
        Status.HEADER,
        "held points into the header of block 1 (free)",
    )


def test_a_pointer_into_a_header() -> None:
    play = Play()
    play.guest.aim(play.guest.headers[2] + 4)
    assert stated(play.frame()) == (
        Status.HEADER,
        "held points into the header of block 2 (gull)",
    )


def test_a_pointer_into_the_middle() -> None:
    play = Play()
    play.guest.aim(play.guest.start(2) + 0x18)
    assert stated(play.frame()) == (
        Status.BETWEEN,
        "held points 0x18 bytes into block 2 (gull), not at its start",
    )


def test_a_pointer_to_what_is_no_owner_may_lead_into_the_middle() -> None:
    play = Play("pointer[0]")
    play.guest.aim(play.guest.start(2) + 0x18, POINTER)
    assert stated(play.frame()) == OK
    play.free(2)
    assert play.frame().status is Status.FREED


def test_a_pointer_to_a_header_is_meant_to_lead_there() -> None:
    play = Play("heap_head.next.size")
    assert stated(play.frame()) == OK
    play.free(1)
    assert stated(play.frame()) == OK


def test_pointers_out_of_the_heap_are_left_alone() -> None:
    play = Play()
    play.guest.aim(0x8000_2000)
    assert stated(play.frame()) == OK
    play.guest.aim(0xA000_2000)
    assert stated(play.frame()) == OK


def test_a_pointer_through_a_mirror_is_the_same_pointer() -> None:
    play = Play()
    play.frame()
    play.guest.aim(play.guest.start(1) + 0x2000_0000)
    play.free(1)
    assert stated(play.frame()) == FREED


def test_a_null_pointer_forgets_what_it_was_aimed_at() -> None:
    play = Play()
    play.frame()
    play.guest.aim(0)
    assert play.frame().status is Status.NULL
    play.hand_out(1, kind=4)
    play.guest.aim(play.guest.start(1))
    assert stated(play.frame()) == OK


def test_a_heap_that_comes_later_is_no_change() -> None:
    play = Play()
    head = play.guest.headers[0]
    play.guest.poke(0x8000_0100, "I", 0)
    assert stated(play.frame()) == OK
    play.guest.poke(0x8000_0100, "I", head)
    assert stated(play.frame()) == OK
    play.hand_out(1, kind=4)
    assert stated(play.frame()) == CHANGED


def test_a_damaged_heap_is_not_held_against_a_pointer() -> None:
    play = Play()
    play.frame()
    play.guest.poke(play.guest.headers[1], "H", 0)
    assert stated(play.frame()) == OK
    play.hand_out(1, kind=4)
    assert stated(play.frame()) == CHANGED


def test_a_torn_sample_changes_nothing() -> None:
    play = Play()
    assert stated(play.frame()) == OK
    aimed = play.guest.start(1)
    # a sample that is not taken sees the pointer elsewhere, and the block handed out
    play.guest.aim(play.guest.start(2))
    assert stated(play.frame(commit=False)) == OK
    play.guest.aim(aimed)
    play.hand_out(1, kind=4)
    assert stated(play.frame(commit=False)) == CHANGED
    assert stated(play.frame()) == CHANGED


def test_a_reset_forgets() -> None:
    play = Play()
    play.frame()
    play.hand_out(1, kind=4)
    play.run.evaluator.clear()
    assert stated(play.frame()) == OK


def test_a_new_evaluator_goes_on_with_what_pointers_were_aimed_at() -> None:
    play = Play()
    play.frame()
    guest, run = play.guest, play.run
    following = Evaluator(run.program, guest.layout, guest.memory, whole=True)
    following.adopt(run.evaluator)
    run.evaluator = following
    play.hand_out(1, kind=4)
    assert stated(play.frame()) == CHANGED


@pytest.mark.parametrize("whole", [True, False], ids=["whole", "sparse"])
def test_a_watch_may_ignore_the_heap_and_then_costs_no_walk(whole: bool) -> None:
    guest = HeapGuest()
    guest.heap(changed(BLOCKS, 1, used=False))
    guest.aim(guest.start(1))
    watches = {"watch": WATCH, "other": "watch + 1", "steady": "previous(held.word)"}
    program = check(guest.layout, watches, watches)
    run = guest.run(watches, whole=whole)
    run.program, run.evaluator = (
        program,
        Evaluator(program, guest.layout, guest.memory, whole=whole),
    )
    run.frame(1)
    run.frame(2)
    assert [run[name].status for name in watches] == [Status.OK] * 3
    assert run.evaluator.heap_seen is None


def test_a_watch_that_ignores_shares_no_value_over_frames_with_one_that_does_not() -> None:
    guest = HeapGuest()
    guest.heap(changed(BLOCKS, 1, used=False))
    guest.aim(guest.start(1))
    watches = {"calm": "highest(held.word)", "warned": "highest(held.word)"}
    program = check(guest.layout, watches, ["calm"])
    run = guest.run(watches, whole=True)
    run.program, run.evaluator = program, Evaluator(program, guest.layout, guest.memory, whole=True)
    run.frame(1)
    assert (run["calm"].status, run["warned"].status) == (Status.OK, Status.FREED)


def test_what_uses_a_watch_shares_its_warning() -> None:
    guest = HeapGuest()
    guest.heap(changed(BLOCKS, 1, used=False))
    guest.aim(guest.start(1))
    watches = {
        "watch": WATCH,
        "other": "watch + 1",
        "third": "other if word else 0",
        "most": "highest(other)",
        "free": "word",
    }
    run = guest.run(watches, whole=False)
    run.frame(1)
    assert stated(run["other"]) == stated(run["watch"]) == stated(run["most"])
    assert run["other"].status is Status.FREED
    # a branch that is not taken warns of nothing
    assert stated(run["third"]) == stated(run["free"]) == OK


def test_the_worst_of_several_is_told() -> None:
    play = Play("held.word + pointer[0] + held.held.word")
    guest = play.guest
    guest.aim(guest.start(2) + 0x10, POINTER)
    guest.poke(guest.start(1) + 8, "I", guest.start(0))
    assert stated(play.frame()) == OK
    guest.poke(guest.start(1) + 8, "I", guest.start(0) + 8)
    assert stated(play.frame())[0] is Status.BETWEEN
    play.free(2)
    assert stated(play.frame()) == (
        Status.FREED,
        "pointer points into a free block (block 2, was gull)",
    )
    play.hand_out(1, kind=4)
    guest.poke(guest.start(1) + 8, "I", guest.start(0) + 8)
    assert stated(play.frame()) == CHANGED


def test_the_elements_of_a_list_are_looked_at() -> None:
    play = Play("len(chain(held, 'next'))")
    guest = play.guest
    guest.poke(guest.start(1) + 0x10, "I", guest.start(2))
    assert (play.frame().value, play.frame().status) == (2, Status.OK)
    play.free(2)
    outcome = play.frame()
    assert outcome.value == 2
    assert stated(outcome) == (
        Status.FREED,
        "an element of chain(held, 'next') points into a free block (block 2)",
    )


def test_pointers_that_a_list_follows_are_looked_at() -> None:
    play = Play("sum([a.held.word for a in chain(held, 'next')])")
    guest = play.guest
    guest.poke(guest.start(1) + 8, "I", guest.headers[2])
    assert stated(play.frame()) == (
        Status.HEADER,
        "a.held points into the header of block 2 (gull)",
    )


def test_asking_who_lives_there_is_no_following() -> None:
    play = Play("owner(held)")
    play.frame()
    play.hand_out(1, kind=4)
    outcome = play.frame()
    assert (outcome.status, outcome.value) == (Status.OK, "gull")


# blocks that leave the heap: its base moves when a room is loaded

OTHER_ROOM = ARENA + 0x4000
LEFT = (Status.FREED, "held was aimed at lantern (block 1), which left the heap; none is there now")
CAME_LATER = (
    Status.CHANGED,
    "held was aimed at lantern (block 1), which left the heap; block 1 (lantern) came there later",
)


@pytest.mark.parametrize("whole", [True, False], ids=["whole", "sparse"])
@pytest.mark.parametrize("expression", [WATCH, "held", "held.word + 1", "low(held.word)"])
def test_a_heap_whose_base_moves_and_comes_back(expression: str, whole: bool) -> None:
    play = Play(expression, whole=whole)
    aimed = play.guest.start(1)
    assert stated(play.frame()) == OK
    play.guest.heap(BLOCKS, OTHER_ROOM)
    assert stated(play.frame()) == LEFT
    assert stated(play.frame()) == LEFT
    # the same bytes again: kind, size and generation are those that the first one had
    play.guest.heap(BLOCKS)
    assert play.guest.start(1) == aimed
    assert stated(play.frame()) == CAME_LATER
    assert stated(play.frame()) == CAME_LATER
    # until it is written
    play.guest.aim(play.guest.start(2))
    assert stated(play.frame()) == OK
    play.guest.aim(aimed)
    assert stated(play.frame()) == OK


def test_without_a_generation_what_left_is_not_what_came() -> None:
    play = Play(change=('generation = "block.reuses"', ""))  # type: ignore[arg-type]
    play.frame()
    play.guest.heap(BLOCKS, OTHER_ROOM)
    assert stated(play.frame()) == LEFT
    play.guest.heap(BLOCKS)
    assert stated(play.frame()) == CAME_LATER


def test_what_came_later_is_named_whatever_it_is() -> None:
    play = Play()
    play.frame()
    play.guest.heap(BLOCKS, OTHER_ROOM)
    play.frame()
    left = "held was aimed at lantern (block 1), which left the heap; "
    play.guest.heap([Made(0x80, kind=5)])
    assert stated(play.frame()) == (Status.CHANGED, f"{left}block 0 (buoy) came there later")
    play.guest.heap([Made(0x50, kind=3), Made(0x80, kind=4)])
    header = "the header of block 1 (gull) is there now"
    assert stated(play.frame()) == (Status.CHANGED, f"{left}{header}")
    play.guest.heap(changed(BLOCKS, 1, used=False))
    assert stated(play.frame()) == FREED
    play.guest.heap(BLOCKS, OTHER_ROOM)
    assert stated(play.frame()) == LEFT


def test_a_block_at_the_end_of_the_list_that_is_cut_off_it() -> None:
    play = Play()
    play.guest.aim(play.guest.start(2))
    play.frame()
    play.guest.heap(BLOCKS[:2])
    assert stated(play.frame()) == (
        Status.FREED,
        "held was aimed at gull (block 2), which left the heap; none is there now",
    )


def test_a_heap_without_blocks_has_none_there() -> None:
    play = Play()
    play.frame()
    play.guest.heap([])
    assert stated(play.frame()) == (
        Status.FREED,
        "held was aimed at lantern (block 1), which left the heap; the heap has none: "
        "heap_head is null",
    )
    play.guest.heap(BLOCKS)
    assert stated(play.frame()) == CAME_LATER


def test_a_free_block_that_leaves_the_heap_is_no_better() -> None:
    play = Play()
    play.free(1)
    assert play.frame().status is Status.FREED
    play.guest.heap(BLOCKS, OTHER_ROOM)
    assert stated(play.frame()) == (
        Status.FREED,
        "held was aimed at a free block (block 1), which left the heap; none is there now",
    )


def test_what_was_gone_stays_gone_while_the_heap_is_damaged() -> None:
    play = Play()
    play.frame()
    play.guest.heap(BLOCKS, OTHER_ROOM)
    assert stated(play.frame()) == LEFT
    play.guest.poke(play.guest.headers[1], "H", 0)
    assert stated(play.frame()) == (
        Status.FREED,
        "held was aimed at lantern (block 1), which is gone; none is seen there now, "
        "and the heap is damaged",
    )
    play.guest.heap(BLOCKS)
    assert stated(play.frame()) == CAME_LATER


def test_damage_alone_tells_of_no_block_that_it_left() -> None:
    play = Play()
    play.frame()
    play.guest.poke(play.guest.headers[0], "H", 0)
    assert stated(play.frame()) == OK
    play.guest.heap(BLOCKS)
    assert stated(play.frame()) == OK


def test_bytes_that_the_source_does_not_hold_tell_of_no_block_that_it_left() -> None:
    guest = HeapGuest()
    guest.heap([Made(0x200), *BLOCKS])
    guest.aim(guest.start(1))
    first_header = (guest.headers[0] - 0x8000_0000) >> 8
    before: Run | None = None
    for number, absent in enumerate([frozenset[int](), {first_header}, frozenset[int]()]):
        run = guest.run({"watch": WATCH}, whole=False, absent=frozenset(absent))
        if before is not None:
            run.evaluator.adopt(before.evaluator)
        run.frame(number + 1)
        before = run
        assert stated(run["watch"]) == OK


def test_a_pointer_that_was_never_aimed_at_a_block_is_left_alone_wherever_the_heap_goes() -> None:
    play = Play()
    stack = OTHER_ROOM + 0x4000
    play.guest.aim(stack)
    assert stated(play.frame()) == OK
    for base in (OTHER_ROOM, ARENA, OTHER_ROOM):
        play.guest.heap(BLOCKS, base)
        assert stated(play.frame()) == OK


def test_a_sample_that_was_not_taken_saw_no_block_leave() -> None:
    play = Play()
    assert stated(play.frame()) == OK
    play.guest.heap(BLOCKS, OTHER_ROOM)
    assert stated(play.frame(commit=False)) == LEFT
    play.guest.heap(BLOCKS)
    assert stated(play.frame()) == OK


def test_frames_that_were_not_seen_hide_what_left_and_came_back_alike() -> None:
    play = Play()
    play.frame()
    play.number += 100
    assert stated(play.frame()) == OK
    play.number += 100
    play.hand_out(1, kind=2)  # but not what its generation tells
    assert play.frame().status is Status.CHANGED


def test_a_reset_forgets_what_left() -> None:
    play = Play()
    play.frame()
    play.guest.heap(BLOCKS, OTHER_ROOM)
    play.frame()
    play.run.evaluator.clear()
    assert stated(play.frame()) == OK
    play.guest.heap(BLOCKS)
    assert stated(play.frame()) == OK


def test_a_watch_that_ignores_the_heap_ignores_what_left_it() -> None:
    guest = HeapGuest()
    guest.heap(BLOCKS)
    guest.aim(guest.start(1))
    watches = {"calm": WATCH, "warned": WATCH}
    run = guest.run(watches, whole=True)
    run.program = check(guest.layout, watches, ["calm"])
    run.evaluator = Evaluator(run.program, guest.layout, guest.memory, whole=True)
    run.frame(1)
    guest.heap(BLOCKS, OTHER_ROOM)
    run.frame(2)
    assert (stated(run["calm"]), stated(run["warned"])) == (OK, LEFT)


# pointers that a frame does not come to


def test_a_pointer_in_a_branch_is_seen_in_every_frame() -> None:
    play = Play("held.word if word else 0")
    play.guest.poke(0x8000_0118, "I", 1)
    aimed = play.guest.start(1)
    assert stated(play.frame()) == OK
    # the branch is not taken while the block leaves the heap and another comes
    play.guest.poke(0x8000_0118, "I", 0)
    play.guest.heap(BLOCKS, OTHER_ROOM)
    assert stated(play.frame()) == OK
    play.guest.heap(BLOCKS)
    play.guest.poke(0x8000_0118, "I", 1)
    assert stated(play.frame()) == CAME_LATER
    # nor while the pointer is written
    play.guest.poke(0x8000_0118, "I", 0)
    play.guest.aim(0)
    assert stated(play.frame()) == OK
    play.guest.aim(aimed)
    play.guest.poke(0x8000_0118, "I", 1)
    assert stated(play.frame()) == OK


def test_a_pointer_that_guards_itself_is_written_when_it_was_null() -> None:
    play = Play("held.word if held else 0")
    aimed = play.guest.start(1)
    assert stated(play.frame()) == OK
    play.guest.aim(0)
    assert stated(play.frame()) == OK
    play.hand_out(1, kind=4)
    play.guest.aim(aimed)
    assert stated(play.frame()) == OK


def test_a_pointer_behind_one_that_was_written_is_another_pointer() -> None:
    play = Play("held.held.word")
    guest = play.guest
    for holder in (0, 1):
        guest.poke(guest.start(holder) + 8, "I", guest.start(2))
    guest.aim(guest.start(1))
    assert stated(play.frame()) == OK
    play.hand_out(2, kind=5)
    for holder in (0, 1):
        guest.poke(guest.start(holder) + 8, "I", guest.start(2))
    assert play.frame().status is Status.CHANGED
    guest.aim(guest.start(0))
    assert stated(play.frame()) == OK
    play.hand_out(2, kind=4)
    guest.poke(guest.start(0) + 8, "I", guest.start(2))
    assert play.frame().status is Status.CHANGED
    guest.aim(0)
    assert play.frame().status is Status.NULL
    guest.aim(guest.start(0))
    assert stated(play.frame()) == OK


# against a plain model


def test_random_games_against_a_plain_model() -> None:
    """The model keeps what each pointer was aimed at by the rule alone, frame by frame."""
    seen: set[Status] = set()
    for seed in range(25):
        chance = random.Random(seed)
        guest = HeapGuest(size="128 KiB")
        blocks = [Made(0x40, True, 2 + n % 4) for n in range(6)]
        guest.heap(blocks)
        places = [guest.start(index) for index in range(6)]
        aimed = chance.randrange(6)
        guest.aim(places[aimed])
        run = guest.run({"watch": "held.word"}, whole=bool(seed % 2))
        baseline: tuple[int, int, bool] | None = None
        away = gone = False
        for number in range(60):
            act = chance.random()
            index = chance.randrange(6)
            if act < 0.3:
                blocks[index] = Made(0x40, False, blocks[index].kind, blocks[index].reuses)
            elif act < 0.7 and not blocks[index].used:
                reuses = (blocks[index].reuses + 1) % 256
                blocks[index] = Made(0x40, True, chance.randint(2, 5), reuses)
            elif act < 0.8 and index != aimed and not away:
                aimed, baseline, gone = index, None, False
            elif act > 0.95:
                away = not away
            guest.heap(blocks, OTHER_ROOM if away else ARENA)
            guest.aim(places[aimed])
            run.frame(number + 1)
            here = blocks[aimed].kind, blocks[aimed].reuses, blocks[aimed].used
            baseline = baseline or here
            gone = gone or away
            if away or not blocks[aimed].used:
                expected = Status.FREED
            elif gone or here != baseline:
                expected = Status.CHANGED
            else:
                expected = Status.OK
            assert run["watch"].status is expected, (seed, number)
            seen.add(expected)
    assert seen == {Status.OK, Status.FREED, Status.CHANGED}
