"""A plan as one HTML page that needs nothing else: no network, no script."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from importlib.resources import files

from adapters.commands.planning.stretched import Drawn, Scale, scale_of
from adapters.printable import printable
from adapters.words.plans import alike, change_words, cost_words, proof_words, states_words
from schemas.plan_file import BlockAt, PlanFile

__all__ = ["page_of"]

_KEY = {
    "used": "handed out",
    "used new": "handed out in this step",
    "gone": "released in this step",
    "free": "free",
    "free cut": "free, and longer than it is drawn",
}


def page_of(plan: PlanFile) -> str:
    """The page's text."""
    style = files("adapters.commands.planning").joinpath("plan_page.css").read_text("utf-8")
    title = plan.title or "; ".join(goal.words for goal in plan.goals)
    drawing = _Drawing(
        plan, alike(plan), {each: scale_of(plan, each) for each in plan.start.builds}
    )
    body = "\n".join([*_head(plan, title), *_start(drawing), *_steps(drawing), *_foot(plan)])
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{_text(f'{plan.game}: {title}')}</title>\n<style>\n{style}</style>\n</head>\n"
        f"<body>\n<main>\n{body}\n</main>\n</body>\n</html>\n"
    )


@dataclass(frozen=True)
class _Drawing:
    """A plan, its builds in groups that are drawn by one strip, and each build's scale."""

    plan: PlanFile
    groups: Sequence[Sequence[str]]
    scales: Mapping[str, Scale]


def _text(text: str) -> str:
    return escape(printable(text))


def _head(plan: PlanFile, title: str) -> Iterator[str]:
    steps = len(plan.steps)
    cost = cost_words(plan.frames, plan.precise)
    yield f"<header>\n<h1>{_text(title)}</h1>"
    yield (
        f'<p class="aside">{_text(plan.game)}, {_text(", ".join(plan.start.builds))}: '
        f"{steps} step{'s' * (steps != 1)}, {cost}</p>"
    )
    yield f'<p class="proof">{_text(proof_words(plan.proof))}</p>'
    if plan.title:
        yield "<ul>"
        yield from (f"<li>{_text(goal.words)}</li>" for goal in plan.goals)
        yield "</ul>"
    yield '<ul class="key" aria-label="How to read the strips">'
    for kind, words in _KEY.items():
        yield f'<li><div class="strip"><span class="{kind}"></span></div>{words}</li>'
    yield "</ul>\n</header>"


def _start(drawing: _Drawing) -> Iterator[str]:
    plan = drawing.plan
    yield "<section>\n<h2>Before the first step</h2>"
    yield f'<p class="aside">{_text(_states(plan.start.states))}</p>'
    before = {build: start.blocks for build, start in plan.start.builds.items()}
    yield from _strips(drawing, before, before)
    for build, start in plan.start.builds.items():
        yield f'<p class="aside">{_text(build)}: {_text(start.taken_from)}</p>'
    yield from _tables(before)
    yield "</section>"


def _steps(drawing: _Drawing) -> Iterator[str]:
    plan = drawing.plan
    before = {build: start.blocks for build, start in plan.start.builds.items()}
    states = plan.start.states
    yield '<ol class="steps">'
    for number, step in enumerate(plan.steps, 1):
        yield f"<li>\n<h2>{number}. {_text(step.action)}</h2>"
        becomes = states_words(states, step.states)
        told = cost_words(step.frames, step.precise) + (f"; {becomes}" if becomes else "")
        yield f'<p class="aside">{_text(told)}</p>'
        yield from _strips(drawing, before, step.layouts)
        for first, *_ in drawing.groups:
            changes = change_words(before[first], step.layouts[first])
            on = f"on {first}, " if len(step.layouts) > 1 else ""
            yield f"<p>{_text(on + changes)}</p>"
        yield from _tables(step.layouts)
        yield "</li>"
        before, states = dict(step.layouts), step.states
    yield "</ol>"


def _states(states: dict[str, int]) -> str:
    return ", ".join(f"{name} is {value}" for name, value in states.items())


def _strips(
    drawing: _Drawing,
    before: Mapping[str, Sequence[BlockAt]],
    after: Mapping[str, Sequence[BlockAt]],
) -> Iterator[str]:
    """A strip for all builds that have the same blocks in the same order, to the first's scale."""
    for first, *others in drawing.groups:
        label = _text(first)
        if others:
            label += f'<span class="aside">, {_text(", ".join(others))} alike</span>'
        yield from _strip(drawing, first, label, before[first], after[first])


def _strip(
    drawing: _Drawing,
    build: str,
    label: str,
    before: Sequence[BlockAt],
    after: Sequence[BlockAt],
) -> Iterator[str]:
    scale = drawing.scales[build]
    told = ", ".join(block.owner for block in after)
    yield f'<div class="build">\n<div>{label}</div>'
    yield f'<div class="strip" role="img" aria-label="{_text(f"{len(after)} blocks: {told}")}">'
    had, has = Counter(map(_place, before)), Counter(map(_place, after))
    drawn = list(scale.drawn(after))
    gone = [d for d in scale.drawn(before) if d.block.used and not has[_place(d.block)]]
    yield from (_part("gone", d, scale, named=False) for d in gone)
    for d in drawn:
        kind = "used" if had[_place(d.block)] else "used new"
        yield _part(kind if d.block.used else "free", d, scale)
    yield "</div>"
    yield from _marks(drawing.plan, build, scale)
    yield "</div>"


def _place(block: BlockAt) -> tuple[str, int, int]:
    return block.owner, block.start, block.size


def _part(kind: str, drawn: Drawn, scale: Scale, *, named: bool = True) -> str:
    block = drawn.block
    place = f"left:{_share(drawn.begin, scale)}%;width:{_share(drawn.end - drawn.begin, scale)}%"
    about = f"{block.owner}, 0x{block.size:X} bytes from 0x{block.start:08X}"
    told = block.owner
    if drawn.cut and not block.used:
        kind, told = f"{kind} cut", f"0x{block.size:X} free"
    return (
        f'<span class="{kind}" style="{place}" title="{_text(about)}">'
        f"{f'<b>{_text(told)}</b>' if named else ''}</span>"
    )


def _share(place: int, scale: Scale) -> str:
    return f"{100 * place / scale.length:.3f}"


def _marks(plan: PlanFile, build: str, scale: Scale) -> Iterator[str]:
    """Where something is wanted, under the strip."""
    yield '<div class="marks">'
    for goal in plan.goals:
        wanted = goal.spans.get(build, (goal.addresses.get(build, -1),))[0]
        if scale.marks[0] <= wanted < scale.marks[-1]:
            place = scale.place(wanted)
            side = ' class="turned"' if 2 * place > scale.length else ""
            words = f"{goal.kind or goal.sort} 0x{wanted:08X}"
            told = f"{words} ▲" if side else f"▲ {words}"
            yield f'<span{side} style="left:{_share(place, scale)}%">{_text(told)}</span>'
    yield "</div>"


def _tables(layouts: Mapping[str, Sequence[BlockAt]]) -> Iterator[str]:
    yield "<details>\n<summary>All blocks</summary>"
    for build, blocks in layouts.items():
        yield f"<table>\n<caption>{_text(build)}</caption>"
        yield "<thead><tr><th>start</th><th>size</th><th>owner</th></tr></thead>\n<tbody>"
        for block in blocks:
            owner = block.owner if block.used else ""
            yield (
                f"<tr><td>0x{block.start:08X}</td><td>0x{block.size:X}</td>"
                f"<td>{_text(owner)}</td></tr>"
            )
        yield "</tbody>\n</table>"
    yield "</details>"


def _foot(plan: PlanFile) -> Iterator[str]:
    yield "<section>\n<h2>What was asked</h2>\n<ul>"
    yield from (f"<li><code>{_text(goal.given)}</code></li>" for goal in plan.goals if goal.given)
    yield "</ul>"
    if plan.avoid:
        yield f"<p>Without {_text(', '.join(plan.avoid))}</p>"
    digests = {"actions": plan.made_for.actions, **plan.made_for.builds}
    told = ", ".join(f"{name} {digest}" for name, digest in digests.items())
    yield f'<p class="aside">Made for: {_text(told)}</p>\n</section>'
