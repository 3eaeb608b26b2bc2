"""The ``loopodds`` command: one table of commands, each loaded only when it is called.

A command is one module in ``loopodds_cli.commands`` that holds a click command named
``command``; the table below names it with the sentence shown by ``loopodds --help``.
"""

from __future__ import annotations

import atexit
import gc
import os
import sys
from importlib import import_module

import click
from loopodds import LoopoddsError, nearest

from loopodds_cli.remedies import advised
from loopodds_cli.terminal import PAGED, paging, terminal_options, with_terminal_options

COMMANDS = {
    "assess": "Rank what may be wrong with one car.",
    "next": "Choose the test that is worth its minutes.",
    "plan": "Choose what to do to the car.",
    "connect": "Say whether a machine may be connected to the car.",
    "gauges": "Say what the gauges of this car should read today.",
    "explain": "Explain why a condition is likely or not.",
    "whatif": "Show a case beside its variations.",
    "compare": "Show what two states of a case, or two cases, differ in.",
    "report": "Write a report for the customer and the workshop.",
    "pack": "Pack a case with its papers as evidence, or verify a pack.",
    "bay": "Serve the page at the car, or write it as one file.",
    "case": "Keep a growing case in the case book.",
    "cases": "List the shipped demo cases.",
    "photo": "Read the colour of a sample from a photo against a card.",
    "score": "Score an archive of inspections.",
    "fleet": "Write what an owner reads of an archive.",
    "learn": "Learn the numbers of the knowledge from an archive.",
    "calibrate": "Compare probabilities with what was confirmed in an archive.",
    "watch": "Watch an archive for drift away from the knowledge.",
    "drill": "Practise on cars drawn from the network.",
    "config": "Show or change the preferences of the workshop.",
    "network": "List, search, show, draw, check or export the knowledge.",
    "doctor": "Check the install, the knowledge, the case book and the disk.",
    "help": "Show a topic, or how a command is called.",
    "completion": "Print the script that completes commands in a shell.",
}

OBJECTS_BETWEEN = 20_000
"""Objects made between two searches for garbage. Most live as long as the command does: to search
them as often as Python does by itself takes a twentieth of its time."""
WITHOUT_PREFERENCES = ("config", "help", "completion")
"""Commands that work though the file of preferences cannot be read."""


class BadInput(click.ClickException):
    """Something the user gave cannot be used: a line for each on standard error, exit code 1."""

    exit_code = 1

    def show(self, file: object = None) -> None:
        """Print the message; the file argument of click is not needed."""
        for line in filter(str.strip, self.message.split("\n")):
            click.echo(f"loopodds: {' '.join(line.split())}", err=True)


class Commands(click.Group):
    """Group that imports a command's module when it is called, and reports bad input."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the table."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Command by name, its module imported now; None where there is none."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = import_module(f"loopodds_cli.commands.{cmd_name}").command
        return with_terminal_options(command)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does; a misspelt command is answered with the nearest one."""
        word = args[0]
        close = nearest(word, COMMANDS)
        if word not in COMMANDS and not word.startswith("-") and close is not None:
            ctx.fail(f"no command {word!r}; did you mean {close!r}?")
        if not ctx.resilient_parsing and {word, " ".join(args[:2])} & PAGED:
            ctx.with_resource(paging(ctx))
        if word in COMMANDS and word not in WITHOUT_PREFERENCES and not ctx.resilient_parsing:
            from loopodds_cli.preferences import in_force

            ctx.with_resource(in_force())
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands from the table, without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def shell_complete(
        self, ctx: click.Context, incomplete: str
    ) -> list[click.shell_completion.CompletionItem]:
        """Complete command names from the table, options as click does."""
        from loopodds_cli.options import completions

        own_options = click.Command.shell_complete(self, ctx, incomplete)
        return [*completions(COMMANDS, incomplete), *own_options]

    def invoke(self, ctx: click.Context) -> object:
        """Run a command; errors of the user become lines, a closed pipe ends quietly."""
        gc.set_threshold(OBJECTS_BETWEEN)
        # Nor are they searched once more at the end, which takes another twelfth.
        atexit.register(gc.freeze)
        for stream in (sys.stdout, sys.stderr):
            if hasattr(stream, "reconfigure"):
                stream.reconfigure(errors="replace")
        try:
            result = super().invoke(ctx)
            sys.stdout.flush()
        except BrokenPipeError:
            # whatever is still buffered must go nowhere when the interpreter closes the stream
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return None
        except LoopoddsError as error:
            raise BadInput(advised(error)) from error
        except MemoryError as error:
            raise BadInput("there is not enough memory for this; give less at once") from error
        except OSError as error:
            raise BadInput(f"{error.filename or 'file'}: {error.strerror or error}") from error
        return result


@click.group(
    cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80}
)
@click.version_option(None, "-V", "--version", package_name="loopodds")
def main() -> None:
    """Find what is wrong in a car's air-conditioning loop, from what was seen and measured.

    \b
    Example:
      loopodds assess my_case.toml

    CASE is a case file, - for standard input, the number of a case in the case book, or a demo
    case such as @wet_loop (see 'loopodds cases').

    Exit code 0: done; 1: bad input; 2: wrong use of the command.
    """


main.params += terminal_options(hidden=False)

if os.environ.get("_LOOPODDS_COMPLETE", "").startswith("bash"):
    from click.shell_completion import add_completion_class

    from loopodds_cli.bash_words import WholeWords

    add_completion_class(WholeWords, "bash")
