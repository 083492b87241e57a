"""The plan that is followed as a node of the Homie device (see ``homie``).  No I/O.

    homie/5/DEVICE/plan/stand       waits, on, under-way, off, done
    homie/5/DEVICE/plan/next        the action that comes next, or is under way; empty when done
    homie/5/DEVICE/plan/done        steps that are done
    homie/5/DEVICE/plan/steps       all of them
    homie/5/DEVICE/plan/difference  the first difference from what was to be, in words
    homie/5/DEVICE/plan/guess       a question that names what may have been done
    homie/5/DEVICE/plan/new-plan    JSON: a new plan from where the game stands, or null
    homie/5/DEVICE/plan/unseen      JSON: the actions that were done without being seen
    homie/5/DEVICE/plan/reason      why nothing is known of it now

It is there where the bridge file names a plan.
"""

from __future__ import annotations

from typing import Any

from adapters.outputs.mqtt.homie_payload import homie_json, homie_string
from bridge.practice.followed_plan import FollowedPlan

__all__ = ["PLAN_NODE", "plan_node", "plan_payloads"]

PLAN_NODE = "plan"
_STANDS = ("waits", "on", "under-way", "off", "done")


def plan_node() -> dict[str, Any]:
    """The node's part of ``$description``."""
    texts = {
        "next": "Next action",
        "difference": "First difference",
        "guess": "What may have been done",
        "reason": "Why nothing is known",
    }
    return {
        "name": "Plan",
        "type": "lowhalf-plan",
        "properties": {
            "stand": {"name": "Stand", "datatype": "enum", "format": ",".join(_STANDS)},
            "done": {"name": "Steps done", "datatype": "integer"},
            "steps": {"name": "Steps", "datatype": "integer"},
            **{id: {"name": name, "datatype": "string"} for id, name in texts.items()},
            "new-plan": {"name": "New plan", "datatype": "json"},
            "unseen": {"name": "Actions not seen", "datatype": "json"},
        },
    }


def plan_payloads(plan: FollowedPlan | None) -> dict[str, bytes]:
    """What to publish, by property."""
    now = plan or FollowedPlan("", "waits", ())
    step = now.next
    return {
        "stand": now.stand.replace(" ", "-").encode(),
        "next": homie_string(step.action if step else ""),
        "done": b"%d" % now.done,
        "steps": b"%d" % len(now.steps),
        "difference": homie_string(now.difference),
        "guess": homie_string(now.guess),
        "reason": homie_string(now.reason),
        "new-plan": homie_json(None if now.new is None else now.new.as_json()),
        "unseen": homie_json(list(now.unseen)),
    }
