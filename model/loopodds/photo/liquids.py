"""Which liquids may have made a colour: the light that a glass lets through, read as a number.

A picture has three numbers, a liquid a spectrum. So the colour measured is held against some
thousand liquids of one family: a tail that falls towards the red, as the electronic absorption of
oils, of what oxidises and of what chars does, a grey share of whatever is black, and perhaps a
green dye. Each liquid says what the camera should see through this glass, and what the oil scale
would read in its own vessel, wave by wave. What is left is a posterior over liquids: a number with
its interval, also where blue light is gone altogether and only red and green still tell.

The family reproduces the 18 Gardner colours; of real samples nothing is known.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.photo.colours import (
    GARDNER,
    GARDNER_PATH_MM,
    SCALE_END,
    STANDARD_PATH_MM,
    difference,
    gardner_xyz,
    lab,
    linear_srgb,
    oil_scale,
    spectra,
)  # fmt: skip

MANY, SEED = 30_000, 20
SCALE_MOST = 14.0
"""The liquids reach that far on the oil scale, which ends at 8: beyond is told as darker."""
FLOOR = np.array([0.012, 0.01, 0.025])
"""Share of the white light below which a camera tells nothing reliable apart: most in blue, which
sRGB has none of in deep yellows."""
GREEN_PATH_MM = 10.0
"""Path at which the second axis, greenness, is told."""
NEUTRAL_ERROR = 0.01
RELATIVE_ERROR = np.array([0.055, 0.04, 0.01])
MIXING_ERROR = np.array([0.055, 0.033, 0.025])
BLUE_ERROR = np.array([0.0, 0.0, 0.22])
"""Standard deviations of the logarithm of what is measured: at white; as shares of the density; as
shares of the light by which the other channels differ; and of a colour without any grey. A camera's
channels are not those of the observer: much red leaves some doubt about little blue, and whatever
is not grey has its blue off. Fitted to photos of two renderers (tests/photo_scenes.py,
photo_held_out.py), as is the next; of real cameras they are estimates."""
FREEDOM = 5.0
"""Of the Student t that errors follow: a lamp or dye that a camera takes amiss is no rare thing."""
UNLIKE = 9.0
"""Squared distance, in standard deviations, of the nearest liquid of a colour that is none's. Of
good photos one in a thousand of one renderer is further and five of another, of inks two in a
hundred are nearer."""
LEVELS = (0.05, 0.95)


class Glass(NamedTuple):
    """What the light goes through: inner diameter and its standard deviation [mm]."""

    path_mm: float
    error_mm: float


@dataclass(frozen=True, eq=False)
class Liquids:
    """The family: what each absorbs, where it stands, and how much it counts beforehand.

    The prior is even along the oil scale without the dye, so that it says nothing of darkening.
    """

    absorbance: FloatArray  # decadic at 10 mm, shape (liquids, waves)
    scale: FloatArray  # on ASTM D1500, in its own vessel
    dark: FloatArray  # the same without its green dye
    green: FloatArray  # greenness, as :func:`greenness`
    weight: FloatArray
    path_step: FloatArray  # of the path's error, in standard deviations


@lru_cache(maxsize=1)
def family() -> Liquids:
    """The liquids, always the same ones."""
    rng = np.random.default_rng(SEED)
    waves = spectra().waves[::2]
    energy = 1239.84 / waves  # photon energy [eV] of a wavelength [nm]
    tail = 10 ** rng.uniform(-2.3, 1.2, (MANY, 1))
    slope = np.exp(rng.normal(np.log(0.27), 0.3, (MANY, 1)))
    amber = np.minimum(tail * np.exp((energy - 2.75) / slope), 8.0)
    grey = np.where(
        rng.random((MANY, 1)) < 0.6,
        0.03 * rng.random((MANY, 1)),
        10 ** rng.uniform(-2, 0.3, (MANY, 1)),
    )
    strength = np.where(
        rng.random((MANY, 1)) < 0.5, 0.0, 10 ** rng.uniform(-2, 0.4, (MANY, 1))
    )  # fmt: skip
    red, blue = rng.uniform(620, 665, (MANY, 1)), rng.uniform(0.2, 2.0, (MANY, 1))
    dye = _band(waves, red, 40.0) + blue * _band(waves, 432.0, 30.0)
    dark = oil_scale(_xyz(amber + grey, STANDARD_PATH_MM))
    within = dark < SCALE_MOST
    absorbed, dark = (amber + grey + strength * dye)[within], dark[within]
    scale = oil_scale(_xyz(absorbed, STANDARD_PATH_MM))
    green = greenness(_xyz(absorbed, GREEN_PATH_MM))
    step = rng.standard_normal(len(dark))
    return Liquids(absorbed, scale, dark, green, _even(dark), step)


def _band(waves: FloatArray, centre: FloatArray | float, width: float) -> FloatArray:
    return np.asarray(np.exp(-(((waves - centre) / width) ** 2) / 2))


def _even(scale: FloatArray) -> FloatArray:
    """Weights that make a sample even along the scale."""
    counts, edges = np.histogram(scale, bins=56, range=(0.0, SCALE_MOST))
    share = counts[np.clip(np.digitize(scale, edges) - 1, 0, len(counts) - 1)]
    return 1.0 / share


def _xyz(absorbance: FloatArray, path_mm: FloatArray | float, light: str = "C") -> FloatArray:
    """Tristimulus values through a path, absorbances every 10 nm."""
    weights = spectra().weights[light][::2]
    through = np.exp(-np.log(10) / 10 * absorbance * np.asarray(path_mm)[..., None])
    return np.asarray(through @ (weights / weights[:, 1].sum()))


@lru_cache(maxsize=1)
def _ungreen() -> tuple[FloatArray, FloatArray]:
    """Along ambers, dZ - dY rising and the dX - dY that goes with it."""
    tails = np.linspace(-3.5, 1.6, 120)
    energy = 1239.84 / spectra().waves[::2]
    amber = np.minimum(10 ** tails[:, None] * np.exp((energy - 2.75) / 0.27), 8.0)
    density = -np.log10(_xyz(amber, GREEN_PATH_MM) / _xyz(0 * amber[:1], 1.0))
    return density[:, 2] - density[:, 1], density[:, 0] - density[:, 1]


def greenness(xyz: FloatArray) -> FloatArray:
    """How much greener, in a* of CIELAB, than an amber or grey liquid as light and as yellow.

    The liquid compared with has the same Y and Z, hence the same L* and b*: a grey share adds the
    same to all three densities, so amber and grey liquids lie on one line of density differences.
    Below zero is redder.
    """
    white = _xyz(np.zeros((1, len(spectra().waves[::2]))), 1.0)[0]
    density = -np.log10(np.maximum(xyz, 1e-7) / white)
    yellow, red = _ungreen()
    expected = np.interp(density[..., 2] - density[..., 1], yellow, red) + density[..., 1]
    plain = np.array(xyz)
    plain[..., 0] = white[0] * 10**-expected
    return np.asarray(lab(plain)[..., 1] - lab(xyz)[..., 1])


class Measured(NamedTuple):
    """The liquids that a colour may be of."""

    scale: float
    low: float  # of 90 %
    high: float
    darker: bool  # than the scale goes
    gardner: float
    green: float
    green_doubt: float
    lab: tuple[float, float, float]  # in this glass, illuminant C
    apart: float  # squared distance of the nearest liquid, in standard deviations
    posterior: FloatArray  # over the family

    @property
    def place(self) -> str:
        """The number on the oil scale in words, as far as the scale goes."""
        return _on_scale(self.scale)

    @property
    def interval(self) -> str:
        """Its interval of 90 %."""
        high = _on_scale(self.high)
        return high if self.low > SCALE_END else f"{self.low:.1f} to {high}"

    @property
    def unlike(self) -> bool:
        """Whether hardly any liquid of the trade looks so."""
        return self.apart > UNLIKE


def _on_scale(place: float) -> str:
    return f"darker than {SCALE_END:.0f}" if place > SCALE_END else f"{place:.1f}"


def measured(ratio: FloatArray, doubt: FloatArray, glass: Glass) -> Measured:
    """What a liquid reads whose light is so much of white, in linear sRGB, glass taken off.

    Args:
        ratio: Of the three channels.
        doubt: Standard deviation of their logarithm beyond that of every picture.
    """
    liquids = family()
    path = glass.path_mm * np.exp(liquids.path_step * glass.error_mm / glass.path_mm)
    through = _xyz(liquids.absorbance, path, "D65")
    seen = np.clip(linear_srgb(through), 0, None) + FLOOR
    off = np.log(seen / (np.clip(ratio, 0, None) + FLOOR))
    variance = _variance(seen, doubt)
    apart = (off**2 / variance).sum(axis=1)
    likely = -(FREEDOM + 3) / 2 * np.log1p(apart / FREEDOM) - np.log(variance).sum(axis=1) / 2
    posterior = liquids.weight * np.exp(likely - likely.max())
    posterior /= posterior.sum()
    low, middle, high = quantiles(liquids.scale, posterior, (LEVELS[0], 0.5, LEVELS[1]))
    green = float(posterior @ liquids.green)
    xyz = posterior @ _xyz(liquids.absorbance, glass.path_mm)
    in_cell = np.log(np.maximum(_xyz(liquids.absorbance, GARDNER_PATH_MM), 1e-9))
    return Measured(
        middle, low, high, middle > SCALE_END,
        gardner_number(np.exp(posterior @ in_cell)), green,
        float(np.sqrt(posterior @ (liquids.green - green) ** 2)),
        tuple(lab(xyz).tolist()), float(apart.min()), posterior,
    )  # fmt: skip


def _variance(seen: FloatArray, doubt: FloatArray) -> FloatArray:
    """Of the logarithm of what a camera makes of light, shape (..., 3)."""
    depth = np.maximum(-np.log(seen), 0)
    others = np.hypot(np.roll(seen, 1, axis=-1) - seen, np.roll(seen, 2, axis=-1) - seen)
    colour = 1 - seen.min(axis=-1, keepdims=True) / seen.max(axis=-1, keepdims=True)
    parts = (RELATIVE_ERROR * depth, MIXING_ERROR * others / seen, BLUE_ERROR * colour)
    return np.asarray(NEUTRAL_ERROR**2 + doubt**2 + sum(part**2 for part in parts))


def gardner_number(xyz: FloatArray) -> float:
    """Where a colour in the cell of the Gardner scale lies on it, 1 to 18 with parts.

    The nearest by CIEDE2000 between the 18 colours, densities drawn straight from one to the next.

    Args:
        xyz: Tristimulus values under illuminant C.

    >>> round(gardner_number(gardner_xyz()[8]), 1)
    9.0
    """
    numbers = np.linspace(1, len(GARDNER), 20 * (len(GARDNER) - 1) + 1)
    steps = np.arange(1, len(GARDNER) + 1)
    along = np.stack([np.interp(numbers, steps, part) for part in np.log(gardner_xyz()).T], axis=1)
    return float(numbers[difference(lab(np.exp(along)), lab(xyz)).argmin()])


def quantiles(values: FloatArray, weights: FloatArray, levels: tuple[float, ...]) -> list[float]:
    """Of weighted values."""
    order = values.argsort()
    reached = np.cumsum(weights[order]) - weights[order] / 2
    return [float(np.interp(level, reached, values[order])) for level in levels]
