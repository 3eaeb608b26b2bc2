"""From what a camera made of the card to what it would look like in daylight, beside white paper.

Light and exposure cancel where a colour is taken by its share of the white beside it. What is left
of the camera's curve is told by the grey fields, what is left of its colours, and of the lamp's, by
all fields together: a root-polynomial of degree two (Finlayson, Mackiewicz & Hurlbert, IEEE Trans.
Image Process. 24 (2015) 1460-1470), whose terms all double when the light does.
Both are held towards changing nothing, for a printer does not keep colours exactly either.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.photo.card import BARS, FIELD, PAPER, PATCHES, Box
from loopodds.photo.colours import difference, lab, to_linear, xyz_of_linear
from loopodds.photo.marks import FlatCard

GREYS = np.array([patch.grey for patch in PATCHES])
PRINTED_BLACK = 0.05
"""Light that printed black gives back, by that of paper: a printer lays its greys out between these
(estimate)."""
_NAMED = to_linear(np.array([patch.colour for patch in PATCHES]) / 255)
PRINTED = np.where(GREYS[:, None], PRINTED_BLACK + (1 - PRINTED_BLACK) * _NAMED, _NAMED)
"""What the fields should look like beside white paper, in linear light."""
CURVE_HELD, COLOURS_HELD, ROOTS_HELD, WHITE_HELD = 0.02, 1.0, 5.0, 20.0
"""How firmly curve and colours are held: of the curve in squared log steps, of the colours and of
their roots as so many fields that came out right, of white as many times as firmly as a field.
Roots bend most where no field is, among the dark and the deep colours."""
DARK_DOUBT = 0.03
"""Share of white that stray light and a printer's black add to a field, one way or the other."""


@dataclass(frozen=True, eq=False)
class White:
    """Linear light of white paper over the card: a surface of degree two for each channel."""

    terms: FloatArray  # shape (6, 3)
    uneven: float  # of the white field: highest less lowest, by the mean

    def at(self, box: Box) -> FloatArray:
        """Mean over a part of the card, shape (3,)."""
        columns, rows = np.meshgrid(*(np.linspace(0.1, 0.9, 5),) * 2)
        x, y = box.x + columns.ravel() * box.width, box.y + rows.ravel() * box.height
        return np.asarray(self.over(x, y).mean(axis=0))

    def over(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """At places of the card, shape (..., 3)."""
        return np.asarray(_powers(x, y) @ self.terms)


def _powers(x: FloatArray, y: FloatArray) -> FloatArray:
    x, y = (x - 65) / 65, (y - 90) / 90
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)


def white_of(card: FlatCard) -> White:
    """The white, from paper beside the glass and between the fields."""
    field = [
        Box(column.x, FIELD.y + 6 + 8 * n, column.width, 5.0) for column in PAPER for n in range(11)
    ]
    between = [
        Box(patch.box.x + 1, patch.box.y + patch.box.height + 1.2, patch.box.width - 2, 1.6)
        for patch in PATCHES
        if patch.box.y < BARS[0].y - 16
    ]
    boxes = [*field, *between]
    light = np.array([np.median(card.part(box), axis=(0, 1)) for box in boxes])
    middle = np.array([(box.x + box.width / 2, box.y + box.height / 2) for box in boxes])
    terms, *_ = np.linalg.lstsq(_powers(*middle.T), light, rcond=None)
    near = light[: len(field), 1]
    return White(terms, float((near.max() - near.min()) / near.mean()))


@dataclass(frozen=True, eq=False)
class Correction:
    """What makes shares of white, as the camera has them, those of daylight."""

    curve: FloatArray  # of the logarithm, and of its square
    colours: FloatArray  # shape (6, 3)
    greys_off: float  # CIEDE2000 of the worst grey field after it
    colours_off: float  # mean of the colour fields

    def __call__(self, share: FloatArray) -> FloatArray:
        """Shares of white corrected, shape (..., 3); none below zero."""
        return np.maximum(_roots(_curved(share, self.curve)) @ self.colours, 0)


def _curved(share: FloatArray, curve: FloatArray) -> FloatArray:
    log = np.log(np.maximum(share, 1e-4))
    return np.asarray(np.exp(np.minimum(log * (1 + curve[0]) + curve[1] * log * (log + 3), 1.0)))


def _roots(share: FloatArray) -> FloatArray:
    r, g, b = np.moveaxis(np.maximum(share, 0), -1, 0)
    return np.stack([r, g, b, np.sqrt(r * g), np.sqrt(g * b), np.sqrt(r * b)], axis=-1)


def correction_of(card: FlatCard, white: White) -> Correction:
    """The correction that this picture of the card asks for."""
    seen = np.array(
        [np.median(card.part(p.box.inset(2.0)), axis=(0, 1)) / white.at(p.box) for p in PATCHES]
    )
    curve = _curve_of(seen[GREYS].mean(axis=1), PRINTED[GREYS].mean(axis=1))
    share = _curved(seen, curve)
    colours = np.stack([_channel(share, channel) for channel in range(3)], axis=1)
    made = np.maximum(_roots(share) @ colours, 0)
    off = difference(*(lab(xyz_of_linear(rgb), "D65") for rgb in (made, PRINTED)))
    return Correction(curve, colours, float(off[GREYS].max()), float(off[~GREYS].mean()))


def _curve_of(seen: FloatArray, printed: FloatArray) -> FloatArray:
    """Two numbers by which the logarithm bends, held towards none."""
    log, target = np.log(np.maximum(seen, 1e-4)), np.log(printed)
    weight = 1 / (0.02 + DARK_DOUBT / printed) ** 2
    terms = np.stack([log, log * (log + 3)], axis=1)
    held = np.diag([1 / CURVE_HELD, 4 / CURVE_HELD])
    normal = terms.T @ (weight[:, None] * terms) + held
    return np.asarray(np.linalg.solve(normal, terms.T @ (weight * (target - log))))


def _channel(share: FloatArray, channel: int) -> FloatArray:
    """Of one channel: relative errors count, white stays white."""
    target = PRINTED[:, channel]
    weight = 1 / (target + DARK_DOUBT)
    rows = np.vstack([_roots(share) * weight[:, None], WHITE_HELD * np.ones((1, 6))])
    goal = np.append(target * weight, WHITE_HELD)
    held = np.repeat([COLOURS_HELD, ROOTS_HELD], 3)
    normal = rows.T @ rows + np.diag(held)
    return np.asarray(np.linalg.solve(normal, rows.T @ goal + held * np.eye(6)[channel]))
