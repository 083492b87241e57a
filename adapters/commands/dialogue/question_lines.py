"""The lines of a dialogue: a question, a sum with its carries, and what has been reached."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from adapters.commands.console.tables import columns
from adapters.printable import printable
from bridge.asking.asking import Asking
from bridge.asking.entry import expected
from bridge.asking.question import AddressSum, Question
from bridge.asking.reached import Reached, Standing

__all__ = ["question_lines", "reached_lines", "reached_words", "sum_lines"]


def question_lines(question: Question) -> Iterator[str]:
    """Where to look, for what, and what the answer may be."""
    if question.total is not None:
        yield from sum_lines(question.total)
        yield ""
    yield printable(f"question {question.number}: {question.words}")
    yield printable(f"  for {', '.join(question.needed_by)}")
    if question.hint:
        yield printable(f"  {question.hint}")
    amount = "1 byte" if question.size == 1 else f"{question.size} bytes"
    yield f"  look at {_spaced(question.address)}  {amount}, shown as hexadecimal"
    yield f"  type {expected(question)}"


def sum_lines(total: AddressSum) -> Iterator[str]:
    """An address digit by digit, with what is carried."""
    first = total.steps[0]
    rows = [("", first.before, total.base)]
    for step, label in zip(total.steps, total.labels, strict=True):
        if step.carries.strip():
            rows.append(("", step.carries, "carried" if step.sign == "+" else "borrowed from"))
        rows += [(step.sign, step.operand, label), ("=", step.after, "")]
    for sign, digits, words in rows:
        yield f"  {sign:2}{' '.join(digits)}   {printable(words)}".rstrip()


def reached_lines(asking: Asking) -> Iterator[str]:
    """All watches, each with its value, its address, or why it has neither."""
    rows = [_row(each) for each in asking.reached]
    if not any(part for _, part, *_ in rows):
        rows = [[title, *rest] for title, _, *rest in rows]
    yield from columns(rows)


def reached_words(reached: Reached) -> str:
    """One that has just been reached."""
    where = "" if reached.address is None else f" at {_spaced(reached.address)}"
    name = reached.aim.title if not reached.aim.part else f"{reached.aim.title}, {reached.aim.part}"
    if reached.standing is Standing.ADDRESS:
        return printable(f"{name} is{where}")
    if reached.standing is Standing.VALUE:
        return printable(f"{name} = {reached.text}{where}")
    return printable(f"{name}: {reached.reason}")


def _row(reached: Reached) -> Sequence[str]:
    aim = reached.aim
    where = "" if reached.address is None else _spaced(reached.address)
    value = reached.text
    if reached.standing not in (Standing.VALUE, Standing.ADDRESS):
        status = "" if reached.reading is None else str(reached.reading.status)
        value = (
            status if reached.standing is Standing.ABSENT else reached.standing.replace("-", " ")
        )
    return [aim.title, printable(aim.part), printable(value), where, printable(reached.reason)]


def _spaced(address: int) -> str:
    """An address in groups of four digits."""
    digits = f"{address:08X}"
    head = len(digits) % 4
    groups = [digits[:head]] if head else []
    groups += [digits[n : n + 4] for n in range(head, len(digits), 4)]
    return " ".join(groups)
