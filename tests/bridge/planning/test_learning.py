"""Learning from made-up play: what is true is left, or told among what is not sure; never wrong.

The game that is learned from is the plain reference of allocations, with an allocator and actions
that the test knows.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import replace

import pytest

from bridge.heap.blocks import Block, Heap
from bridge.planning.actions import Action, Alloc, Effect, Free, Hold, LetGo, Which
from bridge.planning.arena import HOLE
from bridge.planning.learning.against import disagreements
from bridge.planning.learning.ages import Ages
from bridge.planning.learning.experiment import here_of, next_experiment, rivals_of
from bridge.planning.learning.geometry import geometry
from bridge.planning.learning.learned import Learned, learn, plain_effects, policy_of
from bridge.planning.learning.models import all_policies, policy_words, sift
from bridge.planning.learning.observed import PlayWatcher
from bridge.planning.learning.occurrences import attributed
from bridge.planning.learning.report import report
from bridge.planning.learning.tables import learned_tables, tables_text, ways_of
from bridge.planning.model import GameModel
from bridge.planning.policy import Fit, HoleOrder, Merge, Policy
from tests.bridge.planning.made_play import ACTIONS, POLICIES, SIZES, MadeGame, played

BUILD = "first-print"


def learned_from(*games: MadeGame) -> Learned:
    return learn([game.play for game in games], {BUILD: SIZES}, {})


def is_left(policy: Policy, learned: Learned) -> bool:
    bare = replace(policy, header=0, alignment=1, least_rest=1)
    if policy.fit is Fit.NEXT:
        bare = replace(bare, order=HoleOrder.ADDRESS)
    return any(
        model.policy == bare
        and model.least <= policy.least_rest
        and (model.most is None or policy.least_rest <= model.most)
        for model in learned.models
    )


def is_told(effects: Sequence[Effect], name: str, learned: Learned) -> bool:
    """Whether the effects are among the ways, but for kinds that never were there to be released,
    and for a number of blocks where that was all of them each time."""
    action = learned.action(name)
    if action is None or not action.done:
        return True
    if action.why:
        return action.why == "the heap stayed as it was each time"
    place = {(play, frame) for play, frame in action.frames}
    there = {
        block.owner
        for number, play in enumerate(learned.plays)
        for change in play.changes
        if (number, change.frame) in place
        for block in change.before.blocks
        if block.used
    }
    wanted: list[Effect] = []
    for effect in effects:
        if isinstance(effect, Free):
            kinds = tuple(kind for kind in effect.kinds if kind in there)
            if not kinds:
                continue
            effect = replace(effect, kinds=kinds)
        wanted.append(effect)
    return plain_effects(tuple(wanted)) in ways_of(action)


QUICK = ("next",)


def names() -> list[object]:
    return [n if n in QUICK else pytest.param(n, marks=pytest.mark.full) for n in POLICIES]


@pytest.mark.parametrize("name", names())
def test_what_is_true_is_left(name: str) -> None:
    game = played(MadeGame(POLICIES[name]), 40, seed=1)
    learned = learned_from(game)
    assert is_left(game.policy, learned)
    assert 0 < len(learned.models) < 60
    assert len(learned.models) + len(learned.inconsistent) + len(learned.sifted.ruled_out) == len(
        list(all_policies())
    )
    for action in ACTIONS:
        assert is_told(action.effects, action.name, learned), action.name
    assert sum(len(action.candidates) == 1 for action in learned.actions) >= 2


@pytest.mark.full
@pytest.mark.parametrize("seed", range(2, 8))
@pytest.mark.parametrize("name", list(POLICIES))
def test_what_is_true_is_left_whatever_is_played(name: str, seed: int) -> None:
    game = played(MadeGame(POLICIES[name], size=0x2000 if seed % 2 else 0x4000), 50, seed)
    learned = learned_from(game)
    assert is_left(game.policy, learned)
    for action in ACTIONS:
        if learned.action(action.name) is not None:
            assert is_told(action.effects, action.name, learned), action.name


def experimented(game: MadeGame, length: int, rounds: int) -> tuple[Learned, int]:
    """Do what ``learn next`` says until nothing is to be learned; gives how often that was."""
    hits = 0
    for done in range(rounds):
        learned = learned_from(game)
        cells = here_of(learned.plays[0], learned.ages)
        rivals = rivals_of(learned, BUILD, cells, {}, 0)
        experiment = next_experiment(rivals, {}, length)
        if not experiment.actions:
            assert experiment.length == length
            assert not experiment.cut_short
            assert 2 * hits >= done
            return learned, done
        seen = [{tuple((c.start, c.stride, c.kind) for c in p)} for p in experiment.predicted]
        for action in experiment.actions:
            game.do(action)
        # they predict different heaps; another may come, since two things may be unsure at once
        after = tuple((c.start, c.stride, c.kind) for c in game.arena.cells)
        assert len(seen) > 1
        assert sum(after in each for each in seen) <= 1
        hits += any(after in each for each in seen)
    raise AssertionError(f"still something to be learned after {rounds} experiments")


@pytest.mark.parametrize(
    "name", [n if n == "recent" else pytest.param(n, marks=pytest.mark.full) for n in POLICIES]
)
def test_experiments_leave_what_is_true(name: str) -> None:
    """What is left in the end differs in nothing that a few actions can do from there."""
    game = played(MadeGame(POLICIES[name]), 40, seed=1)
    learned, done = experimented(game, length=3 if name == "recent" else 4, rounds=20)
    assert is_left(game.policy, learned)
    assert done >= 1
    if name == "recent":
        assert len(learned.models) == 1


@pytest.mark.full
def test_several_recordings_say_more_than_one() -> None:
    one, other = (played(MadeGame(POLICIES["recent"]), 15, seed) for seed in (3, 4))
    both = learned_from(one, other)
    assert is_left(one.policy, both)
    assert len(both.models) <= min(len(learned_from(g).models) for g in (one, other))
    assert {play for play, _ in both.action("gallery_door").frames} <= {0, 1}  # type: ignore[union-attr]


def test_what_the_heap_says_by_itself() -> None:
    game = played(MadeGame(POLICIES["first"]), 40, seed=1)
    seen = geometry(BUILD, [game.play], SIZES)
    assert (seen.header, seen.alignment) == (16, (16, 16))
    policy = game.policy
    assert seen.strides == {kind: policy.stride(size) for kind, size in SIZES.items()}
    assert seen.touching.before_apart == seen.touching.behind_apart == 0
    assert seen.touching.behind > 0
    apart = played(MadeGame(POLICIES["never merged"]), 40, seed=1)
    touching = geometry(BUILD, [apart.play], SIZES).touching
    assert touching.behind_apart == touching.behind > 0
    # without what was asked for, a smaller alignment would do as well
    assert geometry(BUILD, [game.play], {}).alignment == (1, 16)


def test_the_least_rest_is_an_interval_that_holds_it() -> None:
    policy = POLICIES["merged behind"]
    learned = learned_from(played(MadeGame(policy), 40, seed=1))
    for model in learned.models:
        assert model.most is not None
        if model.policy.fit is policy.fit and model.policy.merge is policy.merge:
            assert 1 < model.least <= policy.least_rest <= model.most
    chosen = policy_of(learned.models[0], learned.geometries[BUILD])
    assert (chosen.header, chosen.alignment) == (16, 16)


def test_newest_and_highest_are_told_as_one_where_they_are_one() -> None:
    game = MadeGame(POLICIES["first"])
    game.look()
    for name in ("call_gull", "call_gull", "shoo_gull", "call_gull", "shoo_gull"):
        assert game.do(name)
    learned = learned_from(game)
    action = learned.action("shoo_gull")
    assert action is not None
    rules = {effect.which for (effect,) in ways_of(action) if isinstance(effect, Free)}
    assert rules == {Which.NEWEST, Which.HIGHEST}
    words = "\n".join(report(learned, ["made"]))
    assert "not known: whether the highest or newest goes; they were the same each time" in words


def test_changes_of_no_action_and_of_two_are_told() -> None:
    game = MadeGame(POLICIES["first"])
    game.look()
    assert game.do("call_gull")
    game.moment = replace(game.moment, arenas={BUILD: _with_gull(game)})
    game.look()
    game.moment = replace(game.moment, arenas={BUILD: _with_gull(game)})
    game.look(["call_gull", "light_mist"])
    learned = learned_from(game)
    assert len(learned.occurrences.unlabelled) == 1
    assert [names for _, _, names in learned.occurrences.mixed] == [("call_gull", "light_mist")]
    words = "\n".join(report(learned, ["made"]))
    assert "1 change of no action that is labelled:" in words
    assert "gull allocated" in words
    assert "left out, call_gull and light_mist are done at once" in words


def _with_gull(game: MadeGame):  # type: ignore[no-untyped-def]
    from bridge.planning.allocation import allocate

    return allocate(game.arena, game.policy, SIZES["gull"], "gull")


def test_effects_that_are_spread_over_frames() -> None:
    """The frames behind an action are its own as far as it is said, up to the next one."""
    watcher = PlayWatcher("spread", BUILD)
    game = MadeGame(POLICIES["first"])
    from bridge.planning.simulation import stages

    frame = 100
    watcher.take(frame, game.heap())
    for name in ("gallery_door", "call_gull", "harbour_door", "gallery_door", "harbour_door"):
        label = [name]
        for moment in stages(game.actions[name], game.moment, game.task):
            frame += 1
            game.moment = moment
            watcher.take(frame, game.heap(), label)
            label = []
        frame += 10
        watcher.take(frame - 1, game.heap())
        watcher.take(frame, game.heap())
    spread = dict.fromkeys(("gallery_door", "harbour_door"), 12)
    learned = learn([watcher.play], {BUILD: SIZES}, spread)
    assert not learned.occurrences.unlabelled
    for name in ("harbour_door", "gallery_door"):
        assert is_told(game.actions[name].effects, name, learned)
        action = learned.action(name)
        assert action is not None
        # frame by frame their order is seen
        assert len(ways_of(action)) == 1
    without = learn([watcher.play], {BUILD: SIZES}, {})
    assert without.occurrences.unlabelled
    assert "behind gallery_door: spread = 1 would" in "\n".join(report(without, ["spread"]))


def test_frames_that_were_missed_say_nothing() -> None:
    game = MadeGame(POLICIES["first"])
    game.look()
    assert game.do("call_gull")
    game.frame += 5
    assert game.do("light_mist")
    learned = learned_from(game)
    assert [name for _, _, name in learned.occurrences.unseen] == ["light_mist"]
    assert "frames beside this light_mist were missed" in "\n".join(report(learned, ["made"]))


def test_an_allocator_outside_the_rules_is_told_as_one() -> None:
    """Blocks that are put where no hole begins or ends."""
    watcher = PlayWatcher("odd", BUILD)
    size, base = 0x1000, 0x8010_0000

    def heap(*starts: int) -> Heap:
        blocks: list[Block] = []
        at = 0
        for start in (*sorted(starts), size):
            if start > at:
                blocks.append(
                    Block(base + at + 16, start - at - 16, False, len(blocks), HOLE, base + at)
                )
            if start < size:
                blocks.append(
                    Block(base + start + 16, 0xF0, True, len(blocks), "gull", base + start)
                )
            at = start + 0x100
        return Heap(tuple(blocks), header_size=16)

    for frame, starts in enumerate([(), (0x300,), (0x300, 0x700), (0x300, 0x700, 0xC00)], 10):
        watcher.take(frame, heap(*starts))
    sifted = sift([watcher.play], {BUILD: geometry(BUILD, [watcher.play], {})})
    assert not sifted.left
    assert sifted.nearest
    assert all(each.frame == 11 for each in sifted.nearest)
    words = "\n".join(report(learn([watcher.play], {}, {}), ["odd"]))
    assert "none of 280 ways to allocate explains all that was seen" in words


def test_allocations_that_ask_for_an_end_of_their_own() -> None:
    from bridge.planning.policy import End

    actions = (
        Action("low", 5, effects=(Alloc("crate"),)),
        Action("top", 5, effects=(Alloc("mist", end=End.HIGH),)),
        Action("swap", 5, effects=(Free(("crate",), Which.OLDEST), Alloc("mist", end=End.HIGH))),
    )
    game = MadeGame(POLICIES["first"], actions)
    game.look()
    for name in ("low", "top", "low", "top", "low", "swap", "low", "swap"):
        assert game.do(name)
    learned = learned_from(game)
    assert learned.sifted.both_ends
    for action in actions:
        assert is_told(action.effects, action.name, learned), action.name


def test_what_is_written_loads_as_what_was_learned() -> None:
    game = played(MadeGame(POLICIES["recent"]), 40, seed=1)
    learned = learned_from(game)
    text = tables_text(learned_tables(learned, ["made.mcap"], {BUILD: SIZES}))
    tables = tomllib.loads(text)
    allocator = tables["allocator"]
    assert allocator["header"] == 16
    assert allocator["alignment"] == 16
    assert allocator["merge"] == "both"
    # the schema's own sizes are not written again
    assert "builds" not in allocator
    assert set(tables["actions"]) == {a.name for a in learned.actions if not a.why}
    assert tables["actions"]["call_gull"]["effects"] == [{"alloc": "gull"}]
    assert tables["actions"]["call_gull"]["frames"] == 2
    assert "# seen in made.mcap, frames " in text
    without = tomllib.loads(tables_text(learned_tables(learned, ["made.mcap"], {})))
    assert without["allocator"]["builds"][BUILD]["sizes"]["gull"] == 0x1D0


def test_ages_are_those_that_were_watched() -> None:
    game = MadeGame(POLICIES["first"])
    game.look()
    for name in ("call_gull", "light_mist", "call_gull", "gallery_door"):
        assert game.do(name)
    ages = Ages([game.play])
    blocks = {b.index: b for b in game.play.changes[3].before.blocks if b.used}
    first, mist, second = blocks[0], blocks[1], blocks[2]
    assert ages.newer(0, 3, second, first) is True
    assert ages.newer(0, 3, first, mist) is False
    assert ages.newer(0, 3, first, first) is None


def test_time_that_is_over_leaves_what_is_known() -> None:
    game = played(MadeGame(POLICIES["first"]), 20, seed=1)
    learned = learn([game.play], {BUILD: SIZES}, {}, lambda words: False)
    assert learned.cut_short
    assert is_left(game.policy, learned)


def test_labels_at_one_frame_apart() -> None:
    game = MadeGame(POLICIES["first"])
    game.look()
    assert game.do("call_gull")
    found = attributed([game.play], {"call_gull": 50})
    assert [each.frame for each in found.by_action["call_gull"]] == [102]
    assert not found.unlabelled


@pytest.mark.parametrize("merge", list(Merge))
def test_every_policy_has_words_of_its_own(merge: Merge) -> None:
    words = [policy_words(each) for each in all_policies() if each.merge is merge]
    assert len(set(words)) == len(words) == 56


def test_what_is_taken_in_hand_and_let_go() -> None:
    actions = (
        Action("call_gull", 5, effects=(Alloc("gull"),)),
        Action("take", 5, effects=(Hold(("gull",), Which.OLDEST),)),
        Action("put_down", 5, effects=(LetGo(),)),
        Action("throw", 5, effects=(Free(("gull",), Which.HELD),)),
    )
    game = MadeGame(POLICIES["best"], actions)
    game.look()
    done = ("call_gull", "call_gull", "call_gull", "take", "put_down", "take", "throw")
    for name in (*done, "call_gull", "take", "throw"):
        assert game.do(name)
    learned = learned_from(game)
    assert learned.action("take").candidates == [actions[1].effects]  # type: ignore[union-attr]
    assert learned.action("put_down").candidates == [(LetGo(),)]  # type: ignore[union-attr]
    assert actions[3].effects in ways_of(learned.action("throw"))  # type: ignore[arg-type]
    tables = tomllib.loads(tables_text(learned_tables(learned, ["made"], {})))["actions"]
    assert tables["take"]["effects"] == [{"hold": "gull", "which": "oldest"}]
    assert tables["put_down"]["effects"] == [{"let_go": True}]


def test_what_a_schema_says_otherwise_is_told() -> None:
    game = played(MadeGame(POLICIES["recent"]), 40, seed=1)
    learned = learned_from(game)
    true = GameModel(BUILD, game.policy, SIZES)
    assert list(disagreements(learned, {BUILD: true}, ACTIONS)) == []
    wrong = GameModel(BUILD, POLICIES["never merged"], {**SIZES, "gull": 0x200})
    size, policy = disagreements(learned, {BUILD: wrong}, ())
    assert size == f"{BUILD}: gull takes 0x210 bytes by the schema, 0x1E0 were seen"
    assert policy.startswith(f"{BUILD}: the schema's allocator, best fit, the newest hole first")
    assert "does not explain frame " in policy
    other = GameModel(BUILD, replace(game.policy, header=8, alignment=1, least_rest=0x8000), {})
    header, rest = disagreements(learned, {BUILD: other}, ())
    assert "header is 0x8 in the schema" in header
    assert "least_rest is 0x8000 in the schema" in rest
    door = replace(ACTIONS[0], effects=(*ACTIONS[0].effects[:-1], Alloc("buoy")))
    (said,) = disagreements(learned, {BUILD: true}, (door,))
    assert said.startswith("gallery_door is [ { free = ")
    assert " in the schema, which does not give frame " in said


def test_an_action_that_changes_a_state_alone_is_written_and_where_others_were_done_is_told() -> (
    None
):
    game = MadeGame(POLICIES["first"])
    watcher, heap = PlayWatcher("play", "first-print"), game.heap()
    room = 0
    watcher.take(1, heap, states={"room": room})
    for frame, action in enumerate(("up", "look", "down", "call", "up", "look", "down", "call"), 2):
        room = {"up": 1, "down": 0}.get(action, room)
        watcher.take(frame, heap, [action], states={"room": room})
    learned = learn([watcher.play], {}, {})
    tables = {table.path: table for table in learned_tables(learned, ["play"], {})}
    up, down = tables["actions", "up"], tables["actions", "down"]
    assert [key.value for key in up.keys if key.name == "sets"] == ["{ room = 1 }"]
    assert [key.value for key in down.keys if key.name == "sets"] == ["{ room = 0 }"]
    assert "seen where room was 0: say with needs where it can be done" in up.comments
    done_at = {action.name: action.done_at for action in learned.actions}
    assert (done_at["look"], done_at["call"]) == ({"room": (1,)}, {"room": (0,)})
