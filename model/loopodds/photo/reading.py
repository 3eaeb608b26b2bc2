"""A photo read: the colour of the liquid with its doubt, or every reason why it cannot be told."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.photo.card import (
    BARS,
    BLANK_ROWS,
    CENTRE,
    DOT,
    FIELD,
    FLAT_DOT,
    FLAT_DOTS,
    GAP,
    LIQUID_ROWS,
    MARKS,
    NARROWEST_MM,
    PAPER,
    RING,
    WIDEST_MM,
    Box,
    plain_paper,
)
from loopodds.photo.correcting import Correction, White, correction_of, white_of
from loopodds.photo.liquids import Glass, Measured, measured
from loopodds.photo.marks import LEAST_PER_MM, PER_MM, FlatCard, dot_centre, find_card, laid_flat
from loopodds.photo.pictures import Picture

HALF_WINDOW = 0.16
"""Half of the width that is measured, by the inner diameter: there the path hardly changes."""
MEAN_CHORD = 0.98
"""Mean path over that width, by the inner diameter."""
GLASS_LIGHT = 0.92
"""Share of light that two surfaces of clear glass let through (Fresnel, index 1.5)."""
MOST_UNEVEN, MOST_CLIPPED, MOST_GREY, MOST_BEND_MM = 0.10, 0.01, 4.0, 1.0
CLIPPED, LEAST_WHITE = 254, 0.06
PAPER_LIGHT, RING_LIGHT = (0.7, 1.4), 0.6
"""Light that paper has by the white around, and at most the black of a ring by that beside it."""
MOST_COVERED, MOST_HIDDEN = 0.02, 0.15
"""Shares of the paper and of a ring that may look otherwise."""
LEAST_CONTRAST, LEAST_LIGHT = 0.62, 0.025
"""Of the bars through the liquid beside those next to it; below that much light red
tells it, and below that much red nothing does."""
STRAY_LIGHT = 0.008
"""Of white, spread by the lens over everything: it dims the bars in a dark liquid (estimate)."""
MOST_SPECKLED, MOST_ROUGH, MOST_LAYERED = 0.015, 0.05, 0.25
SEEN_GLASS = 0.03
GREEN_SEEN, LEAST_LIGHTNESS = 10.0, 20.0
"""Deviation in a* beyond which, and L* in this glass below which, greenness is not seen."""


class Refusal(NamedTuple):
    """Why a photo gives no evidence, and what to do."""

    reason: str
    problem: str
    remedy: str


REMEDIES = {
    "no_card": "lay the printed card flat behind the glass, all four rings in the picture",
    "far": "go nearer, so that the card fills most of the picture",
    "bent": "glue the card to a board or lay it flat, and take the photo from the front",
    "covered": "take away what lies on the card or hangs before it, hands too",
    "shaded": "turn until no shadow or lamp falls on the card from one side, away from windows",
    "clipped": "touch the card on the screen before the photo is taken, or turn the flash off",
    "dark": "more light: by daylight, or with a lamp that is not coloured",
    "greys": "print the card anew in colour on white matt paper; no coloured lamps, no filters",
    "path": "measure the inner diameter of the glass and state it, as 12 mm",
    "no_glass": "stand the glass upright before the middle of the white field",
    "bubbles": "let the sample settle until bubbles have gone; if they stay or specks swim in it, "
    "record that as sample_bubbles or sample_specks",
    "cloud": "wipe the glass dry and warm it; if the liquid itself is cloudy, record that as "
    "sample_cloudiness",
    "layers": "fill the glass past the line, and let it settle; if there are layers, record them "
    "as sample_layers",
    "unlike": "no liquid of the trade looks so: check what is in the glass, and the light",
    "old": "take a new photo of a fresh sample",
    "other_case": "take a photo of the sample of this car",
}
"""Every reason for which a photo is refused, with what to do about it."""


def refusal(reason: str, problem: str) -> Refusal:
    """A refusal with the remedy of its reason."""
    return Refusal(reason, problem, REMEDIES[reason])


class Window(NamedTuple):
    """A place of the card that something was measured at."""

    name: str
    box: Box


@dataclass(frozen=True, eq=False)
class Reading:
    """What came of a photo; with refusals it is no evidence, whatever else is there."""

    refusals: tuple[Refusal, ...]
    glass: Glass | None
    measured: Measured | None
    card: FlatCard | None
    windows: tuple[Window, ...]
    uneven: float
    greys_off: float
    picture: Picture

    @property
    def usable(self) -> bool:
        """Whether it is evidence."""
        return not self.refusals and self.measured is not None

    @property
    def green_seen(self) -> bool:
        """Whether anything can be said of greenness."""
        found = self.measured
        if found is None:
            return False
        return found.green_doubt <= GREEN_SEEN and found.lab[0] >= LEAST_LIGHTNESS

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        found = self.measured if self.usable else None
        numbers = found and {
            "scale": round(found.scale, 2),
            "low": round(found.low, 2),
            "high": round(found.high, 2),
            "darker": found.darker,
            "gardner": round(found.gardner, 1),
            "lab": [round(v, 1) for v in found.lab],
            "greenness": round(found.green, 1),
            "greenness_doubt": round(found.green_doubt, 1),
            "greenness_seen": self.green_seen,
        }
        return {
            "usable": self.usable,
            "refusals": [r._asdict() for r in self.refusals],
            "path_mm": self.glass and self.glass.path_mm,
            "path_error_mm": self.glass and self.glass.error_mm,
            "white_uneven": round(self.uneven, 3),
            "greys_off": round(self.greys_off, 1),
            "taken": self.picture.taken and self.picture.taken.isoformat(),
            "measured": numbers,
        }


def read_picture(picture: Picture, glass: Glass | None) -> Reading:
    """Read a picture of the card with the glass before it.

    Args:
        glass: Path of the light; None where it is not known, which is a reason to refuse.
    """
    refusals = _of_path(glass)
    found = find_card(picture.pixels)
    if found is None:
        refused = refusal("no_card", "the card is not in the picture, or not whole")
        return Reading((refused, *refusals), glass, None, None, (), 0.0, 0.0, picture)
    card, white, correction, seen = _card(picture, found.per_mm, found)
    refusals = (*seen, *refusals)
    if glass is None or any(r.reason in ("path", "dark") for r in refusals):
        uneven, off = white.uneven, correction.greys_off
        return Reading(refusals, glass, None, card, (), uneven, off, picture)
    windows = _windows(glass)
    refusals = (*refusals, *_of_glass(card, white, glass, windows))
    ratio, doubt = _ratio(card, white, correction, windows)
    made = measured(ratio, doubt, Glass(glass.path_mm * MEAN_CHORD, glass.error_mm))
    if made.unlike:
        refusals = (*refusals, refusal("unlike", "the colour is unlike any liquid of the trade"))
    return Reading(
        refusals, glass, made, card, windows, white.uneven, correction.greys_off, picture
    )


def _of_path(glass: Glass | None) -> tuple[Refusal, ...]:
    if glass is None:
        return (refusal("path", "the inner diameter of the glass is not known"),)
    if not NARROWEST_MM <= glass.path_mm <= WIDEST_MM:
        limits = f"{NARROWEST_MM:g} to {WIDEST_MM:g} mm"
        problem = f"an inner diameter of {glass.path_mm:g} mm is not one of {limits}"
        return (refusal("path", problem),)
    return ()


def _card(
    picture: Picture, per_mm: float, found: Any
) -> tuple[FlatCard, White, Correction, tuple[Refusal, ...]]:
    """The card laid flat, its white and its fields, and what is wrong with them."""
    refusals = []
    if per_mm < LEAST_PER_MM:
        problem = f"the card is small: {per_mm:.1f} pixels a millimetre"
        refusals.append(refusal("far", problem))
    card = laid_flat(picture.pixels, found)
    bend = _bend(card)
    if bend > MOST_BEND_MM:
        refusals.append(refusal("bent", f"the card is bent by {bend:.1f} mm, or partly covered"))
    white = white_of(card)
    if _covered(card, white):
        refusals.append(refusal("covered", "something hides a ring or the paper around the glass"))
    level = white.at(FIELD)[1]
    if level < LEAST_WHITE:
        refusals.append(refusal("dark", "the picture is too dark"))
    if white.uneven > MOST_UNEVEN:
        problem = f"the white field is uneven by {white.uneven:.0%}"
        refusals.append(refusal("shaded", problem))
    parts = (FIELD, *(Box(p.x, FIELD.y, p.width, FIELD.height) for p in PAPER))
    clipped = np.concatenate([card.encoded(box).ravel() >= CLIPPED for box in parts]).mean()
    if clipped > MOST_CLIPPED:
        refusals.append(refusal("clipped", f"{clipped:.0%} of the white field is overexposed"))
    correction = correction_of(card, white)
    if correction.greys_off > MOST_GREY:
        problem = f"a grey field is off by {correction.greys_off:.1f} (CIEDE2000) after correction"
        refusals.append(refusal("greys", problem))
    return card, white, correction, tuple(refusals)


def _bend(card: FlatCard) -> float:
    """How far the four dots lie from where they should [mm]; far where one is not there."""
    off = []
    for x, y in FLAT_DOTS:
        centre = dot_centre(card, x, y, FLAT_DOT)
        off.append(9.9 if centre is None else float(np.hypot(*(centre - (x, y)))))
    return max(off)


def _covered(card: FlatCard, white: White) -> bool:
    """Whether paper is not as light as paper is there, or a ring not black on white."""
    x, y = np.array([(box.x + box.width / 2, box.y + box.height / 2) for box in plain_paper()]).T
    share = card.at(x, y) / white.over(x, y)[:, 1]
    low, high = PAPER_LIGHT
    paper = ((share < low) | (share > high)).mean()
    turns = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    ring, within, beyond = (
        np.array([card.at(x + r * np.cos(turns), y + r * np.sin(turns)) for x, y in MARKS])
        for r in ((RING + GAP) / 2, (GAP + DOT) / 2, RING + 1)
    )
    hidden = (ring > RING_LIGHT * np.minimum(within, beyond)).mean(axis=1)
    return bool(paper > MOST_COVERED or hidden.max() > MOST_HIDDEN)


def _windows(glass: Glass) -> tuple[Window, ...]:
    half = HALF_WINDOW * glass.path_mm
    (top, bottom), (above, below) = LIQUID_ROWS, BLANK_ROWS
    return (
        Window("liquid", Box(CENTRE - half, top + 2, 2 * half, bottom - top - 3)),
        Window("empty glass", Box(CENTRE - half, above + 2, 2 * half, below - above - 4)),
        Window("bars", Box(CENTRE - half, BARS[0].y, 2 * half, BARS[-1].y - BARS[0].y)),
        *(Window("white", Box(p.x, top, p.width, bottom - top)) for p in PAPER),
    )


def _of_glass(
    card: FlatCard, white: White, glass: Glass, windows: tuple[Window, ...]
) -> tuple[Refusal, ...]:
    """What speaks against a clear, settled liquid in a glass of that width."""
    liquid, _, bars, *_ = (window.box for window in windows)
    outer = _glass_width(card, white)
    if outer < 0.9 * glass.path_mm:
        if outer == 0:
            return (refusal("no_glass", "there is no glass before the white field"),)
        problem = f"the glass seen is {outer:.0f} mm wide, its inner diameter {glass.path_mm:g} mm"
        return (refusal("path", problem),)
    light = card.part(liquid)[..., 1] / white.at(liquid)[1]
    refusals = []
    speckled, rough, layered = _texture(light)
    if speckled > MOST_SPECKLED or rough > MOST_ROUGH:
        refusals.append(
            refusal("bubbles", "bubbles or specks stand in the liquid that is measured")
        )
    elif layered > MOST_LAYERED:
        refusals.append(refusal("layers", "the liquid that is measured is not one colour"))
    lights = np.median(card.part(liquid), axis=(0, 1)) / white.at(liquid)
    channel = 1 if lights[1] >= LEAST_LIGHT else 0
    if lights[channel] >= LEAST_LIGHT:
        beside = _contrast(card, Box(41.0, bars.y, 5.0, bars.height), channel)
        shown = _contrast(card, bars, channel) / beside * (1 + STRAY_LIGHT / lights[channel])
        if shown < LEAST_CONTRAST:
            problem = f"the bars show through it at {shown:.0%} of their contrast"
            refusals.append(refusal("cloud", problem))
    return tuple(refusals)


def _glass_width(card: FlatCard, white: White) -> float:
    """Outer width of what stands before the field in the rows of the liquid [mm]; 0 if nothing."""
    (top, bottom), reach = LIQUID_ROWS, 19.0
    part = card.part(Box(CENTRE - reach, top + 1, 2 * reach, bottom - top - 2))
    level = white.at(Box(CENTRE - 5, top, 10, bottom - top))
    profile = np.median(part, axis=0) / level
    apart = np.flatnonzero(np.abs(profile - 1).max(axis=1) > SEEN_GLASS)
    return float(apart[-1] - apart[0] + 1) / PER_MM if len(apart) else 0.0


def _texture(light: FloatArray) -> tuple[float, float, float]:
    """Share of specks, roughness and how the colour changes from top to bottom, of the light."""
    light = np.maximum(light, 0.002)
    middle = float(np.median(light))
    rows = np.median(light, axis=1)
    layered = float(np.ptp(_smooth(rows)) / max(middle, 0.03))
    rest = light - np.median(light, axis=0, keepdims=True) - (rows - middle)[:, None]
    spread = 1.4826 * float(np.median(np.abs(rest)))
    off = np.abs(rest) > max(5 * spread, 0.08 * middle, 0.01)
    return float(off.mean()), spread / max(middle, 0.05), layered


def _smooth(rows: FloatArray) -> FloatArray:
    width = max(3, len(rows) // 4)
    return np.convolve(rows, np.ones(width) / width, mode="valid")


def _contrast(card: FlatCard, box: Box, channel: int) -> float:
    """Of the bars in a column of the card: light between them less light on them, by the sum."""
    rows = card.part(box)[..., channel].mean(axis=1)
    period = round(4 * PER_MM)
    waves = rows[: len(rows) // period * period].reshape(-1, period)
    fields = np.sort(waves, axis=1)
    third = period // 4
    dark, bright = fields[:, :third].mean(), fields[:, -third:].mean()
    return float((bright - dark) / max(bright + dark, 1e-4))


def _ratio(
    card: FlatCard, white: White, correction: Correction, windows: tuple[Window, ...]
) -> tuple[FloatArray, FloatArray]:
    """Light through the liquid by that through the empty glass, corrected, and its own doubt."""
    liquid, empty, *_ = (window.box for window in windows)
    part = card.part(liquid) / white.at(liquid)
    share = np.median(part, axis=(0, 1))
    blank = np.median(card.part(empty), axis=(0, 1)) / white.at(empty)
    # what is no empty glass is not taken for one
    is_blank = blank.min() > 0.8 and blank.max() < 1.02 and blank.max() / blank.min() < 1.07
    taken = blank if is_blank else np.full(3, GLASS_LIGHT)
    ratio = correction(share / taken)
    spread = np.std(part, axis=(0, 1)) / np.sqrt(max(part[..., 0].size / 200, 1.0))
    noise = spread / np.maximum(share, 0.01)
    doubt = np.hypot(np.minimum(noise, 0.5), 0.01 if is_blank else 0.025)
    return ratio, np.asarray(doubt)
