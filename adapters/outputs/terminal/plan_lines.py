"""The terminal's two lines on a plan that is followed."""

from __future__ import annotations

from adapters.outputs.terminal.line import Alphabet, Line, Style
from adapters.words.plan import new_words, slip_words, unseen_words, where_words
from bridge.practice.followed_plan import FollowedPlan

__all__ = ["plan_lines"]


def plan_lines(plan: FollowedPlan, alphabet: Alphabet, width: int) -> list[Line]:
    """Which step is next; and what differs with a new plan, as far as there is any."""
    where = where_words(plan)
    if plan.stand == "done":
        first = alphabet.row([(f"{alphabet.hit} {where}", Style.HIT)], width)
    else:
        style = Style.WARNING if plan.stand == "off" else Style.STRONG
        parts = [(where, Style.FAINT if plan.reason else style), (unseen_words(plan), Style.FAINT)]
        first = alphabet.row(parts, width)
    said = [(slip_words(plan), Style.WARNING), (new_words(plan.new), Style.PLAIN)]
    rest = [alphabet.row([each], width) for each in said if each[0]]
    return [first, *rest]
