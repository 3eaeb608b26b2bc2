"""``loopodds doctor``: whether this install, its knowledge and its case book are well."""

import click

from loopodds_cli.book.options import Desk, looking
from loopodds_cli.options import print_json


@click.command()
@looking
def command(desk: Desk) -> None:
    """Check the install, the knowledge, the case book and the disk.

    Versions of Python and the libraries, the checks of the knowledge, the chain of the case book,
    the room on its disk, and a shipped case whose answer must come out as it was stored. Exit code
    1 where something is wrong.

    \b
    Example:
      loopodds doctor
      loopodds doctor --json > doctor.json
    """
    from loopodds_cli.health import checks

    found = checks(desk.book, desk.knowledge)
    well = all(check.well for check in found)
    if desk.as_json:
        print_json({"well": well, "checks": [check._asdict() for check in found]})
    else:
        from loopodds import printable

        from loopodds_cli.screen.page import Page

        page = Page()
        wrong = [check.name for check in found if not check.well]
        page.title("All well" if well else f"Not well: {', '.join(wrong)}")
        page.rows([(check.name, "well" if check.well else "!", printable(check.says))
                   for check in found])  # fmt: skip
        page.heading("Versions")
        versions = next(check.details for check in found if check.name == "libraries")
        page.rows(list(versions.items()))
    if not well:
        raise click.exceptions.Exit(1)
