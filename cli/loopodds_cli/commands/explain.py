"""``loopodds explain``: why a condition is believed, and what would change that."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from loopodds_cli.cases import assessing
from loopodds_cli.options import CONDITION, picture_option, print_json

if TYPE_CHECKING:
    from loopodds import Assessment

RIVAL_HELP = "What to hold against it, by name."
SENSITIVITY_HELP = "Also list the numbers of the knowledge that the verdict hangs on."


@assessing(
    click.argument("condition", metavar="[CONDITION]", type=CONDITION, required=False),
    click.option("--rival", metavar="CONDITION", type=CONDITION, help=RIVAL_HELP),
    click.option("--sensitivity", is_flag=True, help=SENSITIVITY_HELP),
    picture_option,
)
def command(
    result: Assessment,
    condition: str | None,
    rival: str | None,
    sensitivity: bool,
    picture: str | None,
    as_json: bool,
) -> None:
    """Explain why a condition is likely or not.

    Shows the weight of each observation for and against it, why it and not its rival, what does
    not fit together, and what would change the mind. Without CONDITION the leading one is
    explained; it may also be sound.

    \b
    Example:
      loopodds explain @wet_loop moisture
    """
    from loopodds import confirmed_turns, explanation_picture, write_whole

    explanation = result.explain(condition or "", rival or "")
    turns = confirmed_turns(result.belief) if sensitivity else None
    if picture is not None:
        drawn = explanation_picture(explanation, result.recorded, result.knowledge)
        write_whole(Path(picture), drawn.svg)
    if as_json:
        plain: dict[str, Any] = {
            "case": result.case,
            **result.stops_json(),
            **explanation.as_json(),
        }
        plain["plan"] = list(result.shop.best.actions) if result.plan else []
        plain["plan_turns"] = [turn._asdict() for turn in result.plan_turns]
        if turns is not None:
            plain["numbers"] = [turn.as_json() for turn in turns]
        print_json(plain)
        return
    from loopodds_cli.pages.explain import print_explanation

    print_explanation(result, explanation, turns)
