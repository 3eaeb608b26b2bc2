"""``loopodds assess``: what is likely on one car."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from loopodds_cli.options import case_argument, json_option, knowledge_option, open_case, print_json
from loopodds_cli.work_options import done_option, prices_option

if TYPE_CHECKING:
    from loopodds import Belief, Inspection

TESTS = 3


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
    from loopodds import Model, assess, believe, load_knowledge

    known = load_knowledge(knowledge)
    inspection = open_case(case, known)
    model = Model(known)
    belief = believe(inspection, model)
    tests, plan = _work(belief, inspection, (*inspection.tests_done, *done), prices)
    result = assess(inspection, model, tests, plan, belief)
    if as_json:
        print_json(result.as_json())
        return
    from loopodds_cli.pages.assess import print_assessment

    print_assessment(result, known)


def _work(
    belief: Belief, inspection: Inspection, done: Sequence[str], prices: str | None
) -> tuple[list[dict[str, Any]], dict[str, Any] | None]:
    """The best tests and the best plan as plain data; neither where no service is known."""
    from loopodds import Workshop, json_rows, load_prices, ranked, service_plan, stated_context

    knowledge = belief.model.knowledge
    if not knowledge.services:
        return [], None
    own = load_prices(prices, knowledge)
    shop = Workshop(belief, done, own, stated_context(inspection, knowledge))
    tests = ranked(shop, shop.planner.rank(shop.progress))
    plan = service_plan(shop, shop.decision.best(shop.marginal)).as_json()
    return json_rows(tests, TESTS), {**plan, "currency": own.currency}
