"""What is learned from recorded play, as JSON."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

from adapters.json_forms.heap_events import event_json
from bridge.planning.arena import Arena
from bridge.planning.laid_blocks import blocks_of
from bridge.planning.learning.experiment import Experiment, Rival
from bridge.planning.learning.learned import Learned
from bridge.planning.learning.models import Model, RuledOut
from bridge.planning.learning.tables import effects_text, ways_of
from bridge.planning.policy import Policy

__all__ = ["experiment_json", "learned_json"]


def learned_json(learned: Learned, names: Sequence[str]) -> dict[str, Any]:
    """The object that ``lowhalf learn --json`` prints; *names* are the recordings', by play."""
    sifted = learned.sifted
    return {
        "recordings": [
            {
                "recording": name,
                "build": play.build,
                "frames": play.frames,
                "first": play.first_frame,
                "last": play.last_frame,
                "changes": len(play.changes),
            }
            for name, play in zip(names, learned.plays, strict=True)
        ],
        "builds": {
            build: {
                "header": seen.header,
                "alignment": list(seen.alignment),
                "sizes": {kind: s - seen.header for kind, s in sorted(seen.strides.items())},
                "varied": sorted(seen.varied),
            }
            for build, seen in learned.geometries.items()
        },
        "models": [_model(model) for model in learned.models],
        "ruled_out": len(sifted.ruled_out),
        "nearest": [_ruled_out(each) for each in sifted.nearest],
        "actions": [
            {
                "action": action.name,
                "done": action.done,
                "without": action.without,
                "effects": [_effects(effects_text(way)) for way in ways_of(action)],
                "complete": action.complete,
                "least": action.least,
                "typical": action.typical,
                "alone": list(action.alone),
                "sets": action.sets,
                "adds": action.adds,
                "variants": [
                    {
                        "released": dict(each.released),
                        "allocated": dict(each.allocated),
                        "count": each.count,
                    }
                    for each in action.variants
                ],
                "why": action.why,
                "frames": [
                    {"recording": names[play], "frame": frame} for play, frame in action.frames
                ],
            }
            for action in learned.actions
        ],
        "unlabelled": [
            {"recording": names[play], **event_json(event)}
            for play, change in learned.occurrences.unlabelled
            for event in learned.plays[play].changes[change].events
        ],
        "cut_short": learned.cut_short,
    }


def experiment_json(
    found: Experiment, rivals: Sequence[Rival], frames: Mapping[str, int]
) -> dict[str, Any]:
    """The object that ``lowhalf learn next --json`` prints; *frames* are what each action takes."""
    return {
        "actions": list(found.actions),
        "frames": sum(frames.get(name, 0) for name in found.actions),
        "rivals": len(rivals),
        "looked_at": found.looked_at,
        "all_up_to": found.length,
        "cut_short": found.cut_short,
        "may_fail": found.may_fail,
        "outcomes": [
            {
                "rivals": sorted({rivals[number].words for number in numbers}),
                "layout": [
                    {"start": b.start, "size": b.size, "used": b.used, "owner": b.owner}
                    for b in blocks_of(Arena(cells), rivals[numbers[0]].game.policy)
                ],
            }
            for numbers, cells in zip(found.classes, found.predicted, strict=True)
        ],
        "unpredictable": sorted({rivals[number].words for number in found.unpredictable}),
    }


def _policy(policy: Policy) -> dict[str, Any]:
    return {
        "fit": str(policy.fit),
        "order": str(policy.order),
        "tried_from": str(policy.tried_from),
        "carved_from": str(policy.carved_from),
        "merge": str(policy.merge),
        "keeps_last": policy.keeps_last,
    }


def _model(model: Model) -> dict[str, Any]:
    return {**_policy(model.policy), "least_rest": [model.least, model.most]}


def _ruled_out(each: RuledOut) -> dict[str, Any]:
    return {
        **_policy(each.policy),
        "recording": each.recording,
        "frame": each.frame,
        "count": each.count,
    }


def _effects(text: str) -> Any:
    return tomllib.loads(f"effects = {text}")["effects"]
