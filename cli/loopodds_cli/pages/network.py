"""Pages of ``loopodds network``: the list of nodes, and one node with all its numbers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from loopodds import AGREES_WITHIN, Gauge, Graded, Levels, Node, Tabular, parents_of, spaced
from rich.text import Text

from loopodds_cli.pages.page import FAINT, STRONG, Cell, Page

if TYPE_CHECKING:
    from loopodds import Grounds, Knowledge, Verification

KINDS = {
    "fault": "Faults",
    "mechanism": "Effects between faults and what is seen",
    "history": "History",
    "finding": "Findings",
    "gauge": "Readings",
}
LETTERS = "abcdefghijklmnopqrstuvwxyz"


def print_nodes(knowledge: Knowledge) -> None:
    """Every node by kind and group, with its title."""
    page = Page()
    margin = max(map(len, knowledge.nodes))
    for kind, heading in KINDS.items():
        nodes = knowledge.of_kind(kind)
        page.heading(heading, f"{len(nodes)}")
        for group in dict.fromkeys(node.group for node in nodes.values()):
            page.line(Text(group, FAINT))
            page.rows([(n.name.ljust(margin), n.title) for n in nodes.values() if n.group == group])
    page.heading("Version of the knowledge", knowledge.digest)


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
    rows += [
        (
            str(check.rows),
            f"{check.posterior:.1e}",
            f"{check.log_evidence:.1e}",
            ", ".join(check.context.values()),
        )
        for check in result.contexts
    ]
    page.rows(rows, right=(0,))
    verdict = "They agree" if result.agrees else "THEY DO NOT AGREE"
    page.line(f"{verdict}: largest difference {result.largest:.1e}, allowed {AGREES_WITHIN:.0e}.")


class _Line(NamedTuple):
    """One line of numbers: its cells, and where they come from (None for a heading)."""

    cells: tuple[str, ...]
    grounds: Grounds | None


class _Footnotes:
    """Letters for the grounds of numbers, in the order they are met."""

    def __init__(self) -> None:
        self.known: list[Grounds] = []

    def mark(self, grounds: Grounds) -> Text:
        if grounds not in self.known:
            self.known.append(grounds)
        return Text(f"[{LETTERS[self.known.index(grounds) % len(LETTERS)]}]", FAINT)


def print_node(node: Node, knowledge: Knowledge, context: Mapping[str, str]) -> None:
    """One node: what it is, what it depends on, its numbers and where they come from.

    Args:
        context: Shows the numbers that hold in it; empty shows them all.
    """
    page = Page()
    settings = [context["setting"]] if "setting" in context else []
    settings = settings or list(knowledge.contexts["setting"].values)
    page.line(Text(node.name, STRONG), Text(f" {node.title}"))
    page.line(node.about)
    _facts(page, node, knowledge)
    notes = _Footnotes()
    shown = node.in_context(context)
    page.heading("Numbers", ", ".join(context.values()))
    page.line(_how_to_read(shown))
    _print_lines(page, _lines(shown, settings), notes)
    for variant in () if context else node.variants:
        page.heading("Different numbers", f"when {_when(variant.when)}")
        usual = _lines(node, settings)
        there = _lines(node.in_context(variant.when), settings)
        changed = [line for line in there if line.grounds is None or line not in usual]
        _print_lines(page, changed, notes)
    page.heading("Where the numbers come from", "weight: for how many cars seen they count")
    page.rows([_footnote(notes, grounds, knowledge) for grounds in notes.known])


def _footnote(notes: _Footnotes, grounds: Grounds, knowledge: Knowledge) -> Sequence[Cell]:
    source = knowledge.sources.get(grounds.source)
    title = f"{source.title} ({source.year})" if source else "not in sources.toml (-)"
    return (
        notes.mark(grounds),
        grounds.source,
        f"{title}; {grounds.grade}, weight {grounds.weight:g}",
    )


def _facts(page: Page, node: Node, knowledge: Knowledge) -> None:
    facts = {
        "kind": f"{node.kind}, {node.group}",
        "states": ", ".join(node.states),
        "conditions": "; ".join(f"{n} ({', '.join(s)})" for n, s in node.conditions.items()),
        "a complaint": ", ".join(node.complaint),
        "depends on": ", ".join(parents_of(node)),
        "weakened": _weakened(node),
        "acts on": ", ".join(knowledge.children_of(node.name)),
        "test": ", ".join(_tests_of(node, knowledge)),
        "says nothing": "; ".join(f"{n} {' or '.join(s)}" for n, s in node.masked_by.items()),
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
        transform = spaced(node.transform)
        return (
            f"In {node.scale} ({transform}); a sound loop at 25 degC and 50 % humidity. Shifts add."
        )
    if isinstance(node, Graded):
        return "In %. What each cause does alone, all others shut off; the strongest level wins."
    return "In %. The first line that fits holds."


def _lines(node: Node, settings: Sequence[str]) -> list[_Line]:
    """All numbers of a node, a line each, the heading of their columns first."""
    if isinstance(node, Gauge):
        return [*_gauge_lines(node)]
    blocks = _blocks(node)
    lines = [_Line(("", "", *node.states), None)]
    for label, levels, grounds in blocks:
        for setting, p in _by_setting(levels, settings):
            lines.append(_Line((label, setting, *(f"{100 * x:.3g}" for x in p)), grounds))
    return lines


def _print_lines(page: Page, lines: Sequence[_Line], notes: _Footnotes) -> None:
    rows: list[Sequence[Cell]] = []
    above = ""
    for cells, grounds in lines:
        label = "" if cells[0] == above else cells[0]
        mark = notes.mark(grounds) if grounds is not None else ""
        rows.append((label, *cells[1:], mark))
        above = cells[0]
    page.rows(rows, right=range(2, len(rows[0]) - 1))


def _by_setting(levels: Levels, settings: Sequence[str]) -> list[tuple[str, tuple[float, ...]]]:
    """Settings and their numbers; one line without a name where they are all the same."""
    if isinstance(levels, Mapping):
        return [(setting, levels[setting]) for setting in settings]
    return [("", levels)]


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


def _gauge_lines(node: Gauge) -> Iterator[_Line]:
    unit = node.scale
    for sound in node.sound:
        slopes = f"; {sound.per_ambient:+g} per K, {sound.per_humidity:+g} per % humidity"
        text = f"{sound.expected:g} {unit}{slopes}{_spread(sound.spread)}"
        yield _Line((f"sound {_when(sound.when)}".rstrip(), text), sound.grounds_in(node))
    for shift in node.shifts:
        where = f" ({_when(shift.when)})" if shift.when else ""
        for state, (mean, spread) in shift.shift.items():
            text = f"{mean:+g} {unit}{_spread(spread)}"
            yield _Line((f"{shift.parent} {state}{where}", text), shift.grounds_in(node))
    for override in node.overrides:
        mean, spread = override.shift
        text = f"{mean:+g} {unit} whatever else{_spread(spread)}"
        yield _Line((_when(override.when), text), override.grounds_in(node))
    yield _Line(("spread of a sound loop", f"{node.spread:g} {unit}"), node.grounds)
    slips = node.misreading
    misread = f"{100 * slips.share:g} % of readings, spread {slips.spread:g} {unit}"
    yield _Line(("misreadings", misread), node.grounds)
    yield _Line(("words", _words(node)), node.grounds)


def _spread(spread: float) -> str:
    return f", spread {spread:g}" if spread else ""


def _words(node: Gauge) -> str:
    """Words with the cuts between them: low | -12 | normal | +8 | high."""
    parts = [node.states[0]]
    for cut, word in zip(node.cuts, node.states[1:], strict=True):
        parts += [f"{cut:+g}", word]
    return " | ".join(parts)


def _when(when: Mapping[str, str]) -> str:
    return ", ".join(f"{name} {state}" for name, state in when.items())
