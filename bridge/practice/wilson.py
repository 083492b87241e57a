"""How sure a rate is: the Wilson score interval.

Of all true rates p those are in it that the observed share would not contradict: the solutions of
``(share - p)² <= z² p (1 - p) / n``.  Unlike the textbook's share ± z·error it stays inside 0 to 1
and says something honest of few attempts, also where none or all succeeded.

Source: E. B. Wilson, "Probable inference, the law of succession, and statistical inference",
Journal of the American Statistical Association 22 (1927), pages 209 to 212.
"""

from __future__ import annotations

import math

__all__ = ["Z_95", "wilson"]

Z_95 = 1.959963984540054
"""The standard normal distribution's quantile at 0.975: 95 % lie within this on both sides."""


def wilson(successes: int, trials: int, z: float = Z_95) -> tuple[float, float]:
    """The lowest and the highest rate that *successes* of *trials* speak for.

    Without a trial nothing is known: 0 to 1.  Raises ValueError where there are more successes
    than trials or fewer than none.
    """
    if not 0 <= successes <= trials:
        raise ValueError(f"expected 0 to {trials} successes, found {successes}")
    if not trials:
        return 0.0, 1.0
    share, z2 = successes / trials, z * z
    middle = (share + z2 / (2 * trials)) / (1 + z2 / trials)
    spread = share * (1 - share) / trials + z2 / (4 * trials * trials)
    reach = z * math.sqrt(spread) / (1 + z2 / trials)
    low = 0.0 if successes == 0 else max(0.0, middle - reach)
    high = 1.0 if successes == trials else min(1.0, middle + reach)
    return low, high
