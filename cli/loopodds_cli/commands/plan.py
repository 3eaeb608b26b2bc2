"""``loopodds plan``: what to do to one car, or to test first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopodds_cli.cases import assessing
from loopodds_cli.options import brief_option, done_option, prices_option, print_json

if TYPE_CHECKING:
    from loopodds import Assessment


@assessing(done_option, prices_option, brief_option)
def command(result: Assessment, as_json: bool, brief: bool) -> None:
    """Choose what to do to the car.

    Shows the services of least expected cost in the order to do them, what comes close, how firm
    that is and what it rests on; or which test to do first.

    \b
    Example:
      loopodds plan @worn_compressor
    """
    from loopodds_cli.pages.plan import print_plan

    if as_json:
        print_json(result.plan_json())
    else:
        print_plan(result, brief)
