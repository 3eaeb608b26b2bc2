"""``loopodds assess``: what is likely on one car."""

from __future__ import annotations

import click

from loopodds_cli.options import case_argument, json_option, knowledge_option, print_json


@click.command()
@case_argument
@json_option
@knowledge_option
def command(case: str, as_json: bool, knowledge: str | None) -> None:
    """Rank what may be wrong with one car.

    Shows how likely each condition is now and was before looking, what moved the leading ones,
    what does not fit together, what has not been looked at and what to beware of.

    \b
    Example:
      loopodds assess @wet_loop
    """
    from loopodds.assessment import assess
    from loopodds.engine import Model
    from loopodds.knowledge import load_knowledge

    from loopodds_cli.cases import open_case

    known = load_knowledge(knowledge)
    result = assess(open_case(case, known), Model(known))
    if as_json:
        print_json(result.as_json())
        return
    from loopodds_cli.assess_page import print_assessment

    print_assessment(result, known)
