"""Pages of ``loopodds network``: the list of nodes, and one node with all its numbers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from string import ascii_lowercase
from typing import TYPE_CHECKING, Any

from loopodds import (
    AGREES_WITHIN,
    Gauge,
    Graded,
    Levels,
    Node,
    Tabular,
    parents_of,
    printable,
    spaced,
)
from rich.text import Text

from loopodds_cli.screen.page import FAINT, STRONG, Cell, Page

if TYPE_CHECKING:
    from loopodds import Grounds, Knowledge, Named, Verification

KINDS = {
    "fault": "Faults",
    "mechanism": "Effects between faults and what is seen",
    "history": "History",
    "finding": "Findings",
    "gauge": "Readings",
}
UNWRITTEN = {"test": "done: --done {} with assess, next and plan"}
NOWHERE = "in no case file"
Line = tuple[tuple[str, ...], "Grounds | None"]
"""Cells of one line of numbers, and where they come from (None for a heading)."""


def print_nodes(knowledge: Knowledge) -> None:
    """Every node by kind and group, with its title."""
    page = Page()
    margin = max(map(len, knowledge.nodes))
    for kind, heading in KINDS.items():
        nodes = knowledge.of_kind(kind)
        page.heading(heading, f"{len(nodes)}")
        for group in dict.fromkeys(node.group for node in nodes.values()):
            page.aside(group, indent=1)
            page.rows([(n.name.ljust(margin), n.title) for n in nodes.values() if n.group == group])
    page.heading("Version of the knowledge", knowledge.digest)


def print_found(found: Sequence[Named], words: str) -> None:
    """What was found by some words: what it is, and how a case file says it."""
    page = Page()
    page.heading(f"Found by {printable(words)!r}", f"{len(found)}")
    for name in found:
        page.rows([(Text(name.name, STRONG), Text(name.kind, FAINT), name.title)])
        for line in name.written or (UNWRITTEN.get(name.kind, NOWHERE).format(name.name),):
            page.line(line, indent=6)
    if not found:
        page.line("Nothing has these words in its name or text; fewer words find more.")


def node_data(node: Node, knowledge: Knowledge) -> dict[str, Any]:
    """Plain data of one node: what its file says, and what it is joined to."""
    return {
        "name": node.name,
        "kind": node.kind,
        "file": node.file,
        "states": list(node.states),
        "conditions": {name: list(states) for name, states in node.conditions.items()},
        "parents": list(parents_of(node)),
        "children": list(knowledge.children_of(node.name)),
        "tests": _tests_of(node, knowledge),
        "entry": node.as_json(),
    }


def _tests_of(node: Node, knowledge: Knowledge) -> list[str]:
    return [test.name for test in knowledge.tests.values() if node.name in test.yields]


def print_verification(result: Verification) -> None:
    """What became of a comparison with pgmpy, context by context."""
    page = Page()
    page.heading("Our engine and pgmpy", f"{result.rows} random cars, seed {result.seed}")
    rows: list[Sequence[Cell]] = [(Text("cars", FAINT), "posteriors", "log evidence", "context")]
    for context, cars, posterior, log_evidence in result.contexts:
        stated = ", ".join(context.values())
        rows.append((str(cars), f"{posterior:.1e}", f"{log_evidence:.1e}", stated))
    page.rows(rows, right=(0,))
    verdict = "They agree" if result.agrees else "THEY DO NOT AGREE"
    page.line(f"{verdict}: largest difference {result.largest:.1e}, allowed {AGREES_WITHIN:.0e}.")


def _mark(grounds: Grounds, notes: list[Grounds]) -> Text:
    """The letter of some grounds; notes grow in the order in which they are met."""
    if grounds not in notes:
        notes.append(grounds)
    return Text(f"[{ascii_lowercase[notes.index(grounds) % 26]}]", FAINT)


def print_node(node: Node, knowledge: Knowledge, context: Mapping[str, str]) -> None:
    """One node: what it is, what it depends on, its numbers and where they come from.

    The numbers are those that hold in a context; all of them where it is empty.
    """
    page = Page()
    notes: list[Grounds] = []
    page.line(Text(node.name, STRONG), Text(f" {node.title}"))
    page.line(node.about)
    _facts(page, node, knowledge)
    shown = node.in_context(context)
    page.heading("Numbers", ", ".join(context.values()))
    page.line(_how_to_read(shown))
    _print_lines(page, _lines(shown), notes)
    for variant in () if context else node.variants:
        page.heading("Different numbers", f"when {_when(variant.when)}")
        usual = _lines(node)
        there = _lines(node.in_context(variant.when))
        changed = [line for line in there if line[1] is None or line not in usual]
        _print_lines(page, changed, notes)
    page.heading("Where the numbers come from", "weight: for how many cars seen they count")
    rows = []
    for grounds in notes:
        source = knowledge.sources.get(grounds.source)
        title = f"{source.title} ({source.year})" if source else "not in sources.toml (-)"
        held = f"{title}; {grounds.grade}, weight {grounds.weight:g}"
        rows.append((_mark(grounds, notes), grounds.source, held))
    page.rows(rows)


def _facts(page: Page, node: Node, knowledge: Knowledge) -> None:
    facts = {
        "kind": f"{node.kind}, {node.group}",
        "states": ", ".join(node.states),
        "conditions": "; ".join(f"{n} ({', '.join(s)})" for n, s in node.conditions.items()),
        "a complaint": ", ".join(node.complaint),
        "brings in": ", ".join(f"{s} {100 * p:g} %" for s, p in node.brings_in.items()),
        "depends on": ", ".join(parents_of(node)),
        "weakened": _weakened(node),
        "acts on": ", ".join(knowledge.children_of(node.name)),
        "test": ", ".join(_tests_of(node, knowledge)),
        "says nothing": "; ".join(f"{n} {' or '.join(s)}" for n, s in node.masked_by.items()),
        "not seen": "; ".join(
            f"{100 * chance:g} % at {name} {state}"
            for name, states in node.veiled_by.items()
            for state, chance in states.items()
        ),
        "file": node.file,
    }
    page.rows([(Text(key, FAINT), value) for key, value in facts.items() if value])


def _weakened(node: Node) -> str:
    """Causes that something makes less visible, and by what factor."""
    if not isinstance(node, Graded):
        return ""
    return "; ".join(
        f"{cause.parent} x {factor:g} by {parent} {state}"
        for cause in node.causes
        for parent, factors in cause.weakened_by.items()
        for state, factor in factors.items()
    )


def _how_to_read(node: Node) -> str:
    if isinstance(node, Gauge):
        scale = f"{node.scale} ({spaced(node.transform)})"
        return f"In {scale}; a sound loop at 25 degC and 50 % humidity. Shifts add."
    if isinstance(node, Graded):
        return "In %. What each cause does alone, all others shut off; the strongest level wins."
    return "In %. The first line that fits holds."


def _lines(node: Node) -> list[Line]:
    """All numbers of a node, a line each, the heading of their columns first."""
    if isinstance(node, Gauge):
        return [*_gauge_lines(node)]
    lines: list[Line] = [(("", *node.states), None)]
    for label, levels, grounds in _blocks(node):
        lines.append(((label, *(f"{100 * x:.3g}" for x in levels)), grounds))
    return lines


def _print_lines(page: Page, lines: Sequence[Line], notes: list[Grounds]) -> None:
    rows: list[Sequence[Cell]] = []
    above = ""
    for (label, *cells), grounds in lines:
        mark = _mark(grounds, notes) if grounds is not None else ""
        rows.append(("" if label == above else label, *cells, mark))
        above = label
    # probabilities, but not the one text of a gauge
    page.rows(rows, right=range(1, len(rows[0]) - 1) if len(rows[0]) > 3 else ())


def _blocks(node: Node) -> Iterator[tuple[str, Levels, Grounds]]:
    """Lists of probabilities with what they are given for, and where they come from."""
    if isinstance(node, Tabular):
        for row in node.rows:
            yield _when(row.when) or "otherwise", row.p, row.grounds_in(node)
    elif isinstance(node, Graded):
        yield "no modelled cause", node.leak.p, node.leak.grounds_in(node)
        for cause in node.causes:
            for state, levels in cause.effects.items():
                yield f"{cause.parent} {state}", levels, cause.grounds_in(node)


def _gauge_lines(node: Gauge) -> Iterator[Line]:
    unit = node.scale
    for sound in node.sound:
        slopes = f"; {sound.per_ambient:+g} per K, {sound.per_humidity:+g} per % humidity"
        text = f"{sound.expected:g} {unit}{slopes}{_spread(sound.spread)}"
        yield ((f"sound {_when(sound.when)}".rstrip(), text), sound.grounds_in(node))
    for shift in node.shifts:
        where = f" ({_when(shift.when)})" if shift.when else ""
        for state, (mean, spread) in shift.shift.items():
            text = f"{mean:+g} {unit}{_spread(spread)}"
            yield ((f"{shift.parent} {state}{where}", text), shift.grounds_in(node))
    yield from _table_lines(node)
    for override in node.overrides:
        mean, spread = override.shift
        text = f"{mean:+g} {unit} whatever else{_spread(spread)}"
        yield ((_when(override.when), text), override.grounds_in(node))
    yield (("spread of a sound loop", f"{node.spread:g} {unit}"), node.grounds)
    slips = node.misreading
    misread = f"{100 * slips.share:g} % of readings, spread {slips.spread:g} {unit}"
    yield (("misreadings", misread), node.grounds)
    yield (("words", _words(node)), node.grounds)


def _table_lines(node: Gauge) -> Iterator[Line]:
    """What is worked out for a gauge, as far as it holds: kinds of car, and the reach of shifts."""
    if node.tables is None:
        return
    kinds, unit = node.tables.sound, node.scale
    if kinds:
        over = ", ".join(spaced(name) for name in kinds[0].over)
        text = f"worked out for {len(kinds)} kinds of car over {over}: see loopodds gauges"
        yield (("sound", text), kinds[0].grounds_in(node))
    own = {shift.parent for shift in node.shifts if not shift.when}
    reach: dict[tuple[str, str], list[float]] = {}
    for shift in node.tables.shifts:
        for state, (mean, _) in shift.shift.items():
            if shift.parent not in own:
                reach.setdefault((shift.parent, state), []).append(mean)
    grounds = node.tables.shifts[0].grounds_in(node) if node.tables.shifts else node.grounds
    for (parent, state), means in reach.items():
        text = f"{min(means):+g} to {max(means):+g} {unit} by kind of car and weather"
        yield ((f"{parent} {state}", text), grounds)
    if node.tables.together:
        text = f"{len(node.tables.together)} pairs of states add to their sum"
        yield (("together", text), grounds)


def _spread(spread: float) -> str:
    return f", spread {spread:g}" if spread else ""


def _words(node: Gauge) -> str:
    """Words with the cuts between them: low | -12 | normal | +8 | high."""
    pairs = zip(node.cuts, node.states[1:], strict=True)
    return " | ".join([node.states[0], *(f"{cut:+g} | {word}" for cut, word in pairs)])


def _when(when: Mapping[str, str]) -> str:
    return ", ".join(f"{name} {state}" for name, state in when.items())
