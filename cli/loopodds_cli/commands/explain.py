"""``loopodds explain``: why a condition is believed, and what would change that."""

from __future__ import annotations

from typing import Any

import click

from loopodds_cli.options import (
    CONDITION,
    case_argument,
    json_option,
    knowledge_option,
    open_case,
    print_json,
)
from loopodds_cli.pages.pictures import picture_option


@click.command()
@case_argument
@click.argument("condition", metavar="[CONDITION]", type=CONDITION, required=False)
@click.option(
    "--rival", metavar="CONDITION", type=CONDITION, help="What to hold against it, by name."
)
@click.option(
    "--sensitivity",
    is_flag=True,
    help="Also list the numbers of the knowledge that the verdict hangs on.",
)
@picture_option
@json_option
@knowledge_option
def command(
    case: str,
    condition: str | None,
    rival: str | None,
    sensitivity: bool,
    picture: str | None,
    as_json: bool,
    knowledge: str | None,
) -> None:
    """Explain why a condition is likely or not.

    Shows the weight of each observation for and against it, why it and not its rival, what does
    not fit together, and what would change the mind. Without CONDITION the leading one is
    explained; it may also be sound.

    \b
    Example:
      loopodds explain @wet_loop moisture
    """
    from loopodds import (
        Model,
        Workshop,
        believe,
        confirmed_turns,
        explain,
        load_knowledge,
        plan_turns,
        recorded_words,
        stated_context,
    )

    from loopodds_cli.pages.pictures import draw_weights

    known = load_knowledge(knowledge)
    inspection = open_case(case, known)
    belief = believe(inspection, Model(known))
    found = explain(belief, condition or "", rival or "")
    # knowledge without services has no plan that could turn
    shop = (
        Workshop(belief, inspection.tests_done, context=stated_context(inspection, known))
        if known.services
        else None
    )
    plans = plan_turns(shop) if shop else ()
    now = shop.decision.best(shop.marginal).actions if shop else ()
    turns = confirmed_turns(belief) if sensitivity else None
    if picture is not None:
        draw_weights(picture, found, inspection, known)
    if as_json:
        plain: dict[str, Any] = {"case": inspection.name, **found.as_json()}
        plain["plan"] = list(now)
        plain["plan_turns"] = [turn._asdict() for turn in plans]
        if turns is not None:
            plain["numbers"] = [turn.as_json() for turn in turns]
        print_json(plain)
        return
    from loopodds_cli.pages.explain import print_explanation, print_numbers, print_plan_turns

    recorded = recorded_words(inspection, known)
    page = print_explanation(inspection.name, found, recorded, known)
    if shop:
        print_plan_turns(page, now, plans, known)
    if turns is not None:
        print_numbers(page, turns, known)
