"""A plan that is looked for: read what it starts from, search, print, keep."""

from __future__ import annotations

import argparse
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from typing import Any

from adapters.commands.console.tables import columns
from adapters.commands.console.telling import tell
from adapters.commands.planning.asked import Asked, asked_of, limits_of
from adapters.commands.planning.keeping import keep
from adapters.commands.planning.page import page_of
from adapters.commands.planning.searching import Searching
from adapters.commands.planning.shown import show_plan
from adapters.commands.planning.starting import Beginning, Schemed, begin, schemed
from adapters.json_forms.plans import plan_json
from adapters.printable import json_text, printable
from adapters.words.plans import cost_words, proof_words, runs_words
from bridge.planning.laid_blocks import blocks_of
from bridge.planning.made_for import made_for
from bridge.planning.model import Limits, Task
from bridge.planning.outcome import Outcome, Plan, Verdict
from bridge.planning.plan_record import goals_of, recorded
from bridge.planning.wanted import of_builds, wanted
from bridge.planning.wishes import Sort, Wish
from schemas.errors import LowhalfError
from schemas.layout_file import load_layout
from schemas.plan_file import BlockAt, GoalTable, PlanFile, ProofTable, plan_text
from schemas.toml_file import nearest

__all__ = ["CUT_SHORT", "make_plan"]

CUT_SHORT = 4
"""The exit code where time or memory ended before it was sure."""


def make_plan(arguments: argparse.Namespace) -> int:
    """Look for a plan; gives the exit code.  Raises LowhalfError and its kinds."""
    asked, limits = asked_of(arguments.goals or ()), limits_of(arguments)
    of = schemed(arguments)
    asked, avoided = _avoided(asked, of)
    beginning = begin(arguments, of, asked.wishes)
    for words in (*beginning.unsure, *beginning.set_out.assumed):
        tell(words)
    layouts = {path.name: load_layout(path) for path in asked.layouts}
    goals = wanted(asked.wishes, layouts, beginning.set_out, of.prepared, arguments.heap)
    planning = _Planning(of, beginning, goals, avoided, limits, Searching())
    found = planning.found(list(beginning.set_out.starts))
    apart: dict[str, _Found] = {}
    if len(found.builds) > 1 and found.outcome.verdict in (
        Verdict.IMPOSSIBLE,
        Verdict.NONE_WITHIN,
    ):
        apart = {build: planning.found([build]) for build in found.builds}
    if arguments.json:
        told = {build: each.as_json() for build, each in apart.items()}
        print(json_text({**found.as_json(), "by_build": told}))
    else:
        _print(found, apart)
    _keep(arguments, found, apart)
    return found.code


@dataclass(frozen=True)
class _Found:
    """What the search for some builds came to; ``plans`` is the cheapest and the next ones."""

    builds: Sequence[str]
    outcome: Outcome
    proof: ProofTable
    plans: Sequence[PlanFile]
    front: Sequence[PlanFile]
    start: Mapping[str, Sequence[BlockAt]]
    goals: Sequence[str]

    @property
    def best(self) -> PlanFile | None:
        return self.plans[0] if self.plans else None

    @property
    def code(self) -> int:
        if self.outcome.verdict is Verdict.CUT_SHORT:
            return CUT_SHORT
        return 0 if self.outcome.verdict is Verdict.CHEAPEST else 1

    def as_json(self) -> dict[str, Any]:
        return plan_json(self.proof, self.best, self.start, self.goals, self.plans[1:], self.front)


@dataclass(frozen=True)
class _Planning:
    """Makes the task for some of the builds, and files of what is found."""

    of: Schemed
    beginning: Beginning
    goals: Sequence[GoalTable]
    avoid: Sequence[str]
    limits: Limits
    search: Searching

    def found(self, builds: Sequence[str]) -> _Found:
        """What one sequence for all of *builds* is."""
        described = self.of.described
        actions = described[builds[0]].actions
        made = made_for(actions, [described[build].game for build in builds])
        goals = of_builds(self.goals, builds)
        task = Task(
            tuple(self.beginning.set_out.starts[build] for build in builds),
            dict(self.beginning.states),
            tuple(action for action in actions if action.name not in self.avoid),
            goals_of(goals),
        )
        outcome = self.search(task, self.limits)

        def file(plan: Plan) -> PlanFile:
            return recorded(
                task,
                plan,
                outcome,
                game=self.of.bridge.schema.file.game.name,
                heap=described[builds[0]].heap,
                goals=goals,
                made=made,
                taken_from=self.beginning.set_out.taken_from,
                avoid=self.avoid,
                most_precise=self.limits.precise,
            )

        proof = ProofTable(
            verdict=outcome.verdict.value, floor=outcome.floor, reason=outcome.reason
        )
        return _Found(
            builds,
            outcome,
            proof,
            list(map(file, outcome.plans)),
            list(map(file, outcome.front)),
            {each.game.build: blocks_of(each.arena, each.game.policy) for each in task.starts},
            [goal.words for goal in goals],
        )


def _avoided(asked: Asked, of: Schemed) -> tuple[Asked, list[str]]:
    """What is to be avoided, as names of actions and as wishes.  Raises LowhalfError."""
    known = [action.name for action in next(iter(of.described.values())).actions]
    names = [text for text in asked.avoid if text in known]
    wishes = [
        Wish(Sort.AVOID, text, f"--avoid {text}") for text in asked.avoid if text not in known
    ]
    for wish in wishes:
        if re.fullmatch(r"[A-Za-z_]\w*", wish.where) and not any(
            wish.where in prepared.layout.symbols or wish.where in of.watches
            for prepared in of.prepared.values()
        ):
            raise LowhalfError(
                f"{wish.given}: the schema has no action {wish.where}{nearest(wish.where, known)}"
            )
    return replace(asked, wishes=[*asked.wishes, *wishes]), names


def _print(found: _Found, apart: Mapping[str, _Found]) -> None:
    if found.best is not None:
        show_plan(found.best)
        _print_further("the next plans", found.plans[1:])
        if len(found.front) > 1:
            _print_further("by how many inputs must be right to the frame", found.front)
        return
    words = proof_words(found.proof)
    if not apart:
        print(printable(words))
        return
    print(printable(f"no one plan is for {', '.join(found.builds)}: {words}"))
    _print_where_they_differ(apart)
    for build, each in apart.items():
        print()
        print(printable(f"{build} alone:"))
        if each.best is None:
            print(printable(proof_words(each.proof)))
        else:
            show_plan(each.best)


def _print_where_they_differ(apart: Mapping[str, _Found]) -> None:
    plans = {build: each.best for build, each in apart.items() if each.best is not None}
    if len(plans) < 2:
        return
    names = {build: [step.action for step in plan.steps] for build, plan in plans.items()}
    for number, here in enumerate(zip_longest(*names.values(), fillvalue="nothing"), 1):
        if len(set(here)) > 1:
            each = zip(names, here, strict=True)
            told = ", ".join(f"{action} on {build}" for build, action in each)
            print(printable(f"they differ from step {number} on: {told}"))
            return
    print(printable(f"{', '.join(plans)} have the same steps"))


def _print_further(words: str, plans: Sequence[PlanFile]) -> None:
    if plans:
        print(f"{words}:")
        rows = [
            [
                cost_words(plan.frames, plan.precise),
                runs_words([step.action for step in plan.steps]),
            ]
            for plan in plans
        ]
        for line in columns(rows):
            print(f"    {line}")


def _keep(arguments: argparse.Namespace, found: _Found, apart: Mapping[str, _Found]) -> None:
    files: list[tuple[str, PlanFile]] = []
    if found.best is not None:
        files = [("", found.best)]
    else:
        files = [(f".{build}", each.best) for build, each in apart.items() if each.best is not None]
    for path, ending, text in (
        (arguments.save, ".plan.toml", plan_text),
        (arguments.html, ".html", page_of),
    ):
        if path is None:
            continue
        if not files:
            tell(f"{path}: nothing to keep, since there is no plan")
        for suffix, plan in files:
            place = path.with_name(_with_build(path.name, suffix, ending))
            keep(place, text(plan), force=arguments.force)
            tell(f"kept in {place}")


def _with_build(name: str, suffix: str, ending: str) -> str:
    stem = name.removesuffix(ending)
    return stem + suffix + name[len(stem) :]
