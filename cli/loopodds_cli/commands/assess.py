"""``loopodds assess``: what is likely on one car."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopodds_cli.cases import assessing
from loopodds_cli.options import brief_option, done_option, prices_option, print_json

if TYPE_CHECKING:
    from loopodds import Assessment


@assessing(done_option, prices_option, brief_option)
def command(result: Assessment, as_json: bool, brief: bool) -> None:
    """Rank what may be wrong with one car.

    Shows how likely each condition is now and was before looking, what moved the leading ones,
    what does not fit together, which tests to do next, what has not been looked at and what to
    beware of.

    \b
    Example:
      loopodds assess @wet_loop
    """
    from loopodds_cli.pages.assess import print_assessment

    if as_json:
        print_json(result.as_json())
    else:
        print_assessment(result, brief)
