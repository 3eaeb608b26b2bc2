"""Pictures that ``explain`` and ``whatif`` write beside their pages."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click
from loopodds import spaced

if TYPE_CHECKING:
    from loopodds import Explanation, Knowledge, WhatIf

ROWS = 8
BARS = 12

picture_option = click.option(
    "--picture",
    metavar="FILE",
    type=click.Path(dir_okay=False),
    help="Also draw it, as SVG.",
)


def draw_weights(
    path: str, found: Explanation, recorded: Mapping[str, str], knowledge: Knowledge
) -> None:
    """Weight of evidence of an explanation.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    from loopodds import Bar, weights_picture, write_whole

    shares = found.shares.shares
    bars = [
        Bar(spaced(f"{knowledge.node(s.name).title}: {recorded[s.name]}"), s.decibans)
        for s in shares[:BARS]
    ]
    if shares[BARS:]:
        rest = sum(share.decibans for share in shares[BARS:])
        bars.append(Bar(f"{len(shares) - BARS} more together", rest))
    picture = weights_picture(found.shares.before, bars, found.shares.after)
    write_whole(Path(path), picture.svg)


def draw_what_if(path: str, found: WhatIf, knowledge: Knowledge) -> None:
    """A case beside its variations, the hypotheses that any of them moves most.

    Raises
    ------
    OSError
        If the file cannot be written.
    UsageError
        If there are more variations than can be told apart.
    """
    from loopodds import LINES, Rows, condition_title, what_if_picture, write_whole

    if len(found.variations) > len(LINES):
        raise click.UsageError(f"a picture holds at most {len(LINES)} variations")
    moved = {
        name: max(abs(v.probabilities[name] - before) for v in found.variations)
        for name, before in found.base.probabilities.items()
    }
    rows = [
        Rows(
            condition_title(name, knowledge).capitalize(),
            found.base.probabilities[name],
            tuple(v.probabilities[name] for v in found.variations),
        )
        for name in sorted(moved, key=lambda name: -moved[name])[:ROWS]
    ]
    names = [
        " and ".join(spaced(f"{c.name}: {c.after}") for c in v.changes) for v in found.variations
    ]
    write_whole(Path(path), what_if_picture(rows, names).svg)
