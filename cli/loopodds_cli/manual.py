"""The manual page of ``loopodds``, made from its commands: troff with the man macros."""

from __future__ import annotations

from collections.abc import Iterator

import click

ENVIRONMENT = {
    "LOOPODDS_BOOK": "The case book, in place of the one in your data folder.",
    "LOOPODDS_PRICES": "The price file of the workshop.",
    "LOOPODDS_WHO": "Who looks, written beside every entry.",
    "LOOPODDS_CONFIG": "The file of preferences, in place of loopodds/config.toml in "
    "XDG_CONFIG_HOME.",
    "NO_COLOR": "Set to anything: no colours.",
    "PAGER, LESS": "What shows long pages on a terminal, and how less does.",
}
EXIT = {
    "0": "Done.",
    "1": "Something that was given cannot be used; a line for each on standard error.",
    "2": "Wrong use of the command.",
    "3": "loopodds connect: not a plain yes; loopodds watch: an alarm.",
}


def manual(root: click.Context) -> str:
    """The whole page.

    Args:
        root: Context of the program, whose commands are all described.
    """
    return "\n".join(_page(root)) + "\n"


def _page(root: click.Context) -> Iterator[str]:
    group = root.command
    assert isinstance(group, click.Group)
    name = root.info_name or "loopodds"
    # without a day: the same commands make the same page
    yield f".TH {_escaped(name.upper())} 1"
    yield ".SH NAME"
    yield f"{name} \\- what is wrong in a car's air\\-conditioning loop, and what to do about it"
    yield ".SH SYNOPSIS"
    yield f".B {name}\n[\\fIOPTIONS\\fR] \\fICOMMAND\\fR [\\fIARGS\\fR]..."
    yield ".SH DESCRIPTION"
    yield from _help(group)
    yield ".SH OPTIONS"
    yield from _options(group, root)
    yield ".SH COMMANDS"
    for word in group.list_commands(root):
        command = group.get_command(root, word)
        if command is not None:
            yield from _command(command, click.Context(command, info_name=word, parent=root))
    for heading, told in (("EXIT STATUS", EXIT), ("ENVIRONMENT", ENVIRONMENT)):
        yield f".SH {heading}"
        for term, about in told.items():
            yield from (".TP", f".B {_escaped(term)}", _escaped(about))


def _command(command: click.Command, ctx: click.Context) -> Iterator[str]:
    """A command, then those below it."""
    usage = " ".join([ctx.command_path, *command.collect_usage_pieces(ctx)])
    yield f".SS {_escaped(usage)}"
    yield from _help(command)
    yield from _options(command, ctx)
    if isinstance(command, click.Group):
        for word, below in command.commands.items():
            yield from _command(below, click.Context(below, info_name=word, parent=ctx))


def _help(command: click.Command) -> Iterator[str]:
    """The help text: paragraphs filled, blocks marked with a backspace as they stand."""
    for paragraph in (command.help or "").split("\n\n"):
        block = paragraph.strip("\n")
        yield ".PP"
        if block.startswith("\b"):
            yield ".nf"
            yield from map(_escaped, block.splitlines()[1:])
            yield ".fi"
        else:
            yield _escaped(" ".join(block.split()))


def _options(command: click.Command, ctx: click.Context) -> Iterator[str]:
    for parameter in command.params:
        record = parameter.get_help_record(ctx)
        if record is not None:
            yield from (".TP", f".B {_escaped(record[0])}", _escaped(" ".join(record[1].split())))


def _escaped(text: str) -> str:
    """Text that troff shows as it stands."""
    told = text.replace("\\", "\\e").replace("-", "\\-")
    return f"\\&{told}" if told.startswith((".", "'")) else told
