"""``loopodds whatif``: the case beside its variations."""

from __future__ import annotations

import click

from loopodds_cli.options import case_argument, json_option, knowledge_option, print_json


@click.command(context_settings={"ignore_unknown_options": True})
@case_argument
@click.argument("changes", metavar="CHANGE...", nargs=-1, required=True)
@json_option
@knowledge_option
def command(case: str, changes: tuple[str, ...], as_json: bool, knowledge: str | None) -> None:
    """Show a case beside its variations.

    A CHANGE is name=state, name='2.1 bar', or -name for something not recorded. A fault may be
    supposed too, to see what one would then expect: drier_saturated=present. The word or begins
    the next variation.

    \b
    Example:
      loopodds whatif @wet_loop sample_bubbles=none or moisture=wet -low_side
    """
    from loopodds.engine import Model
    from loopodds.knowledge import load_knowledge
    from loopodds.whatif import split_variations, what_if

    from loopodds_cli.cases import open_case

    known = load_knowledge(knowledge)
    found = what_if(open_case(case, known), split_variations(changes), Model(known))
    if as_json:
        print_json(found.as_json())
        return
    from loopodds_cli.whatif_page import print_what_if

    print_what_if(found, known)
