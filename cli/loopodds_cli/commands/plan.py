"""``loopodds plan``: what to do to one car, or to test first."""

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
    """Choose what to do to the car.

    Shows the services of least expected cost in the order to do them, what comes close, how firm
    that is and what it rests on; or which test to do first.

    \b
    Example:
      loopodds plan @worn_compressor
    """
    from loopodds_cli.cases import assessed

    result = assessed(case, knowledge, prices, done)
    if as_json:
        print_json(result.plan_json())
        return
    from loopodds_cli.pages.plan import print_plan

    print_plan(result)
