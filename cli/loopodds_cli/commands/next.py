"""``loopodds next``: which test to do next on one car."""

from __future__ import annotations

import click

from loopodds_cli.options import (
    case_argument,
    done_option,
    json_option,
    knowledge_option,
    lookahead_option,
    prices_option,
    print_json,
)


@click.command()
@case_argument
@lookahead_option
@done_option
@prices_option
@json_option
@knowledge_option
def command(
    case: str,
    lookahead: int,
    done: tuple[str, ...],
    prices: str | None,
    as_json: bool,
    knowledge: str | None,
) -> None:
    """Choose the test that is worth its minutes.

    Shows what to do next, why, how long it takes and what to be careful of; which other tests
    pay, which are shut and what opens them; or that no further test pays.

    \b
    Example:
      loopodds next @low_charge_dead_fan --lookahead 2
    """
    from loopodds_cli.cases import assessed

    result = assessed(case, knowledge, prices, done, lookahead)
    if as_json:
        print_json(result.next_json())
        return
    from loopodds_cli.pages.next import print_next

    print_next(result)
