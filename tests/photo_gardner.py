"""Liquids of the 18 Gardner colours: smooth spectra fitted to their published chromaticities."""

from __future__ import annotations

from functools import cache

import numpy as np
from loopodds.photo.colours import difference, gardner_xyz, lab, xyz_of
from photo_colours import WAVES, Liquid
from scipy.optimize import least_squares

PATH_MM = 10.65


@cache
def gardner_liquids() -> tuple[Liquid, ...]:
    """One for each colour, each within .3 (CIEDE2000) of what is published."""
    return tuple(_fitted(xyz) for xyz in gardner_xyz())


def _fitted(target: np.ndarray) -> Liquid:
    blue = (550 - WAVES) / 100

    def absorbance(terms: np.ndarray) -> np.ndarray:
        tail = np.exp(np.minimum(terms[0] + terms[1] * blue + terms[2] * blue**2, 2.5))
        return np.asarray(tail + np.exp(terms[3]))

    def off(terms: np.ndarray) -> np.ndarray:
        made = lab(np.maximum(xyz_of(10 ** -absorbance(terms)), 1e-9))
        held = 0.02 * (terms - np.array([-1.5, 1.5, 0.0, -2.5]))
        return np.concatenate([made - lab(target), held])

    starts = [(-3.0, 2.0, 0.0, -2.5), (-1.0, 1.5, 0.0, -2.5), (0.5, 2.0, -0.3, -3.0)]
    found = min((least_squares(off, start) for start in starts), key=lambda r: r.cost)
    made = absorbance(found.x)
    assert difference(lab(xyz_of(10**-made)), lab(target)) < 0.3
    return Liquid(dye=made * 10 / PATH_MM)
