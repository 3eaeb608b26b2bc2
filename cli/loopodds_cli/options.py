"""Arguments and options that commands share, with what a shell completes for them."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import click
from click.shell_completion import CompletionItem
from loopodds import LoopoddsError

if TYPE_CHECKING:
    from loopodds import Knowledge

    Word = click.ParamType[str]
else:
    Word = click.ParamType  # has no type argument at run time before click 8.2


class CaseType(Word):
    """A case as written on the command line; read by :func:`loopodds_cli.desk.cases.open_case`."""

    name = "case"

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Demo cases after an @, file names otherwise."""
        from loopodds_cli.desk.cases import MARK, demo_names

        if not incomplete.startswith(MARK):
            return [CompletionItem(incomplete, type="file")]
        names = (MARK + name for name in demo_names())
        return [CompletionItem(name) for name in names if name.startswith(incomplete)]


class NameType(Word):
    """A name of the knowledge; ``listing`` picks what the shell offers.

    Parameters
    ----------
    kind : str
        Word for the name in help and messages.
    listing : callable
        From the knowledge to names and their titles.
    """

    def __init__(self, kind: str, listing: Callable[[Knowledge], Mapping[str, str]]) -> None:
        self.name = kind
        self._listing = listing

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Names that begin so; none when the knowledge cannot be read."""
        from loopodds import load_knowledge

        try:
            names = self._listing(load_knowledge(ctx.params.get("knowledge")))
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


def print_json(content: Mapping[str, Any]) -> None:
    """Print one JSON object, indented, numbers in full precision.

    Raises
    ------
    ValueError
        If a number is not finite: the reader could not parse it.
    """
    click.echo(json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False))
