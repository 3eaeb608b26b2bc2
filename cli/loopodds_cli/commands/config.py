"""``loopodds config``: the preferences of the workshop."""

from __future__ import annotations

import os

import click

from loopodds_cli.options import print_json
from loopodds_cli.terminal import say

json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON instead of a page.")


@click.group(invoke_without_command=True)
@json_option
@click.pass_context
def command(ctx: click.Context, as_json: bool) -> None:
    """Show or change the preferences of the workshop.

    One file holds them: LOOPODDS_CONFIG, else loopodds/config.toml in your folder for such files.
    An option comes before the environment, that before the file, and the file before what is
    shipped. Readings on screens are shown in the units set here, and a bare number at the prompt
    of 'loopodds case work' is taken in them.

    \b
    Example:
      loopodds config set pressure psi
      loopodds config set decimal comma
      loopodds config unset pressure
    """
    if ctx.invoked_subcommand is None:
        _show(as_json)


def _show(as_json: bool) -> None:
    from rich.text import Text

    from loopodds_cli.preferences import KEYS, preferences
    from loopodds_cli.screen.page import FAINT, Page

    found = preferences()
    widest = max(map(len, KEYS))
    rows: list[dict[str, str]] = []
    for name, key in KEYS.items():
        told = os.environ.get(key.variable, "") if key.variable else ""
        value, source = (told, key.variable) if told else (found.values.get(name, ""), "file")
        if not value:
            value, source = key.shipped, "shipped" if key.shipped else ""
        rows.append({"key": name, "value": value, "from": source, "about": key.about})
    if as_json:
        print_json({"file": str(found.path), "there": found.path.exists(), "keys": rows})
        return
    page = Page()
    page.title("Preferences", f"{found.path}{'' if found.path.exists() else ' (none yet)'}")
    for row in rows:
        choices = ", ".join(KEYS[row["key"]].choices)
        about = row["about"] + f" One of {choices}." * bool(choices)
        source = f"  ({row['from']})" if row["from"] not in ("", "file") else ""
        said = Text(row["value"] or "-") + Text(source, FAINT)
        page.rows([(f"{row['key']:{widest}}", said)])
        page.aside(about, indent=widest + 4)


@command.command("set")
@click.argument("key", metavar="KEY")
@click.argument("value", metavar="VALUE")
@json_option
def set_(key: str, value: str, as_json: bool) -> None:
    """Set a preference.

    \b
    Example:
      loopodds config set pressure psi
    """
    from loopodds_cli.preferences import changed

    path = changed(key, value)
    if as_json:
        print_json({"file": str(path), "key": key, "value": value})
    else:
        say(f"{key} is {value} from now on ({path})")


@command.command()
@click.argument("key", metavar="KEY")
@json_option
def unset(key: str, as_json: bool) -> None:
    """Take a preference out.

    \b
    Example:
      loopodds config unset pressure
    """
    from loopodds_cli.preferences import changed

    path = changed(key, None)
    if as_json:
        print_json({"file": str(path), "key": key, "value": None})
    else:
        say(f"{key} is as shipped from now on ({path})")
