"""What axe-core, an outside checker of accessibility, finds on a page.

The checker is the release 4.12.1 of axe-core as it is published, in ``axe/`` with its licences
(MPL-2.0); its source is at github.com/dequelabs/axe-core.  It runs through DevTools, which a page's
policy about scripts does not bind.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from tests.adapters.browser import Page

AXE = Path(__file__).parent / "axe" / "axe.min.js"
SERIOUS = ("serious", "critical")


@dataclass(frozen=True)
class Violation:
    """A rule that is broken, how bad that is by axe's own judgement, and at which elements."""

    rule: str
    impact: str
    elements: tuple[str, ...]
    about: str


@cache
def _axe() -> str:
    return AXE.read_text("utf-8")


async def violations(page: Page, **options: Any) -> list[Violation]:
    """All that axe finds, *options* being those of ``axe.run``.  The page must have loaded."""
    if not await page.evaluate("typeof window.axe === 'object'"):
        await page.evaluate(_axe() + "\n;0")
    options = {"resultTypes": ["violations"], **options}
    found = await page.evaluate(
        f"clock.during(axe.run(document, {json.dumps(options)}))"
        ".then(found => found.violations.map(each => ({"
        "rule: each.id, impact: each.impact, about: each.help,"
        "elements: each.nodes.map(node => node.target.join(' '))})))"
    )
    return [
        Violation(each["rule"], each["impact"], tuple(each["elements"]), each["about"])
        for each in found
    ]


async def serious_violations(page: Page, **options: Any) -> list[Violation]:
    """Those that axe calls serious or critical."""
    return [each for each in await violations(page, **options) if each.impact in SERIOUS]
