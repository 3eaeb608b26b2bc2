"""``loopodds network``: the knowledge, listed, shown, checked and exported."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from loopodds import UNSAFE_NOTE, unknown_name

from loopodds_cli.options import (
    NODE,
    WritingCommand,
    common_options,
    is_unsafe,
    number_option,
    output_option,
    print_json,
    print_or_write,
)
from loopodds_cli.terminal import say

if TYPE_CHECKING:
    from loopodds import Knowledge, Size


@click.command(cls=WritingCommand)
@click.argument("node", required=False, type=NODE)
@click.option(
    "--search", metavar="WORDS", help="Find names by words in name, title, question, states, text."
)
@output_option("--draw", "Draw NODE with all that it is joined to, as SVG.")
@click.option("--check", is_flag=True, help="Check that everything fits together.")
@click.option(
    "--verify",
    is_flag=True,
    help="Put random cars to this engine and to pgmpy, and compare all probabilities.",
)
@number_option("--rows", 1, None, "Cars of --verify, shared among a few contexts.", default=20)
@number_option("--seed", 0, None, "Seed of --verify: the same seed draws the same cars.", default=1)
@click.option(
    "--compare",
    "other",
    metavar="FOLDER",
    type=click.Path(exists=True, file_okay=False),
    help="Show what is other in FOLDER: numbers and weights, list by list.",
)
@output_option("--export", "Write the whole network in the BIF format; - is standard output.")
@click.option(
    "--context",
    "contexts",
    metavar="NAME=VALUE",
    multiple=True,
    help="Fix a context, such as setting=routine. May be repeated.",
)
@common_options
@click.pass_context
def command(
    ctx: click.Context,
    node: str | None,
    search: str | None,
    draw: str | None,
    check: bool,
    verify: bool,
    rows: int,
    seed: int,
    other: str | None,
    export: str | None,
    contexts: tuple[str, ...],
    as_json: bool,
    knowledge: str | None,
) -> None:
    """List, search, show, draw, check or export the knowledge.

    Without a NODE every node is listed by group. With one, it is shown with what it depends on,
    its numbers, where they come from and how strongly they are held.

    \b
    Example:
      loopodds network sample_bubbles
      loopodds network --search "sight glass"
      loopodds network moisture --draw moisture.svg
      loopodds network --check
      loopodds network --verify --rows 40
      loopodds network --compare learnt
      loopodds network --export net.bif --context setting=routine
    """
    if sum([check, verify, *(given is not None for given in (node, search, other, export))]) > 1:
        raise click.UsageError(
            "give only one of NODE, --search, --check, --verify, --compare and --export"
        )
    if draw is not None and node is None:
        raise click.UsageError("--draw needs a NODE: what it is joined to is drawn")
    if check:
        ctx.exit(_check(knowledge, as_json))
    if verify:
        ctx.exit(_verify(knowledge, rows, seed, as_json))
    from loopodds import Knowledge

    from loopodds_cli.numbers.network_page import node_data, print_node, print_nodes

    known = Knowledge(knowledge)
    context = _context(contexts, known)
    if search is not None:
        _search(search, as_json, known)
    elif other is not None:
        _compare(known, Knowledge(other), as_json)
    elif export is not None:
        _export(export, context, known)
    elif node is not None and draw is not None:
        _draw(draw, node, as_json, known)
    elif node is not None and as_json:
        print_json(node_data(known.node(node), known))
    elif node is not None:
        print_node(known.node(node), known, context)
    elif as_json:
        print_json({"digest": known.digest, "nodes": _listed(known)})
    else:
        print_nodes(known)


def _check(folder: str | None, as_json: bool) -> int:
    """Print every problem, and how large knowledge without errors is; the exit code."""
    from loopodds import Knowledge, lint, size_of, wording_slips

    problems = lint(folder)
    if all(problem.warning for problem in problems):
        problems += wording_slips(Knowledge(folder), folder)
    errors = [problem for problem in problems if not problem.warning]
    size = None if errors else size_of(Knowledge(folder))
    shipped = None if errors or folder is None else size_of(Knowledge())
    if as_json:
        names = ("file", "name", "text", "warning")
        sizes = {"size": size, "shipped_size": shipped}
        print_json(
            {"problems": [{n: getattr(p, n) for n in names} for p in problems]}
            | {key: one._asdict() for key, one in sizes.items() if one}
        )
    else:
        if is_unsafe():
            click.echo(UNSAFE_NOTE)
        for problem in problems:
            click.echo(str(problem))
        warnings = len(problems) - len(errors)
        click.echo(f"{len(errors)} problems, {warnings} warnings", err=bool(errors))
        if size:
            say(_size_text(size, shipped))
    return 1 if errors else 0


def _size_text(size: Size, shipped: Size | None) -> str:
    """How large the knowledge is, and by how much larger than what is shipped."""
    text = f"{size.nodes} nodes, a tree of {size.configurations:,} configurations"
    if shipped is None:
        return text
    more = size.configurations - shipped.configurations
    return f"{text}; against the shipped {size.nodes - shipped.nodes:+d} and {more:+,d}"


def _verify(folder: str | None, rows: int, seed: int, as_json: bool) -> int:
    """Compare with pgmpy and print the differences; the exit code."""
    from loopodds import Knowledge, verify

    from loopodds_cli.numbers.network_page import print_verification

    with _counted(rows) as watch:
        result = verify(Knowledge(folder), rows, seed, watch)
    if as_json:
        print_json(result.as_json())
    else:
        print_verification(result)
    return 0 if result.agrees else 1


@contextmanager
def _counted(rows: int) -> Iterator[Callable[[int], None] | None]:
    """A bar with the cars done, if standard error is a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("cars", total=rows)
        yield lambda done: bar.update(task, completed=done)


def _context(pairs: tuple[str, ...], knowledge: Knowledge) -> dict[str, str]:
    """Contexts from NAME=VALUE."""
    choices = {name: c.values for name, c in knowledge.contexts.items() if c.values}
    context = {}
    for pair in pairs:
        name, equals, value = pair.partition("=")
        if not equals:
            raise click.UsageError(f"--context {pair!r}: NAME=VALUE expected")
        if name not in choices:
            raise unknown_name("context", name, choices)
        if value not in choices[name]:
            raise unknown_name(f"value of {name}", value, choices[name])
        context[name] = value
    return context


def _search(words: str, as_json: bool, knowledge: Knowledge) -> None:
    """Names found by words, the best first."""
    from loopodds import names_with

    from loopodds_cli.numbers.network_page import print_found

    if not words.strip():
        raise click.UsageError("--search needs a word, as --search oil")
    found = names_with(words, knowledge)
    if as_json:
        print_json({"words": words, "found": [name._asdict() for name in found]})
    else:
        print_found(found, words)


def _compare(known: Knowledge, other: Knowledge, as_json: bool) -> None:
    """What is other, the list that moved furthest first."""
    from loopodds import changes_between

    from loopodds_cli.numbers.learning_page import print_changes

    changes = changes_between(known, other)
    if as_json:
        print_json({"changes": [change.as_json() for change in changes]})
    else:
        print_changes(changes)


def _export(path: str, context: dict[str, str], knowledge: Knowledge) -> None:
    from loopodds import build_network, write_bif

    for name, stated in knowledge.contexts.items():
        if stated.values and not stated.shares and name not in context:
            options = " or ".join(f"{name}={value}" for value in stated.values)
            raise click.UsageError(f"--export needs --context {options}")
    text = write_bif(build_network(knowledge, context))
    print_or_write(path, text)


def _draw(path: str, name: str, as_json: bool, knowledge: Knowledge) -> None:
    """Draw a node with what it is joined to, and say in words what the picture shows."""
    from loopodds import network_picture, write_whole

    picture = network_picture(name, knowledge)
    write_whole(Path(path), picture.svg)
    if as_json:
        print_json({"picture": path, "shows": picture.alt})
    else:
        say(f"{path}: {picture.alt}")


def _listed(knowledge: Knowledge) -> list[dict[str, Any]]:
    from loopodds import parents_of

    keys = ("name", "kind", "group", "title", "states")
    return [
        {key: getattr(node, key) for key in keys} | {"parents": parents_of(node)}
        for node in knowledge.nodes.values()
    ]
