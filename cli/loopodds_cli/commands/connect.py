"""``loopodds connect``: may this car be connected to the workshop's machine?"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from loopodds_cli.cases import assessing
from loopodds_cli.options import done_option, print_json

if TYPE_CHECKING:
    from loopodds import Assessment

NOT_YET = 3
"""Exit code of an answer that is not a plain yes; 1 and 2 are bad input and bad usage."""


@assessing(done_option)
def command(result: Assessment, as_json: bool) -> None:
    """Say whether a machine may be connected to the car.

    The answer is yes, no, or only through a filter that is thrown away afterwards, with the
    reasons and what would change it. The exit code is 0 for yes and 3 for anything else, so
    that a script can hold the machine back.

    \b
    Example:
      loopodds connect @leak_stop_car
      loopodds connect my_case.toml && echo "couple up"
    """
    from loopodds_cli.screen.stops import print_connection

    if as_json:
        print_json({"case": result.case, **result.stops_json(), **result.connection.as_json()})
    else:
        print_connection(result)
    if result.connection.answer != "yes":
        sys.exit(NOT_YET)
