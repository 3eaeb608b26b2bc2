"""``loopodds help``: topics with long examples, and the help of every command."""

import re
import textwrap
from importlib import resources
from typing import NamedTuple

import click
from loopodds import unknown_name

from loopodds_cli.main import COMMANDS
from loopodds_cli.manual import manual
from loopodds_cli.options import NameType, json_option, print_json
from loopodds_cli.schemas import schema_text

WIDTH = 78


class Topic(NamedTuple):
    """What a file of the folder ``help`` says: its first line is the title."""

    title: str
    text: str


def topics() -> dict[str, Topic]:
    """Every topic by its name; the text is Markdown."""
    folder = resources.files("loopodds_cli").joinpath("help")
    found = {}
    for file in sorted(folder.iterdir(), key=lambda file: file.name):
        title, _, text = file.read_text(encoding="utf-8").partition("\n")
        found[file.name.removesuffix(".md")] = Topic(title.lstrip("# "), text.strip("\n"))
    return found


def _titles() -> dict[str, str]:
    return {name: topic.title for name, topic in topics().items()}


@click.command()
@click.argument(
    "topic", required=False, nargs=-1, type=NameType("topic", lambda _: _titles() | COMMANDS)
)
@click.option("--man", is_flag=True, help="Print the manual page (troff).")
@click.option(
    "--schema",
    metavar="NAME",
    help="Print the JSON schema of what a command prints with --json, as 'assess' or 'case show'.",
)
@json_option
@click.pass_context
def command(
    ctx: click.Context, topic: tuple[str, ...], man: bool, schema: str | None, as_json: bool
) -> None:
    """Show a topic, or how a command is called.

    Without a name, both are listed.

    \b
    Example:
      loopodds help
      loopodds help case-file
      loopodds help case saw
      loopodds help --schema assess
    """
    if man:
        click.echo(manual(ctx.find_root()), nl=False)
        return
    if schema is not None:
        click.echo(schema_text(schema), nl=False)
        return
    if not topic:
        _list(_titles(), as_json)
        return
    told = topics()
    name = " ".join(topic)
    if topic[0] in COMMANDS:
        usage = _usage(ctx.find_root(), topic)
        content = {"command": name, "text": usage}
    elif name in told:
        title, text = told[name]
        usage = f"{title}\n\n{plain(text)}"
        content = {"topic": name, "title": title, "text": text}
    else:
        raise unknown_name("topic", name, [*told, *COMMANDS])
    if as_json:
        print_json(content)
    else:
        click.echo(usage)


def _list(titles: dict[str, str], as_json: bool) -> None:
    from loopodds_cli.screen.page import Page

    if as_json:
        named = [{"name": name, "title": title} for name, title in titles.items()]
        commands = [{"name": name, "summary": summary} for name, summary in COMMANDS.items()]
        print_json({"topics": named, "commands": commands})
        return
    page = Page()
    width = max(map(len, {**titles, **COMMANDS}))
    for heading, told in (("Topics", titles), ("Commands", COMMANDS)):
        page.heading(heading, "loopodds help NAME shows it")
        page.rows([(name.ljust(width), summary) for name, summary in told.items()])


def _usage(root: click.Context, words: tuple[str, ...]) -> str:
    """What ``--help`` prints for a command, or for one of its own."""
    ctx = root
    for word in words:
        group = ctx.command
        names = group.list_commands(ctx) if isinstance(group, click.Group) else []
        found = group.get_command(ctx, word) if isinstance(group, click.Group) else None
        if found is None:
            raise unknown_name("command", " ".join(words), [f"{ctx.info_name} {n}" for n in names])
        ctx = click.Context(found, info_name=word, parent=ctx)
    return ctx.get_help()


def plain(markdown: str, width: int = WIDTH) -> str:
    """Markdown for a terminal: paragraphs wrapped, examples and tables as they stand."""
    blocks: list[str] = []
    for number, part in enumerate(re.split(r"^```.*$\n?", markdown, flags=re.MULTILINE)):
        if number % 2:
            blocks.append(part.rstrip())
        else:
            split = re.split(r"\n\s*\n", part)
            blocks += [_plain(block, width) for block in split if block.strip()]
    return "\n\n".join(blocks)


def _plain(block: str, width: int) -> str:
    lines = block.strip("\n").splitlines()
    if all(line.startswith(("    ", "|")) for line in lines):
        return "\n".join(line.removeprefix("  ") for line in lines)
    if lines[0].startswith("#"):
        return lines[0].lstrip("# ")
    wrapped = [
        textwrap.fill(
            " ".join(item.split()), width, break_long_words=False, break_on_hyphens=False,
            subsequent_indent="  " if item.startswith("- ") else "",
        )
        for item in re.split(r"\n(?=- )", "\n".join(lines))
    ]  # fmt: skip
    return "\n".join(wrapped)
