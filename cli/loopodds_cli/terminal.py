"""What every command takes for the terminal: --quiet, --color, --no-pager; and the pager itself."""

from __future__ import annotations

import io
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import click

QUIET, COLOR, NO_PAGER = "loopodds.quiet", "loopodds.color", "loopodds.no_pager"
COLORS = ("auto", "always", "never")
PAGED = frozenset(
    ("assess", "next", "plan", "explain", "whatif", "gauges", "connect", "cases", "network",
     "help", "calibrate", "config", "doctor", "case show", "case history", "case list")
)  # fmt: skip
"""Commands that only show something, which may be longer than the screen."""
LESS = "FRX"
"""Flags of less where the person has set none: leave a short text there, and keep its colours."""


def _kept(name: str) -> Callable[[click.Context, click.Parameter, Any], None]:
    """Keep what an option says for all of the call."""

    def keep(ctx: click.Context, _: click.Parameter, value: Any) -> None:
        if value:
            ctx.meta[name] = value

    return keep


def terminal_options(hidden: bool) -> list[click.Option]:
    """The options, as new objects; hidden where the help of the program shows them already."""
    return [
        click.Option(
            ["-q", "--quiet"], is_flag=True, expose_value=False, callback=_kept(QUIET),
            hidden=hidden, help="Print no pages, only errors and what is asked for as data.",
        ),
        click.Option(
            ["--color"], type=click.Choice(COLORS), expose_value=False, callback=_kept(COLOR),
            hidden=hidden, help="Colours: on a terminal only (auto, NO_COLOR honoured), or so.",
        ),
        click.Option(
            ["--no-pager"], is_flag=True, expose_value=False, callback=_kept(NO_PAGER),
            hidden=hidden, help="Do not show long pages through PAGER on a terminal.",
        ),
    ]  # fmt: skip


def with_terminal_options(command: click.Command, hidden: bool = True) -> click.Command:
    """The command, and all below it, taking the options; once only."""
    if not any("--color" in parameter.opts for parameter in command.params):
        command.params += terminal_options(hidden)
        if isinstance(command, click.Group):
            for below in command.commands.values():
                with_terminal_options(below)
    return command


def _asked(name: str) -> Any:
    ctx = click.get_current_context(silent=True)
    return ctx.meta.get(name) if ctx is not None else None


def is_quiet() -> bool:
    """Whether pages and remarks are to be left out."""
    return bool(_asked(QUIET))


def say(text: str) -> None:
    """A remark on what was done, unless it is to be quiet."""
    if not is_quiet():
        click.echo(text)


def console_settings() -> dict[str, Any]:
    """How a page is written: where to, and whether in colour."""
    settings: dict[str, Any] = {"file": io.StringIO()} if is_quiet() else {}
    color = _asked(COLOR)
    if color == "always":
        settings |= {"force_terminal": True, "no_color": False, "color_system": "standard"}
    elif color == "never":
        settings |= {"no_color": True, "force_terminal": False}
    return settings


class _Screen(io.StringIO):
    """What is written to a terminal, kept for a pager."""

    def __init__(self, stream: Any) -> None:
        super().__init__()
        self._coding = stream.encoding

    @property
    def encoding(self) -> str:  # type: ignore[override]
        """Of the terminal behind it."""
        return str(self._coding)

    def isatty(self) -> bool:
        """Pages are laid out as on the terminal."""
        return True


@contextmanager
def paging(ctx: click.Context) -> Iterator[None]:
    """For the time of a call: a page that is longer than the terminal goes through a pager."""
    terminal = sys.stdout
    if not terminal.isatty() or not sys.stdin.isatty():
        yield
        return
    kept = _Screen(terminal)
    sys.stdout = kept
    try:
        yield
    finally:
        sys.stdout = terminal
        text = kept.getvalue()
        if ctx.meta.get(NO_PAGER) or text.count("\n") < shutil.get_terminal_size().lines:
            terminal.write(text)
        else:
            os.environ.setdefault("LESS", LESS)
            click.echo_via_pager(text.rstrip("\n"))
