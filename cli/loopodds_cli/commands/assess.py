"""``loopodds assess``: what is likely on one car."""

from __future__ import annotations

import click

from loopodds_cli.options import (
    case_argument,
    done_option,
    json_option,
    knowledge_option,
    prices_option,
    print_json,
)


@click.command()
@case_argument
@done_option
@prices_option
@json_option
@knowledge_option
def command(
    case: str, done: tuple[str, ...], prices: str | None, as_json: bool, knowledge: str | None
) -> None:
    """Rank what may be wrong with one car.

    Shows how likely each condition is now and was before looking, what moved the leading ones,
    what does not fit together, which tests to do next, what has not been looked at and what to
    beware of.

    \b
    Example:
      loopodds assess @wet_loop
    """
    from loopodds_cli.cases import assessed

    result = assessed(case, knowledge, prices, done)
    if as_json:
        print_json(result.as_json())
        return
    from loopodds_cli.pages.assess import print_assessment

    print_assessment(result)
