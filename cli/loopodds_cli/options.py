"""Arguments and options that commands share, with what a shell completes for them."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import click
from click.shell_completion import CompletionItem
from loopodds import LoopoddsError

if TYPE_CHECKING:
    from loopodds import Inspection, Knowledge

    Word = click.ParamType[str]
else:
    Word = click.ParamType  # has no type argument at run time before click 8.2


class CaseType(Word):
    """A case as written on the command line; read by :func:`open_case`."""

    name = "case"

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Demo cases after an @, file names otherwise."""
        from loopodds import demo_cases

        if not incomplete.startswith("@"):
            return [CompletionItem(incomplete, type="file")]
        return [CompletionItem(name) for name in demo_cases() if name.startswith(incomplete)]


class NameType(Word):
    """A name of the knowledge; ``listing`` picks what the shell offers.

    Args:
        kind: Word for the name in help and messages.
        listing: From the knowledge to names and their titles.
    """

    def __init__(self, kind: str, listing: Callable[[Knowledge], Mapping[str, str]]) -> None:
        self.name = kind
        self._listing = listing

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Names that begin so; none when the knowledge cannot be read."""
        from loopodds import Knowledge

        try:
            names = self._listing(Knowledge(ctx.params.get("knowledge")))
        except LoopoddsError:
            return []
        return [
            CompletionItem(name, help=title)
            for name, title in names.items()
            if name.startswith(incomplete)
        ]


NODE = NameType("node", lambda knowledge: {n: v.title for n, v in knowledge.nodes.items()})
CONDITION = NameType(
    "condition", lambda knowledge: {n: c.variable for n, c in knowledge.conditions.items()}
)
TEST = NameType("test", lambda knowledge: {n: t.title for n, t in knowledge.tests.items()})

case_argument = click.argument("case", metavar="CASE", type=CaseType())

json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON instead of a page.")

knowledge_option = click.option(
    "--knowledge",
    metavar="FOLDER",
    type=click.Path(exists=True, file_okay=False),
    help="Knowledge files to use instead of the shipped ones.",
)

prices_option = click.option(
    "--prices",
    metavar="FILE",
    type=click.Path(exists=True, dir_okay=False),
    envvar="LOOPODDS_PRICES",
    help="Price file of the workshop (TOML) in place of the shipped, invented prices; "
    "also LOOPODDS_PRICES, which the case book goes by.",
)

done_option = click.option(
    "--done",
    metavar="TEST",
    type=TEST,
    multiple=True,
    help="A test already done, also if nothing of it was recorded; in order, may be repeated. "
    "With a case of the book, besides those recorded there.",
)

lookahead_option = click.option(
    "--lookahead",
    metavar="N",
    type=click.IntRange(1, 3),
    default=1,
    show_default=True,
    help="Plan sequences of up to N tests; pairs are always tried before saying stop.",
)

picture_option = click.option(
    "--picture",
    metavar="FILE",
    type=click.Path(dir_okay=False),
    help="Also draw it, as SVG.",
)


def open_case(case: str, knowledge: Knowledge) -> Inspection:
    """Inspection that a CASE argument names; a dash is standard input.

    Raises:
        LoopoddsError: if there is no such case, or something in it cannot be used.
    """
    from loopodds import read_case

    return read_case(sys.stdin if case == "-" else case, knowledge)


def print_json(content: Mapping[str, Any]) -> None:
    """Print one JSON object, indented, numbers in full precision.

    Raises:
        ValueError: if a number is not finite: the reader could not parse it.
    """
    click.echo(json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False))
