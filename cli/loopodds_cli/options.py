"""Arguments and options that commands share, with what a shell completes for them."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.shell_completion import CompletionItem
from loopodds import UNSAFE_NOTE, LoopoddsError

if TYPE_CHECKING:
    from loopodds import Inspection, Knowledge

    Word = click.ParamType[str]
else:
    Word = click.ParamType  # has no type argument at run time before click 8.2

Function = Callable[..., None]
Decorator = Callable[[Function], Function]


def completions(titles: Mapping[str, str], begun: str) -> list[CompletionItem]:
    """Names with their titles, as far as they begin so."""
    return [CompletionItem(n, help=title) for n, title in titles.items() if n.startswith(begun)]


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
    """A name, by its kind in messages; ``listing`` gives the names to offer with their titles."""

    def __init__(self, kind: str, listing: Callable[[click.Context], Mapping[str, str]]) -> None:
        self.name = kind
        self._listing = listing

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Names that begin so; none when the knowledge cannot be read."""
        try:
            return completions(self._listing(ctx), incomplete)
        except LoopoddsError:
            return []


def chosen_knowledge(ctx: click.Context) -> Knowledge:
    """The knowledge that a command line being completed asks for."""
    from loopodds import Knowledge

    return Knowledge(ctx.params.get("knowledge"))


NODE = NameType("node", lambda ctx: {n: v.title for n, v in chosen_knowledge(ctx).nodes.items()})
CONDITION = NameType(
    "condition", lambda ctx: {n: c.variable for n, c in chosen_knowledge(ctx).conditions.items()}
)
TEST = NameType("test", lambda ctx: {n: t.title for n, t in chosen_knowledge(ctx).tests.items()})


def file_option(name: str, help: str, exists: bool = False, **settings: Any) -> Decorator:
    """Option that names a file, not a folder."""
    kind = click.Path(exists=exists, dir_okay=False)
    return click.option(name, metavar="FILE", type=kind, help=help, **settings)


class Output(click.Path):
    """A file that a command writes."""

    def __init__(self) -> None:
        super().__init__(dir_okay=False, allow_dash=True)


class WritingCommand(click.Command):
    """Command whose outputs are checked against all that it reads, before anything is done."""

    def invoke(self, ctx: click.Context) -> Any:
        """Check every path of the call, the case book among them, then do as click does."""
        given = [(p, ctx.params.get(p.name or "")) for p in self.params]
        outputs = {
            parameter.opts[0]: Path(path)
            for parameter, path in given
            if isinstance(parameter.type, Output) and path not in (None, "-")
        }
        if outputs:
            self._check(outputs, given, ctx.params.get("book"))
        return super().invoke(ctx)

    def _check(
        self, outputs: dict[str, Path], given: Sequence[tuple[click.Parameter, Any]], book: Any
    ) -> None:
        from loopodds import book_path, check_outputs

        kept = book_path(book)
        read = [kept, *(Path(f"{kept}{end}") for end in ("-wal", "-shm"))]
        for parameter, value in given:
            if isinstance(parameter.type, click.Path | CaseType) and not isinstance(
                parameter.type, Output
            ):
                names = value if isinstance(value, tuple) else (value,)
                read += [Path(name) for name in names if name and os.path.exists(name)]
        check_outputs(outputs, read)


def output_option(name: str, help: str) -> Decorator:
    """Option that names a file to be written by a :class:`WritingCommand`."""
    return click.option(name, metavar="FILE", type=Output(), help=help)


def number_option(
    name: str, least: int, most: int | None, help: str, default: int | None = None, **settings: Any
) -> Decorator:
    """Option for a whole number; the help shows its default unless that is none or 0."""
    kind, show = click.IntRange(least, most), bool(default)
    return click.option(name, type=kind, default=default, show_default=show, help=help, **settings)


case_argument = click.argument("case", metavar="CASE", type=CaseType())

json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON instead of a page.")

UNSAFE = "loopodds.unsafe"


def is_unsafe() -> bool:
    """Whether the command running takes knowledge that may break the safety rules."""
    ctx = click.get_current_context(silent=True)
    return ctx is not None and UNSAFE in ctx.meta


def _take_unsafe(ctx: click.Context, _: click.Parameter, given: bool) -> None:
    if given:
        ctx.meta[UNSAFE] = True


def _trusted(ctx: click.Context, _: click.Parameter, folder: str | None) -> str | None:
    """The folder, marked where --unsafe was given with it."""
    if not is_unsafe() or ctx.resilient_parsing:
        return folder
    if folder is None:
        raise click.UsageError("--unsafe goes with --knowledge FOLDER")
    from loopodds import UnsafeFolder

    return UnsafeFolder(folder)


def knowledge_option(function: Function) -> Function:
    """``--knowledge`` with ``--unsafe``, which is told with the folder."""
    unsafe = click.option(
        "--unsafe",
        is_flag=True,
        is_eager=True,
        expose_value=False,
        callback=_take_unsafe,
        help="Use that knowledge though it breaks safety rules; every screen then says so.",
    )
    folder = click.option(
        "--knowledge",
        metavar="FOLDER",
        type=click.Path(exists=True, file_okay=False),
        callback=_trusted,
        help="Knowledge files to use instead of the shipped ones.",
    )
    return folder(unsafe(function))


def common_options(function: Function) -> Function:
    """Both of these, which nearly every command has."""
    return json_option(knowledge_option(function))


prices_option = file_option(
    "--prices",
    "Price file of the workshop (TOML) in place of the shipped, invented prices; also "
    "LOOPODDS_PRICES, which the case book goes by.",
    exists=True,
    envvar="LOOPODDS_PRICES",
)

done_option = click.option(
    "--done",
    metavar="TEST",
    type=TEST,
    multiple=True,
    help="A test already done, also if nothing of it was recorded; in order, may be repeated. "
    "With a case of the book, besides those recorded there.",
)

brief_option = click.option(
    "--brief", is_flag=True, help="The first screen only: stops, verdict, next step, plan, dangers."
)

picture_option = output_option("--picture", "Also draw it, as SVG.")


def open_case(case: str, knowledge: Knowledge) -> Inspection:
    """Inspection that a CASE argument names, an error if it cannot be used; - is standard input."""
    from loopodds import read_case

    return read_case(sys.stdin if case == "-" else case, knowledge)


def print_json(content: Mapping[str, Any]) -> None:
    """Print one JSON object, indented, numbers in full precision; none but finite ones."""
    if is_unsafe():
        content = {"unsafe": UNSAFE_NOTE, **content}
    click.echo(json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False))


def print_or_write(out: str, text: str) -> None:
    """A whole document to a file, or to the screen where a dash stands for it."""
    from loopodds import write_whole

    if out == "-":
        click.echo(text, nl=False)
    else:
        write_whole(Path(out), text)
