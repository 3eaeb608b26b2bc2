"""Options of the commands that choose tests and services."""

from __future__ import annotations

import click

from loopodds_cli.options import TEST

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
