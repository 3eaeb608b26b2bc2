"""``loopodds next``: which test to do next on one car."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopodds_cli.cases import assessing
from loopodds_cli.options import brief_option, done_option, number_option, prices_option, print_json

if TYPE_CHECKING:
    from loopodds import Assessment

LOOKAHEAD_HELP = "Plan sequences of up to N tests; pairs are always tried before saying stop."


@assessing(
    number_option("--lookahead", 1, 3, LOOKAHEAD_HELP, default=1, metavar="N"),
    done_option,
    prices_option,
    brief_option,
)
def command(result: Assessment, as_json: bool, brief: bool) -> None:
    """Choose the test that is worth its minutes.

    Shows what to do next, why, how long it takes and what to be careful of; which other tests
    pay, which are shut and what opens them; or that no further test pays.

    \b
    Example:
      loopodds next @low_charge_dead_fan --lookahead 2
    """
    from loopodds_cli.pages.next import print_next

    if as_json:
        print_json(result.next_json())
    else:
        print_next(result, brief)
