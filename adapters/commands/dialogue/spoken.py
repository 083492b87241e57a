"""What a line means that a person types: an answer, or one of a few words."""

from __future__ import annotations

import json
from dataclasses import dataclass

from bridge.ports.asked_by_hand import SAID

__all__ = ["HELP", "Spoken", "spoken", "spoken_json"]

HELP = (
    ("HEX, a number", "what stands there; a sign in front makes digits decimal: +12"),
    ("yes, no", "what was doubted really stands there, or does not"),
    ("undo", "back to before the last answer; again and again, to the start"),
    ("again [WHAT]", "ask again: a watch, a place such as courier.held, or a question's number"),
    ("frame", "the game went on: pointers are kept, all else is asked again"),
    ("room", "all may have changed: everything is asked again"),
    ("skip [WATCH]", "leave out a watch, or what this question is for"),
    ("list", "what is known"),
    ("quit", "end"),
    ("=ANSWER", "an answer, should it be one of these words"),
)
"""Each word with what it does."""


@dataclass(frozen=True, slots=True)
class Spoken:
    """``what`` is one of SAID, or help, list or quit; empty for nothing."""

    what: str
    text: str = ""


def spoken(line: str, *, doubted: bool) -> Spoken:
    """What a line of the dialogue means; *doubted* is whether an answer waits for yes or no."""
    given = line.strip()
    word, _, rest = given.partition(" ")
    rest = rest.strip()
    if not given:
        return Spoken("")
    if given == "?":
        return Spoken("help")
    if word in ("again", "skip"):
        return Spoken(word, rest)
    if given in ("undo", "list", "quit"):
        return Spoken(given)
    if given in ("frame", "room"):
        return Spoken("changed", given)
    if doubted and given in ("yes", "no"):
        return Spoken("confirm" if given == "yes" else "correct")
    return Spoken("answer", given)


def spoken_json(line: str, *, doubted: bool) -> Spoken:
    """The same of a line that may be a JSON object with one key: ``{"answer": "802003D0"}``.

    Raises ValueError with words for the user.
    """
    if not line.lstrip().startswith("{"):
        return spoken(line, doubted=doubted)
    try:
        given = json.loads(line)
    except ValueError:
        raise ValueError(f"no JSON object: {line.strip()[:40]}") from None
    known = (*SAID, "quit")
    if len(given) != 1 or (what := next(iter(given))) not in known:
        raise ValueError(f"expected an object with one key of {', '.join(known)}")
    text = given[what]
    if not isinstance(text, str | bool):
        raise ValueError(f"{what}: expected a text, or true")
    return Spoken(what, text if isinstance(text, str) else "")
