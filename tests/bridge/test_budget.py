"""No text holds a frame up: bounded numbers, counted steps, limited time, shared lists."""

from __future__ import annotations

import random
from collections.abc import Mapping

import pytest

from bridge.evaluation import budget
from bridge.evaluation.budget import Budget
from bridge.evaluation.evaluator import Evaluator
from bridge.evaluation.shared_lists import SharedLists
from bridge.expressions.arithmetic import MAX_BITS
from bridge.values.status import Status
from schemas.errors import ExpressionError
from tests.bridge.made_guest import Guest, Run, tidewright
from tests.bridge.made_heap import HeapGuest, gulls
from tests.outside.fuzz_expressions import TooWide, oracle, whole_numbers

HEAD = "chain(head, 'next')"
WIDE = f"the result has more than {MAX_BITS} bits"
BESIDE = "takes too long beside the other watches: all have 80 ms of a frame"


@pytest.fixture(params=[True, False], ids=["whole", "sparse"])
def whole(request: pytest.FixtureRequest) -> bool:
    return bool(request.param)


def chained(count: int = 1000) -> Guest:
    """A guest whose ``head`` leads to so many actors."""
    guest = Guest()
    for number in range(count):
        address = 0x8000_1000 + 8 * number
        guest.poke(address + 0x24, "I", address + 8 if number < count - 1 else 0)
    guest.poke(0x8000_0100, "I", 0x8000_1000)
    return guest


class Clock:
    """A thread's clock that goes on by ``step`` seconds each time that it is looked at.

    At first it stands still for ``still`` looks.
    """

    def __init__(self, step: float = 0.0, still: int = 0) -> None:
        self.step = step
        self.still = still
        self.now = 0.0

    def __call__(self) -> float:
        self.still -= 1
        if self.still < 0:
            self.now += self.step
        return self.now


def clocked(guest: Guest, watches: Mapping[str, str], clock: Clock, *, whole: bool = True) -> Run:
    """Watches whose budget has its time from *clock*."""
    run = guest.run(watches, whole=whole)
    run.evaluator = Evaluator(
        run.program, guest.layout, guest.memory, whole=whole, budget=Budget(clock)
    )
    return run


# whole numbers


@pytest.mark.parametrize(
    "text",
    [
        f"sum([len([1 for b in {HEAD} if a.word + 2**1000 * 2**30 > 0]) for a in {HEAD}])",
        f"len([a for a in {HEAD} if (2**1000 + a.word) * (2**1000 + a.word) % 7 == 1])",
        f"max([w * w % 3 for w in [2**600 + a.word for a in {HEAD}]])",
        f"sum([2**1023 + a.word for a in {HEAD}]) % 7",
        "1 if 2**1000 * 2**1000 > 0 else 2",
        "(2**1000 * 2**1000) % 7",
        "2**1000 * 2**1000 == 0 or 1",
        "(~(2**1023 * 2 - 1 + (2**1023)) * 2) % 2",
        "(2**1023 + 2**1023) % 5",
        "(-(2**1023) - 2**1023) % 5",
        "address(at((2**1024 - 1) // 1 + 5, 'u8')) % 5",
        "change(2**1023 * (1 - 2 * (frame % 2)))",
    ],
)
def test_no_number_inside_an_expression_is_wider_than_may_be(text: str, whole: bool) -> None:
    guest = chained(3)
    run = guest.run({"watch": text}, whole=whole)
    for frame in (0, 1):
        guest.poke(0x8000_0134, "I", frame)
        run.frame(frame)
    assert run["watch"].status is Status.ERROR
    assert run["watch"].reason.endswith(": " + WIDE)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("2**1024 // 2", None),
        ("(2**1023 - 1) * 2 + 1", (1 << 1024) - 1),
        ("-(2**1023 - 1) * 2 - 1", 1 - (1 << 1024)),
        ("~(2**1023 - 1 + 2**1023)", None),
        ("courier.big * courier.big % 1000007", 0x0123_4567_89AB_CDEF**2 % 1000007),
        ("sum([(2**1000 + a.word) // 2**990 for a in chain(head, 'next')])", 2048),
    ],
)
def test_a_number_of_1024_bits_is_exact(text: str, value: int | None, whole: bool) -> None:
    outcome = tidewright().outcome(text, whole=whole)
    if value is None:
        assert outcome.reason.endswith(WIDE)
    else:
        assert (outcome.status, outcome.value) == (Status.OK, value)


def test_whole_numbers_are_those_of_python_or_too_wide() -> None:
    """Source: Python's whole numbers, which have no limit, with each intermediate value looked at.

    Their least and greatest are the same here, and one bit more is an error in both.
    """
    chance = random.Random(11)
    guest, wide, exact = chained(1), 0, 0
    for _ in range(400):
        text = whole_numbers(chance, chance.randint(3, 7))
        try:
            expected: int | None = oracle(text, MAX_BITS)
        except (TooWide, ZeroDivisionError):
            expected = None
        try:
            outcome = guest.outcome(text, whole=True)
        except ExpressionError:
            continue
        assert outcome.value == expected, text
        wide, exact = wide + (expected is None), exact + (expected is not None)
    assert wide > 40
    assert exact > 100


# lists


def test_sources_of_lists_nest_no_deeper_than_their_elements() -> None:
    text = "[a.id + 3 for a in chain(head, 'next')]".replace("id", "word")
    for _ in range(3):
        text = f"[a*a*a*a for a in {text}]"
    assert chained(5).outcome(f"len({text})", whole=True).value == 5
    with pytest.raises(ExpressionError) as caught:
        chained(5).program({"watch": f"sum([a for a in {text}])"})
    assert caught.value.detail == "lists are nested deeper than 4"


def test_a_list_is_evaluated_once_wherever_it_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    guest = chained(50)
    watches = {
        "count": f"len({HEAD})",
        "same": 'len( chain(head,"next") ) * 2',
        "inside": f"sum([len({HEAD}) for a in {HEAD}])",
        "words": f"sum([a.word for a in {HEAD}])",
        "steps.0.done": f"sum([a.word  for a in {HEAD}]) == 0",
        "changed": f"change(sum([a.word for a in {HEAD}]))",
        "other": f"sum([b.word for b in {HEAD}])",
    }
    made: list[int] = []
    evaluated = SharedLists._evaluated

    def counted(self: SharedLists, number: int) -> object:
        made.append(number)
        return evaluated(self, number)

    monkeypatch.setattr(SharedLists, "_evaluated", counted)
    run = guest.run(watches, whole=True)
    for frame in (1, 2):
        made.clear()
        run.frame(frame)
        # the chain, its lengths, the words by two names
        assert len(made) == len(set(made)) == 4
    assert [run[name].value for name in watches] == [50, 100, 2500, 0, True, 0, 0]


def test_a_list_of_a_watch_is_another_where_the_watch_is(whole: bool) -> None:
    guest = tidewright()
    text = "sum([a.word + more for a in chain(head, 'next')])"
    first = guest.program({"more": "1", "watch": text})
    second = guest.program({"more": "2", "watch": text})
    one = Evaluator(first, guest.layout, guest.memory, whole=whole)
    two = Evaluator(second, guest.layout, guest.memory, whole=whole)
    image = guest.image()
    one.evaluate(image, 1)
    two.evaluate(image, 1, share_heap_with=one)
    assert one.values[first.watches["watch"]] == 7 + 9 + 2
    assert two.values[second.watches["watch"]] == 7 + 9 + 4


def test_an_equal_list_of_a_question_is_the_one_that_was_made(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    guest = chained(20)
    text = f"sum([a.word for a in {HEAD}])"
    first, second = guest.program({"w": text}), guest.program({"": f"{text} + 1"})
    one = Evaluator(first, guest.layout, guest.memory, whole=True)
    two = Evaluator(second, guest.layout, guest.memory, whole=False)
    image = guest.image()
    one.evaluate(image, 1)
    monkeypatch.setattr(SharedLists, "_evaluated", None)
    two.evaluate(image, 1, share_heap_with=one)
    assert two.faults[second.watches[""]] is None
    assert two.values[second.watches[""]] == 1


def test_a_list_that_fails_gives_every_watch_the_same_reason(whole: bool) -> None:
    guest = tidewright()
    watches = {
        "one": "sum([a.held.word for a in chain(courier, 'next')])",
        "two": "1 + sum([a.held.word for a in chain(courier, 'next')])",
    }
    run = guest.run(watches, whole=whole)
    run.frame()
    for name in watches:
        assert (run[name].status, run[name].reason) == (Status.NULL, "a.held is null")


def test_a_list_in_a_branch_that_is_not_taken_is_not_evaluated(whole: bool) -> None:
    guest = tidewright()
    text = "1 if step < 0 else len([a for a in chain(nothing.next, 'next')])"
    assert guest.outcome(text, whole=whole).value == 1


def test_a_pointer_of_a_list_is_judged_once_however_often_it_is_followed() -> None:
    """A note on the heap costs a look-up, which a list in a list had for each pair of elements."""
    guest = HeapGuest()
    guest.heap(gulls(200))
    for number in range(200):
        after = guest.start(number + 1) if number < 199 else 0
        guest.poke(guest.start(number) + 0x10, "I", after)
    guest.aim(guest.start(0))
    run = guest.run(
        {"watch": "sum([len(chain(held, 'next')) for a in chain(held, 'next')])"}, whole=True
    )
    judged: list[str] = []
    judge = run.evaluator._heap.history.judge

    def counted(pointer: object, address: int, heap: object) -> object:
        judged.append(str(address))
        return judge(pointer, address, heap)  # type: ignore[arg-type]

    run.evaluator._heap.history.judge = counted  # type: ignore[method-assign,assignment]
    run.frame()
    assert run["watch"].value == 40_000
    assert len(judged) == len(set(judged)) == 200


def test_lines_of_a_whole_list_come_in_one_batch() -> None:
    """As many batches as there are elements were as many evaluations of the list."""
    guest = Guest()
    for number in range(40):
        address = 0x8000_1000 + 8 * number
        guest.poke(address + 0x24, "I", address + 8 if number < 39 else 0)
        guest.poke(address + 0x20, "I", 0x8000_3000 + 0x100 * number)
    guest.poke(0x8000_0100, "I", 0x8000_1000)
    text = f"sum([at(0x80003028 + 256 * (address(a) - 0x80001000) // 8, 'u32') for a in {HEAD}])"
    run = guest.run({"watch": text}, whole=False)
    run.frame()
    assert run["watch"].value == 0
    assert run.batches < 8


def test_what_is_wrong_with_a_later_element_waits_for_the_earlier() -> None:
    guest = Guest()
    first, second = 0x8000_1000, 0x8000_1008
    guest.poke(0x8000_0100, "I", first)
    guest.poke(first + 0x24, "I", second)
    guest.poke(first + 0x20, "I", 0x8000_5000)  # in a line that has yet to come; not null
    run = guest.run({"watch": f"sum([1 // a.held.word for a in {HEAD}])"}, whole=False)
    run.frame()
    reason = "sum([1 // a.held.word for a in chain(head, 'next')]): division by zero"
    assert (run["watch"].status, run["watch"].reason) == (Status.ERROR, reason)


# time


def test_a_watch_that_takes_too_long_is_an_error_and_the_others_go_on() -> None:
    clock = Clock()
    watches = {
        "before": "step",
        "slow": f"sum([a.word for a in {HEAD}])",
        "after": "step - 1",
        "times": "count(slow == 0)",
    }
    run = clocked(chained(), watches, clock)
    run.frame(1)
    assert run["slow"].value == 0
    clock.step = 0.051
    run.frame(2)
    reason = "sum([a.word for a in chain(head, 'next')]): takes more than 50 ms of a frame"
    assert (run["slow"].status, run["slow"].reason) == (Status.ERROR, reason)
    assert (run["before"].value, run["after"].value) == (0, -1)
    clock.step = 0.0
    run.frame(3)
    assert run["slow"].value == 0


def test_a_watch_gets_a_share_of_what_others_leave() -> None:
    """Of 80 ms the first may take 50, the second 0.65 of the 30 that are left, and so on."""
    clock = Clock(0.002, still=40)  # the list that all go through is there by then
    text = "sum([a.word * a.word // 3 + {} for a in {}])"
    watches = {f"w{n}": text.format(n, HEAD) for n in range(8)}
    watches["last"] = "step"
    run = clocked(chained(4000), watches, clock)
    run.frame()
    reasons = [run[f"w{n}"].reason.rpartition("]): ")[2] for n in range(8)]
    assert reasons[0] == "takes more than 50 ms of a frame"
    assert set(reasons[1:]) == {BESIDE}
    assert run["last"].value == 0
    assert run.evaluator.budget.work.spent < 0.1


def test_plain_watches_have_no_turn_in_a_frame_that_is_over() -> None:
    """Functions over frames have theirs, so that none of a frame before is taken for this one's."""
    clock = Clock()
    long = "+".join(["frame"] * 100)
    watches = {f"w{n}": f"{long} + {n}" for n in range(100)}
    watches["times"] = "count(frame % 2)"
    watches["since"] = "frames_since(w99 > 0)"
    guest = chained(1)
    run = clocked(guest, watches, clock)
    guest.poke(0x8000_0134, "I", 1)
    run.frame(1)
    assert (run["w0"].value, run["w99"].value, run["since"].value) == (100, 199, 0)
    clock.step = 1.0
    run.frame(2)
    assert run["w0"].value == 100
    assert run["w99"].status is Status.ERROR
    assert run["w99"].reason.endswith(": " + BESIDE)
    assert run["since"].status is run["times"].status is Status.ERROR
    clock.step = 0.0
    run.frame(3)
    assert (run["w99"].value, run["since"].value, run["times"].value) == (199, 0, 0)


def test_a_greedy_list_is_tried_once_a_frame_and_not_by_every_watch() -> None:
    pairs = f"sum([len([b for b in {HEAD} if b.word > a.word]) for a in {HEAD}])"
    watches = {f"w{n}": f"{pairs} + {n}" for n in range(50)} | {"small": f"len({HEAD})"}
    run = clocked(chained(), watches, Clock())
    run.frame()
    for number in range(50):
        assert run[f"w{number}"].reason.endswith("its lists take more than 200000 steps")
    assert run["small"].value == 1000
    assert run.evaluator.budget._steps < budget.MAX_STEPS


def test_a_heap_that_takes_too_long_to_walk_is_told_of_as_far_as_it_was_walked() -> None:
    guest = HeapGuest()
    guest.heap(gulls(16_000, 0x20))
    guest.aim(guest.start(3))
    watches = {
        "blocks": "len(blocks())",
        "near": "block(held).index",
        "far": f"block({guest.start(15_999)}).index",
        "plain": "word",
    }
    clock = Clock(0.0009)
    run = clocked(guest, watches, clock)
    run.frame()
    reason = "the walk along the heap takes more than 50 ms of a frame"
    assert (run["blocks"].status, run["blocks"].reason) == (Status.ERROR, reason)
    assert run["near"].value == 3
    assert (run["far"].status, run["far"].reason) == (Status.ERROR, reason)
    assert run["plain"].value == 0
    heap = run.evaluator.heap_seen
    assert heap is not None
    assert heap.damaged is not None
    assert heap.damaged.endswith(": " + reason)
    clock.step = 0.0
    run.frame()
    assert (run["blocks"].value, run["far"].value) == (16_000, 15_999)


def test_steps_depend_on_text_and_memory_alone() -> None:
    found = set()
    for _ in range(3):
        run = clocked(chained(), {"watch": f"sum([a.word * 2 for a in {HEAD}])"}, Clock())
        run.frame()
        found.add(run.evaluator.budget._steps)
    assert len(found) == 1
    assert 1000 < found.pop() < 20_000


# texts that nobody writes

NESTS = {
    "choices": ("({} if 1 else 0)", "1"),
    "and": ("(1 and {})", "1"),
    "or": ("(0 or {})", "1"),
    "comparisons": ("(1 < {} < 3)", "2"),
    "conditions": ("(0 if {} else 1)", "1"),
    "not": ("not {}", "1"),
    "minus": ("-{}", "1"),
    "calls": ("abs({})", "1"),
    "brackets": ("({})", "1"),
    "chosen comparison": ("({} if 1 else 0)", "(" + " == ".join(["1"] * 65) + ")"),
}


@pytest.mark.parametrize("name", NESTS)
@pytest.mark.parametrize("depth", [1, 28, 45, 55, 56, 57, 58, 59, 60, 61, 90, 250])
def test_what_is_nested_has_a_value_or_is_refused(name: str, depth: int, whole: bool) -> None:
    form, text = NESTS[name]
    for _ in range(depth):
        text = form.format(text)
    guest = chained(1)
    try:
        program = guest.program({"watch": text})
    except ExpressionError as fault:
        refused = fault.detail
    else:
        refused = ""
        assert program.slots
        assert guest.outcome(text, whole=whole).status is Status.OK
    assert refused in ("", "is nested deeper than 60; split it into watches")
    if depth <= 28:
        assert not refused
    if depth > 60:
        assert refused or name == "brackets"


@pytest.mark.parametrize(
    ("text", "detail"),
    [
        ("-" * 3900 + "1", "is nested deeper than 60; split it into watches"),
        ("courier" + ".held" * 700, "is nested deeper than 60; split it into watches"),
        ("(" * 1900 + "1" + ")" * 1900, "is nested deeper than 60; split it into watches"),
        ("f'{" * 1000, "is nested deeper than 60; split it into watches"),
        ("\ud800 + 1", "is not an expression: half of a surrogate pair is no character"),
        ("'#\ud800' + 1", "is not an expression: half of a surrogate pair is no character"),
        (
            'at(0, "u8' + "[1]" * 900 + '")' + "[0]" * 40,
            '"u8[1][1][1][1][1][1][1][1][1][1][1][1][1…": expected at most 16 […], found 900',
        ),
        (
            'at(0, "Actor' + "*" * 17 + '")',
            '"Actor*****************…": expected at most 16 *, found 17',
        ),
        (
            'at(0, "char[4097]") == "x"',
            "is a char[4097], the longest text that is read is char[4096]",
        ),
        (
            "distance(at(floor(distance(at(floor(distance(courier.position, courier.position)),"
            ' "Vec3"), courier.position)), "Vec3"), courier.position)',
            "distances are nested deeper than 2; make the inner one a watch",
        ),
    ],
)
def test_what_would_end_in_a_traceback_or_take_for_ever_is_refused(text: str, detail: str) -> None:
    with pytest.raises(ExpressionError) as caught:
        chained(1).program({"watch": text})
    assert caught.value.detail == detail
    assert "^" in str(caught.value)
