"""The rule for secrets that keep others out, the same wherever one is asked for."""

from __future__ import annotations

__all__ = ["FEWEST_CHARACTERS", "too_short"]

FEWEST_CHARACTERS = 16
"""Of letters and digits that is more than anybody can try out over a network."""


def too_short(variable: str, token: str) -> str:
    """What is wrong with the *token* in an environment *variable*; "" where it is long enough.

    The sentence does not hold the token.
    """
    if len(token) >= FEWEST_CHARACTERS:
        return ""
    return f"{variable}: expected at least {FEWEST_CHARACTERS} characters, found {len(token)}"
