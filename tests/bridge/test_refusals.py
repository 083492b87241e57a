"""Expressions that are refused: what is said, where the caret stands, and that nothing hangs."""

from __future__ import annotations

import random
import re
import struct
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.evaluation.slot_code import generate
from bridge.expressions.compiling import check
from bridge.expressions.functions.table import FUNCTIONS
from bridge.memory.image import Image
from bridge.values.status import Status
from schemas.errors import ExpressionError
from tests.bridge.made_guest import Guest, tidewright

GUEST = tidewright()


def refused(text: str) -> ExpressionError:
    with pytest.raises(ExpressionError) as caught:
        check(GUEST.layout, {"watch": text})
    return caught.value


def refusal(watches: dict[str, str]) -> ExpressionError | None:
    """Why watches are refused; None where they are accepted."""
    try:
        check(GUEST.layout, watches)
    except ExpressionError as fault:
        return fault
    return None


REFUSED: list[tuple[str, int, str]] = [
    ("courier.word.real", 0, "u32 has no fields"),
    ("(1).real", 0, "1 is a value and has no fields"),
    ("courier.posution", 0, "Actor has no field posution; did you mean position?"),
    ("1 + courier.held.nexd", 4, "Actor has no field nexd; did you mean next?"),
    ("courier.flags.carryed", 0, "ActorFlags has no flag carryed; did you mean carried?"),
    ("ActorKind.lanten", 0, "ActorKind has no member lanten; did you mean lantern?"),
    ("ActorKind", 0, "ActorKind is an enumeration: write ActorKind.MEMBER"),
    ("courrier.word", 0, "unknown name courrier; did you mean courier?"),
    ("2 * courrier", 4, "unknown name courrier; did you mean courier?"),
    ("low", 0, "low is a function: write low(p)"),
    ("lo(courier.word)", 0, "unknown function lo; did you mean low?"),
    ("1 + eval(1)", 4, "unknown function eval; lowhalf docs lists the functions"),
    ("print(courier)", 0, "unknown function print; lowhalf docs lists the functions"),
    ("__import__('os')", 0, "unknown function __import__; lowhalf docs lists the functions"),
    ("courier.__class__", 0, "Actor has no field __class__"),
    ("(1).__class__.__bases__", 0, "1 is a value and has no fields"),
    ("'x'.__class__", 0, "'x' is a value and has no fields"),
    ("__class__", 0, "unknown name __class__"),
    ("__builtins__", 0, "unknown name __builtins__"),
    ("courier.word()", 0, "only a function's name can be called"),
    ("low(courier.word)(1)", 0, "only a function's name can be called"),
    ("lambda: 1", 0, "Lambda is not allowed: functions cannot be made"),
    ("1 + (lambda x: x)(1)", 4, "only a function's name can be called"),
    ("low(p=1)", 0, "arguments have no names"),
    ("max(**courier)", 0, "arguments have no names"),
    ("max(*courier)", 4, "Starred is not allowed: arguments cannot be spread"),
    ("f'{courier}'", 0, "JoinedStr is not allowed: there are no formatted texts; use show"),
    ("(x := 1)", 1,
     "NamedExpr is not allowed: names cannot be assigned; write a watch and use its name"),
    ("await courier", 0, "Await is not allowed: there is nothing to wait for"),
    ("{1: 2}", 0, "Dict is not allowed: there are no dictionaries"),
    ("{1, 2}", 0, "Set is not allowed: there are no sets"),
    ("(1, 2)", 0, "Tuple is not allowed: there are no tuples"),
    ("[1, 2]", 0,
     "List is not allowed: a list comes from chain(…) or from [… for … in …]"),
    ("sum(a for a in courier)", 3,
     "GeneratorExp is not allowed: write the list in square brackets"),
    ("{a for a in courier}", 0, "SetComp is not allowed: it is no part of the language"),
    ("courier is courier", 0, "Is is not allowed: write == or !="),
    ("1 is not 2", 0, "IsNot is not allowed: write == or !="),
    ("1 in courier", 0, "In is not allowed: compare with == and join with or"),
    ("1 not in courier", 0, "NotIn is not allowed: compare with != and join with and"),
    ("1 @ 2", 0, "MatMult is not allowed: there are no matrices"),
    ("courier.trim[0:1]", 13, "Slice is not allowed: an index is a single number"),
    ("yield 1", 0, "is not an expression: invalid syntax"),
    ("None", 0, "None is not a number"),
    ("...", 0, "Ellipsis is not a number"),
    ("b'x'", 0, "b'x' is not a number"),
    ("2j", 0, "2j is not a number"),
    ("1e999", 0, "is not finite"),
    ("1 + 18446744073709551617", 4, "the number is larger than 64 bits"),
    ("1 + 'two'", 4, "is a text, expected a number"),
    ("'1' == 1", 7, "a text cannot be compared with int"),
    ("courier.name + 1", 0, "is a text, expected a number"),
    ("1 if 1 else 'x'", 12, "int and text cannot both be the value"),
    ("courier.kind == Tide.ebb", 16, "ActorKind and Tide are different lists"),
    ("courier", 0,
     "is a whole Actor; name a field: kind, tide, small, flags, name, position, facing, depth"),
    ("courier.trim", 0, "is a whole s16[4]; name an element"),
    ("courier.trim[4]", 13, "index 4 is outside 0 to 3"),
    ("courier.trim[-1]", 13, "index -1 is outside 0 to 3"),
    ("courier.trim[0.5]", 13, "is a float, expected a whole number"),
    ("courier.word[0]", 0, "u32 is neither an array nor a pointer"),
    ("(1 + 1)[0]", 0, "1 + 1 is a value and has no elements"),
    ("1.5 & 1", 0, "is a float, expected a whole number"),
    ("1 | courier.real", 4, "is a f64, expected a whole number"),
    ("~courier.real", 1, "is a f64, expected a whole number"),
    ("1 / 2 & 1", 0, "is a float, expected a whole number"),
    ("low(1)", 4, "is a value, expected a place in memory"),
    ("low(courier)", 4, "is a Actor, expected a stored number"),
    ("low(courier.name)", 4, "is a char[8], expected a stored number"),
    ("low(courier.hue)", 4, "is a bit-field, which has no bytes of its own"),
    ("low(courier.small)", 4, "u8 is one byte and has no halves"),
    ("low()", 0, "low(p) takes 1 argument, found 0"),
    ("byte(courier.word)", 0, "byte(p, n) takes 2 arguments, found 1"),
    ("min()", 0, "min(x, y, …) takes 1 to 16 arguments, found 0"),
    ("byte(courier.word, 4)", 19, "expected a number from 0 to 3, written out"),
    ("byte(courier.word, step)", 19, "expected a number from 0 to 3, written out"),
    ("signed(1, 65)", 10, "expected a number from 1 to 64, written out"),
    ("signed(1, True)", 10, "expected a number from 1 to 64, written out"),
    ("average(step, 0)", 14, "expected a number from 1 to 36000, written out"),
    ("at(courier.held, 'Acter')", 17, "unknown type Acter; did you mean Actor?"),
    ("at(courier.held, 'Actor[')", 17,
     '"Actor[" is not a type; expected for example u16, Actor*, u8[4] or char[16]'),
    ("at(courier.held, Actor)", 17, "expected a type in quotation marks"),
    ("at(1.5, 'u8')", 3, "is a float, expected a whole number"),
    ("distance(courier, head)", 9, "Actor has no numbers x, y, z"),
    ("chain(head, 'nexd')", 12, "Actor has no pointer nexd"),
    ("chain(head, 'word')", 12, "Actor has no pointer word"),
    ("chain(head, 'holder')", 12, "holder leads to a Actor*, expected a Actor"),
    ("chain(head, 'next')", 0, "is a list; use len, sum, min, max or first"),
    ("chain(head, 'next')[0]", 0,
     "a list has no index; use first(…) or a condition in the list"),
    ("len(courier.trim)", 4, "expected a list, as from chain(…)"),
    ("sum(chain(head, 'next'))", 4, "is a list of Actor; name a field of each"),
    ("sum([a.name for a in chain(head, 'next')])", 4, "is a list of texts, expected numbers"),
    ("len([a for a in chain(head, 'next') for b in chain(head, 'next')])", 4,
     "a list has one for"),
    ("len([a for a, b in chain(head, 'next')])", 4, "a list's for has one name"),
    ("len([1 async for a in chain(head, 'next')])", 4, "a list has a plain for"),
    ("len([a for courier in chain(head, 'next')])", 11, "courier is already a symbol or a watch"),
    ("len([[b for b in chain(a, 'next')] for a in chain(head, 'next')])", 5,
     "a list of lists is not possible; use len, sum or first"),
    ("len([previous(a.word) for a in chain(head, 'next')])", 5,
     "previous cannot stand in a list: its state would have no one value"),
    ("change(courier.name)", 7, "is a text, which has no difference"),
    ("highest(courier.name)", 8, "is a text, expected a number"),
    ("", 0, "is empty"),
    ("   ", 0, "is empty"),
    ("1 # two", 2, "comments belong outside the expression"),
    ("x = 1", 2, "is not an expression: invalid syntax"),
    ("import os", 0, "is not an expression: invalid syntax"),
    ("1; 2", 1, "is not an expression: invalid syntax"),
    ("1 +", 3, "is not an expression: invalid syntax"),
    ("  courier.", 10, "is not an expression: invalid syntax"),
    ("1 if", 4, "is not an expression: invalid syntax"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "column", "message"), REFUSED)
def test_a_construct_is_refused_with_its_place(text: str, column: int, message: str) -> None:
    error = refused(text)
    assert (error.detail, error.column) == (message, column)
    assert str(error) == f"watch watch: {message}\n    {text}\n    {' ' * column}^"


def test_a_flag_outside_a_bit_field_is_not_suggested_again() -> None:
    assert "did you mean visible" not in refused("courier.part.visible").detail


def test_the_caret_counts_characters_and_leading_space() -> None:
    error = refused("  'ü' == courrier")
    assert str(error).splitlines()[1:] == ["      'ü' == courrier", "             ^"]


def test_lines_of_a_long_expression_are_joined() -> None:
    error = refused("1 +\n  courrier")
    assert str(error).splitlines()[1:] == ["    1 +   courrier", "          ^"]


def test_a_long_line_is_cut_around_the_caret() -> None:
    error = refused("1 + " * 30 + "courrier" + " + 1" * 30)
    _, shown, caret = str(error).splitlines()
    assert len(shown) <= 80
    assert shown[caret.index("^") :].startswith("courrier")


@pytest.mark.parametrize(
    ("watches", "message"),
    [
        ({"a": "a"}, "watches use each other in a circle: a → a"),
        ({"a": "b", "b": "1 + c", "c": "a"}, "watches use each other in a circle: a → b → c → a"),
        ({"z": "a", "a": "b", "b": "a"}, "watches use each other in a circle: a → b → a"),
        ({"a": "previous(a)"}, "watches use each other in a circle: a → a"),
    ],
)
def test_a_circle_of_watches_is_refused(watches: dict[str, str], message: str) -> None:
    with pytest.raises(ExpressionError) as caught:
        check(GUEST.layout, watches)
    assert caught.value.detail == message


HEAVY = {
    "a megabyte": "1 + " * 250_000 + "1",
    "a megabyte of spaces": " " * 1_000_000 + "1",
    "brackets": "(" * 10_000 + "1" + ")" * 10_000,
    "1,900 brackets": "(" * 1_900 + "1" + ")" * 1_900,
    "150 brackets": "(" * 150 + "1" + ")" * 150,
    "open brackets": "(" * 3_999,
    "square brackets": "[" * 1_900 + "]" * 1_900,
    "open square brackets": "[" * 3_999,
    "minus": "-" * 10_000 + "1",
    "3,900 minus": "-" * 3_900 + "1",
    "not": "not " * 10_000 + "1",
    "900 not": "not " * 900 + "1",
    "attributes": "courier" + ".held" * 10_000,
    "700 attributes": "courier" + ".held" * 700,
    "indices": "head" + "[0]" * 1_300,
    "calls": "abs(" * 800 + "1" + ")" * 800,
    "powers": "2" + "**2" * 1_300,
    "conditions": "1 if 1 else " * 330 + "1",
    "a long sum": "+".join(["1"] * 1_990),
    "a sum of 200": "+".join(["1"] * 200),
    "comparisons": "<".join(["1"] * 1_990),
    "a long or": "|".join(["1"] * 1_990),
    "not closed": "((((" * 900,
    "a long number": "1" * 3_999,
    "a long hexadecimal": "0x" + "f" * 3_990,
    "a long name": "a" * 3_999,
    "a long text": "'" + "a" * 3_900 + "' == 1 + 1",
    "nulls": "\0" * 10,
    "surrogates": "'\ud800'",
    "lists": "[1 for a in " * 300 + "chain(head, 'next')" + "]" * 300,
}


@pytest.mark.parametrize("text", HEAVY.values(), ids=list(HEAVY))
def test_a_heavy_text_is_refused_at_once(text: str) -> None:
    started = time.thread_time()
    error = refusal({"watch": text})
    if error is None:
        # what is not refused can be evaluated
        assert GUEST.outcome(text, whole=True).status in Status
        assert GUEST.outcome(text, whole=False).status in Status
    else:
        assert len(str(error)) < 400
    assert time.thread_time() - started < 1


def test_the_limits_are_said() -> None:
    assert refused(HEAVY["a megabyte"]).detail == (
        "has 1000001 characters, the most is 4000; split it into watches"
    )
    for name in ("900 not", "1,900 brackets", "a sum of 200"):
        assert refused(HEAVY[name]).detail == "is nested deeper than 60; split it into watches"


def test_ten_to_a_large_power_is_a_status() -> None:
    started = time.thread_time()
    for text in ("10**9 ** 10**9", "(10**9) ** (10**9)", "2 ** 2 ** 2 ** 2 ** 2 ** 2"):
        assert GUEST.outcome(text, whole=True).status is Status.ERROR
    assert time.thread_time() - started < 1


def test_deep_watches_that_use_each_other_are_checked_or_refused() -> None:
    watches = {f"w{n}": "-" * 50 + f"w{n + 1}" for n in range(90)} | {"w90": "1"}
    started = time.thread_time()
    error = refusal(watches)
    if error is None:
        run = GUEST.run(watches, whole=True)
        run.frame()
        assert run["w0"].value == 1
    else:
        assert "deep" in error.detail
    assert time.thread_time() - started < 1


def test_watches_may_use_each_other_in_a_row_of_any_length_and_order() -> None:
    watches = {f"w{n}": f"w{n + 1}" for n in range(1500)} | {"w1500": "1"}
    assert check(GUEST.layout, watches).watches["w0"] == 1500
    assert check(GUEST.layout, dict(reversed(watches.items()))).watches["w0"] == 1500


# fuzz

PIECES = [
    *("courier", "head", "nothing", "wild", "odd", "ring", "numbers", "step", "other", "a"),
    *(".held", ".next", ".word", ".position", ".x", ".name", ".flags", ".carried", ".kind"),
    *(".trim", ".grid", "[0]", "[1]", "[step]", "[-1]", "(", ")", "[", "]", ",", ".", ":"),
    *("1", "0", "2.5", "0x8000", "'next'", "'u16'", '"Actor"', "'", "#", "\n", " ", "é", "\0"),
    *("+", "-", "*", "/", "//", "%", "**", "&", "|", "^", "~", "<<", ">>", "==", "<", ">="),
    *(" and ", " or ", " not ", " if ", " else ", " for a in ", " in ", " is ", "lambda ", ":="),
    *(f"{name}(" for name in FUNCTIONS),
    *("chain(head, 'next')", "courier.held.word", "ActorKind.crate", "__class__", "\\", "\t"),
]
QUICK = settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))


def in_order(text: str) -> bool:
    """Whether a text is accepted, or refused with a caret below it; other errors escape."""
    error = refusal({"watch": text, "other": "courier.depth"})
    return error is None or 0 <= error.column <= len(error.expression)


@QUICK
@given(st.text(max_size=60))
def test_only_its_own_error_escapes_the_checker(text: str) -> None:
    assert in_order(text)


@QUICK
@given(st.lists(st.sampled_from(PIECES), max_size=25).map("".join))
def test_only_its_own_error_escapes_for_pieces_of_expressions(text: str) -> None:
    assert in_order(text)


@QUICK
@given(
    st.sampled_from(
        [
            'sum([a.word for a in chain(head, "next") if a.kind == ActorKind.crate])',
            "low(courier.held.position.x) & 0xFF if courier.flags.carried else -1",
            "previous(courier.trim[step + 1]) < turn(courier.facing, 5) <= count(other > 3)",
        ]
    ),
    st.integers(0, 80),
    st.integers(0, 80),
    st.sampled_from(PIECES),
)
def test_only_its_own_error_escapes_for_changed_expressions(
    text: str, start: int, length: int, piece: str
) -> None:
    assert in_order(text[:start] + piece + text[start + length :])


def numbers(depth: int) -> st.SearchStrategy[str]:
    leaf = st.sampled_from(
        [
            *("0", "1", "-7", "2.5", "1e300", "0xFFFFFFFF", "True", "step", "broken", "endless"),
            *("courier.word", "courier.depth", "courier.real", "courier.fine", "courier.big"),
            *("courier.held.word", "courier.next.next.position.x", "nothing.word", "wild.word"),
            *("low(courier.held.word)", "courier.trim[step]", "numbers[step]", "other", "text_len"),
            *("courier.held.flags.carried", "courier.lean", "head[courier.depth].drift"),
            *('len(chain(head, "next"))', 'sum([a.word for a in chain(courier, "next")])'),
            *('first(chain(head, "next")).fine', 'max([a.real for a in chain(ring, "next")])'),
            *("distance(courier.position, head.position)", 'at(courier.word, "s16")'),
        ]
    )
    if depth == 0:
        return leaf
    inner = numbers(depth - 1)
    pair = st.tuples(inner, inner)
    operators = ["+", "-", "*", "/", "//", "%", "**", "<", "==", ">=", "and", "or"]
    two = st.tuples(inner, st.sampled_from(operators), inner)
    return st.one_of(
        leaf,
        two.map(lambda part: f"({part[0]} {part[1]} {part[2]})"),
        st.tuples(inner, st.sampled_from(["<<", ">>", "&", "|", "^"]), inner).map(
            lambda part: f"(floor({part[0]}) {part[1]} round({part[2]}))"
        ),
        st.tuples(inner, inner, inner).map(lambda p: f"({p[0]} if {p[1]} else {p[2]})"),
        st.tuples(
            st.sampled_from(
                [
                    *("abs", "round", "floor", "sqrt", "sin", "cos", "degrees", "previous"),
                    *("change", "highest", "lowest", "count", "frames_of", "frames_since"),
                ]
            ),
            inner,
        ).map(lambda part: f"{part[0]}({part[1]})"),
        st.tuples(st.sampled_from(["min", "max", "hypot", "atan2", "latest"]), pair).map(
            lambda part: f"{part[0]}({part[1][0]}, {part[1][1]})"
        ),
        inner.map(lambda part: f"average({part}, 2)"),
        inner.map(lambda part: f"signed(floor({part}), 16)"),
        pair.map(lambda part: f"turn(floor({part[0]}), round({part[1]}))"),
        inner.map(lambda part: f"(-{part})"),
        inner.map(lambda part: f"(not {part})"),
    )


@settings(max_examples=250, deadline=None, suppress_health_check=list(HealthCheck))
@given(numbers(3), st.integers(0, 1 << 30), st.sampled_from([True, False]))
def test_nothing_but_values_and_statuses_comes_out_of_an_evaluation(
    text: str, seed: int, whole: bool
) -> None:
    chance = random.Random(seed)
    guest = Guest()
    guest.bytes[:] = GUEST.bytes
    pointers = [0, 0x8000_1000, 0x8000_2000, 0xA000_2002, 0x9000_0F84, 0xFFFF_FFFC, 0x8000_FFF0]
    for _ in range(60):
        address = chance.choice([0x8000_0100, 0x8000_1000, 0x8000_2000]) + 4 * chance.randrange(32)
        data = chance.choice(
            [struct.pack(">I", chance.choice(pointers)), chance.randbytes(4), b"\x7f\x80\0\0"]
        )
        guest.poke(address, "4s", data)
    watches = {"other": "courier.depth", "text_len": "1 if courier.name == 'x' else 2"}
    run = guest.run({"watch": text, **watches}, whole=whole)
    started = time.thread_time()
    for number in range(3):
        run.frame(number)
        outcome = run["watch"]
        if outcome.status is Status.OK:
            assert isinstance(outcome.value, int | float)
            assert outcome.value - outcome.value == 0
        else:
            assert outcome.reason
    assert time.thread_time() - started < 3


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(numbers(3))
def test_whole_and_sparse_images_give_the_same(text: str) -> None:
    watches = {"watch": text, "other": "courier.depth", "text_len": "4"}
    outcomes = []
    for whole in (True, False):
        run = GUEST.run(watches, whole=whole)
        for number in range(2):
            run.frame(number)
        outcomes.append(run["watch"])
    assert str(outcomes[0]) == str(outcomes[1])


def test_generated_code_holds_no_text_of_a_user() -> None:
    watches = {
        "zebra_watch": "courier.name == 'zebra_text'",
        "other": "sum([zebra_loop.word for zebra_loop in chain(courier, 'next')]) + zebra_watch",
        "far": 'at(courier.held, "Actor").position.x if zebra_watch else previous(step)',
        "index": "courier.trim[step] + low(courier.held.word) + ActorKind.crate",
    }
    program = check(GUEST.layout, watches)
    for whole in (True, False):
        source = generate(program, GUEST.layout, GUEST.memory, whole=whole, chunk=1)
        words = set(re.findall(r"[A-Za-z_]\w*", source.text))
        own = re.compile(r"[tvuK]_?\w{0,2}|chunk\d*|list\d*|[VSALTCKe]|m_\w+|f_\w+")
        keywords = {"def", "try", "except", "as", "if", "else", "not", "for", "in", "or", "and"}
        names = {"ram", "Exception", "fault", "locate", "miss", "again", "chain", "spend", "start"}
        names |= {"shared", "return", "Missing", "lack", "wrong", "False"}
        names |= {"step", "index_fault", "null", "finite", "bounded", "nonfinite", "append"}
        names |= {"float", "continue", "True", "None", "is", "b", "x01", "all", "len", "first"}
        assert {word for word in words if not own.fullmatch(word)} <= keywords | names
        assert not re.search(r"zebra|courier|word|'next'|Actor", source.text)
        # the texts that it needs stand in its table instead
        assert "zebra_text" in source.constants


def test_an_image_is_not_needed_to_refuse() -> None:
    assert Image(GUEST.memory).held.count(1) == 0
    assert refused("courier.nowhere").watch == "watch"
