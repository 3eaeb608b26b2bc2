"""``loopodds cases``: the demo cases that come with the program."""

import click

from loopodds_cli.options import json_option, print_json


@click.command()
@json_option
def command(as_json: bool) -> None:
    """List the shipped demo cases.

    The cars are invented. Give a name with its @ wherever a command wants a CASE.

    \b
    Example:
      loopodds cases
    """
    from loopodds import demo_cases

    summaries = demo_cases()
    if as_json:
        print_json({"cases": [{"case": n, "about": about} for n, about in summaries.items()]})
        return
    from loopodds_cli.screen.page import Page

    Page().rows(list(summaries.items()))
