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
    STANDARD_PATH_MM,
    WHITES,
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
LIGHTNESS_FREE = 0.04
"""Standard deviation of the logarithm of all light, by which a colour may be lighter or darker than
the Gardner colour it is likened to: the standard has one ignore lightness."""
GREEN_PATH_MM = 10.0
"""Path at which the second axis, greenness, is told."""
NEUTRAL_ERROR, RELATIVE_ERROR, COMMON_ERROR = 0.025, (0.09, 0.06, 0.10), 0.06
"""Standard deviations of the logarithm of what is measured: at white, and as shares of the density
of each channel and of all together. Measured on rendered photos (tests/benchmarks/photo.py)."""
UNLIKE = 16.27
"""Squared distance that one in a thousand exceeds with three numbers (chi-square, 99.9 %)."""
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
    darker: bool  # than the scale, or than the picture can tell
    gardner: float
    green: float
    green_doubt: float
    lab: tuple[float, float, float]  # in this glass, illuminant C
    apart: float  # squared distance of the nearest liquid, in standard deviations
    posterior: FloatArray  # over the family

    @property
    def unlike(self) -> bool:
        """Whether hardly any liquid of the trade looks so."""
        return self.apart > UNLIKE


def measured(ratio: FloatArray, doubt: FloatArray, glass: Glass) -> Measured:
    """What a liquid reads whose light is so much of white, in linear sRGB, glass taken off.

    Args:
        ratio: Of the three channels.
        doubt: Standard deviation of their logarithm beyond that of every picture.
    """
    liquids = family()
    path = glass.path_mm * np.exp(liquids.path_step * glass.error_mm / glass.path_mm)
    through = _xyz(liquids.absorbance, path, "D65")
    seen = np.log(np.clip(linear_srgb(through), 0, None) + FLOOR)
    here = np.log(np.clip(ratio, 0, None) + FLOOR)
    spread = _covariance(-here, doubt)
    off = (seen - here) @ np.linalg.inv(np.linalg.cholesky(spread)).T
    apart = (off**2).sum(axis=1)
    nearest = float(apart.min())
    posterior = liquids.weight * np.exp(-(apart - nearest) / 2)
    posterior /= posterior.sum()
    low, middle, high = quantiles(liquids.scale, posterior, (LEVELS[0], 0.5, LEVELS[1]))
    green = float(posterior @ liquids.green)
    xyz = posterior @ _xyz(liquids.absorbance, glass.path_mm)
    number = gardner_number(here, spread, glass.path_mm)
    return Measured(
        middle, low, high, high > SCALE_MOST - 0.5, number, green,
        float(np.sqrt(posterior @ (liquids.green - green) ** 2)),
        tuple(lab(xyz).tolist()), nearest, posterior,
    )  # fmt: skip


def gardner_number(here: FloatArray, spread: FloatArray, path_mm: float) -> float:
    """Where a colour lies on the Gardner scale, 1 to 18 with parts.

    Args:
        here: Logarithm of the light with the floor added, as the liquids are held against.
        spread: Its covariance.
    """
    numbers = np.linspace(1, len(GARDNER), 20 * (len(GARDNER) - 1) + 1)
    density = -np.log(gardner_xyz() / np.array(WHITES["C"])) * path_mm / GARDNER_PATH_MM
    along = [np.interp(numbers, np.arange(1, len(GARDNER) + 1), part) for part in density.T]
    daylight = np.exp(-np.stack(along, axis=1)) * np.array(WHITES["D65"])
    seen = np.log(np.clip(linear_srgb(daylight), 0, None) + FLOOR)
    inverse = np.linalg.inv(spread + LIGHTNESS_FREE**2)
    apart = np.einsum("ni,ij,nj->n", seen - here, inverse, seen - here)
    likely = np.exp(-(apart - apart.min()) / 2)
    return float(likely @ numbers / likely.sum())


def _covariance(density: FloatArray, doubt: FloatArray) -> FloatArray:
    depth = np.maximum(density, 0)
    own = NEUTRAL_ERROR**2 + (np.array(RELATIVE_ERROR) * depth) ** 2 + doubt**2
    return np.diag(own) + COMMON_ERROR**2 * np.outer(depth, depth)


def quantiles(values: FloatArray, weights: FloatArray, levels: tuple[float, ...]) -> list[float]:
    """Of weighted values."""
    order = values.argsort()
    reached = np.cumsum(weights[order]) - weights[order] / 2
    return [float(np.interp(level, reached, values[order])) for level in levels]
