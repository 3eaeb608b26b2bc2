"""Colour arithmetic: linear light, tristimulus values, CIELAB, differences, scales for oils.

Tristimulus values are relative: Y is 1 for whatever lets all light through. Arrays have their
three colour values last.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray

_CHROMATICITIES = {"C": (0.31006, 0.31616), "D65": (0.3127, 0.3290)}
WHITES = {name: (x / y, 1.0, (1 - x - y) / y) for name, (x, y) in _CHROMATICITIES.items()}
"""White of an illuminant, 2 degree observer (CIE 15:2018)."""
_LINEAR_SRGB = np.array(
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)  # IEC 61966-2-1
STANDARD_PATH_MM, BLANK, PER_DENSITY = 32.5, 0.25, 0.8695
"""Of ASTM D1500: the vessel, what water reads, and the slope by the sum of the three densities."""
SCALE_END = 8.0
"""Of ASTM D1500; what is darker has no number there, however the formula goes on."""
D1500_WHITE = (0.98074, 1.0, 1.18232)
GARDNER_PATH_MM = 10.65
GARDNER = (
    (0.3177, 0.3303, 80), (0.3233, 0.3352, 79), (0.3329, 0.3452, 76), (0.3437, 0.3644, 75),
    (0.3558, 0.3840, 74), (0.3767, 0.4061, 71), (0.4044, 0.4352, 67), (0.4207, 0.4498, 64),
    (0.4340, 0.4640, 61), (0.4503, 0.4760, 57), (0.4842, 0.4818, 45), (0.5077, 0.4638, 36),
    (0.5392, 0.4458, 30), (0.5646, 0.4270, 22), (0.5857, 0.4089, 16), (0.6047, 0.3921, 11),
    (0.6290, 0.3701, 6), (0.6477, 0.3521, 4),
)  # fmt: skip
"""Chromaticity x, y and luminous transmittance [%] of the 18 Gardner colours under illuminant C
(ISO 4630, ASTM D1544, read in secondary publications)."""
_DARKEST = 1e-6


def to_linear(encoded: FloatArray) -> FloatArray:
    """Linear light of sRGB values (IEC 61966-2-1), both 0 to 1."""
    low = encoded / 12.92
    high = ((np.maximum(encoded, 0) + 0.055) / 1.055) ** 2.4
    return np.asarray(np.where(encoded <= 0.04045, low, high))


def to_encoded(linear: FloatArray) -> FloatArray:
    """sRGB values of linear light, both 0 to 1."""
    curve = 1.055 * np.maximum(linear, 0) ** (1 / 2.4) - 0.055
    return np.asarray(np.where(linear <= 0.0031308, 12.92 * linear, curve))


def linear_srgb(xyz: FloatArray) -> FloatArray:
    """Linear sRGB of tristimulus values under D65; below zero where sRGB has no such colour."""
    return np.asarray(xyz @ _LINEAR_SRGB.T)


def xyz_of_linear(rgb: FloatArray) -> FloatArray:
    """Tristimulus values under D65 of linear sRGB."""
    return np.asarray(np.linalg.solve(_LINEAR_SRGB, rgb[..., None])[..., 0])


def lab(xyz: FloatArray, illuminant: str = "C") -> FloatArray:
    """CIELAB (1976) of tristimulus values under an illuminant."""
    ratio = xyz / np.array(WHITES[illuminant])
    low = (24389 / 27 * ratio + 16) / 116
    fx, fy, fz = np.moveaxis(np.where(ratio > 216 / 24389, np.cbrt(ratio), low), -1, 0)
    return np.stack([116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)], axis=-1)


def difference(one: FloatArray, other: FloatArray) -> FloatArray:
    """Colour difference CIEDE2000 of two colours in CIELAB, all weights one.

    After Sharma, Wu & Dalal, Color Research & Application 30 (2005) 21-30.
    """
    (l1, a1, b1), (l2, a2, b2) = np.moveaxis(one, -1, 0), np.moveaxis(other, -1, 0)
    chroma = (np.hypot(a1, b1) + np.hypot(a2, b2)) / 2
    stretch = 1.5 - 0.5 * np.sqrt(chroma**7 / (chroma**7 + 25.0**7))
    a1, a2 = stretch * a1, stretch * a2
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = (np.degrees(np.arctan2(b, a)) % 360 for a, b in ((a1, b1), (a2, b2)))
    grey = c1 * c2 == 0
    turn = np.where(grey, 0.0, (h2 - h1 + 180) % 360 - 180)
    # half a turn has no sign of its own: the sign of the plain difference holds
    turn = np.where((turn == -180) & (h2 > h1), 180.0, turn)
    far = np.abs(h1 - h2) > 180
    mean = np.where(far, (h1 + h2 + np.where(h1 + h2 < 360, 360, -360)) / 2, (h1 + h2) / 2)
    mean = np.where(grey, h1 + h2, mean)
    lightness, chroma = (l1 + l2) / 2, (c1 + c2) / 2
    t = (
        1 - 0.17 * _cos(mean - 30) + 0.24 * _cos(2 * mean)
        + 0.32 * _cos(3 * mean + 6) - 0.20 * _cos(4 * mean - 63)
    )  # fmt: skip
    off = (lightness - 50) ** 2
    by_l = (l2 - l1) / (1 + 0.015 * off / np.sqrt(20 + off))
    by_c = (c2 - c1) / (1 + 0.045 * chroma)
    by_h = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2)) / (1 + 0.015 * chroma * t)
    tilt = 60 * np.exp(-(((mean - 275) / 25) ** 2))
    rotation = -2 * np.sqrt(chroma**7 / (chroma**7 + 25.0**7)) * np.sin(np.radians(tilt))
    whole = by_l**2 + by_c**2 + by_h**2 + rotation * by_c * by_h
    return np.asarray(np.sqrt(np.maximum(whole, 0)))


def _cos(degrees: FloatArray) -> FloatArray:
    return np.asarray(np.cos(np.radians(degrees)))


def oil_scale(xyz: FloatArray, path_mm: FloatArray | float = STANDARD_PATH_MM) -> FloatArray:
    """Colour on ASTM D1500 (ISO 2049) of tristimulus values under illuminant C.

    .25 + .8695 (dX + dY + dZ), with d the densities beside water, a computing rule that a
    public repository of an oil laboratory writes down; the standard compares by eye. Densities
    grow with the path of the light, so those of another path count by it; of a colour that filters
    strongly that is rough, and :mod:`loopodds.photo.liquids` does it wave by wave.

    >>> float(oil_scale(np.array([0.98074, 1.0, 1.18232])).round(4))
    0.25
    >>> float(oil_scale(np.array([0.098074, 0.1, 0.118232])).round(4))
    2.8585
    """
    densities = -np.log10(np.maximum(xyz, _DARKEST) / np.array(D1500_WHITE))
    whole = densities.sum(axis=-1) * STANDARD_PATH_MM / path_mm
    return np.asarray(BLANK + PER_DENSITY * whole)


def gardner_xyz() -> FloatArray:
    """Tristimulus values of the 18 Gardner colours under illuminant C, shape (18, 3)."""
    x, y, percent = np.array(GARDNER).T
    bright = percent / 100
    return np.stack([x / y * bright, bright, (1 - x - y) / y * bright], axis=-1)


class Spectra(NamedTuple):
    """What turns a spectrum into tristimulus values: waves [nm], and for each light weights."""

    waves: FloatArray
    weights: dict[str, FloatArray]  # by illuminant, shape (waves, 3)


@lru_cache(maxsize=1)
def spectra() -> Spectra:
    """The observer with illuminants C and D65 every 5 nm, of the data folder (CIE 15:2018)."""
    from importlib import resources

    text = resources.files("loopodds_data").joinpath("colour/cie_1931.csv").read_text("utf-8")
    rows = np.array([line.split(",") for line in text.splitlines()[2:]], dtype=float)
    observer, c, d65 = rows[:, 1:4], rows[:, 4], rows[:, 5]
    lit = {name: observer * light[:, None] for name, light in (("C", c), ("D65", d65))}
    return Spectra(rows[:, 0], {name: w / w[:, 1].sum() for name, w in lit.items()})


def xyz_of(transmittance: FloatArray, illuminant: str = "C") -> FloatArray:
    """Tristimulus values of transmittances every 5 nm from 380 to 780 nm, shape (..., waves)."""
    return np.asarray(transmittance @ spectra().weights[illuminant])
