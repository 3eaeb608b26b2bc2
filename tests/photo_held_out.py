"""Two more renderers: lamps, sensors, inks, liquids, dyes, noise of their own.

By photos of the second the errors in liquids.py were set, together with those of photo_scenes.py.
By those of the third no number was set: what it says of the library is what a stranger would say,
as far as rendered photos go. Lamps are published tables, all else is invented.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from photo_benches import Amber, drawn_sample
from photo_colours import (
    LIGHTS_KEPT_OUT,
    OTHER_LIGHTS,
    OTHER_SENSORS,
    SENSORS_KEPT_OUT,
    WAVES,
    Array,
    Camera,
    Liquid,
    Printer,
    bump,
)
from photo_scenes import Scene, drawn

Kind = Callable[[np.random.Generator], tuple[Amber, Array]]
Drawn = tuple[dict[str, str], Scene]


def banded(rng: np.random.Generator) -> tuple[Amber, Array]:
    """Bands in the blue upon a power of the wavelength; a dye with a shoulder."""
    steep, soot = rng.uniform(4, 11), (rng.random() < 0.3) * rng.uniform(0.05, 0.5)
    centre, width, share = rng.uniform(395, 450), rng.uniform(30, 55), rng.uniform(0, 0.8)
    waist = rng.uniform(0, 0.08) * bump(rng.uniform(515, 560), 30)
    tail = np.minimum((450 / WAVES) ** steep, 4) * (1 - share) + share * bump(centre, width) + waist
    black = soot * (550 / WAVES) ** rng.uniform(0.6, 1.4)
    red = rng.uniform(618, 662)
    dye = bump(red, 26) + rng.uniform(0.2, 0.5) * bump(red - 42, 26)
    dye = dye + rng.uniform(0.3, 1.6) * bump(rng.uniform(408, 430), 24)
    return lambda m: Liquid(dye=m * (tail + black)), dye


def two_tailed(rng: np.random.Generator) -> tuple[Amber, Array]:
    """A steep tail and a flat one, and soot; a dye of two Lorentzian bands."""
    steep, flat = rng.uniform(25, 45), rng.uniform(80, 150)
    share = rng.uniform(0.1, 0.9)
    tail = share * np.exp(np.minimum((450 - WAVES) / steep, 2))
    tail = tail + (1 - share) * np.exp((450 - WAVES) / flat)
    tail = tail + (rng.random() < 0.3) * rng.uniform(0.05, 0.4)
    red, blue = rng.uniform(622, 660), rng.uniform(405, 440)
    dye = 1 / (1 + ((WAVES - red) / 30) ** 2)
    dye = dye + rng.uniform(0.3, 1.4) / (1 + ((WAVES - blue) / 26) ** 2)
    return lambda m: Liquid(dye=m * tail), dye


def second(seed: int) -> Drawn:
    """Words, and a usable photo of a liquid that the shipped links would call so."""
    return _other(seed + 7_000_000, banded, OTHER_LIGHTS, OTHER_SENSORS)


def held_out(seed: int) -> Drawn:
    """The same, by the renderer that nothing was set by."""
    return _other(seed + 9_000_000, two_tailed, LIGHTS_KEPT_OUT, SENSORS_KEPT_OUT)


def _other(seed: int, kind: Kind, lights: tuple[str, ...], sensors: int) -> Drawn:
    rng = np.random.default_rng(seed)
    words, liquid = drawn_sample(rng, kind)
    scene = drawn(seed, liquid)
    cast = np.exp(rng.normal(0, 0.08, 3))
    camera = Camera(
        sensors + int(rng.integers(12)), tuple(cast / cast[1]),
        scene.camera.exposure, rng.uniform(-0.1, 0.45), rng.uniform(0.9, 1.1),
        rng.uniform(0.9, 1.3), rng.uniform(0.003, 0.015), rng.uniform(0.5, 1.6),
        int(rng.integers(68, 94)), rng.uniform(0, 0.008),
    )  # fmt: skip
    printer = replace(
        Printer.drawn(rng), split=bool(sensors == OTHER_SENSORS or rng.random() < 0.5)
    )
    light = lights[int(rng.integers(len(lights)))]
    inner = float(rng.choice([8.0, 11.0, 13.0, 15.0, 18.0, 24.0]))
    return words, replace(scene, camera=camera, printer=printer, light=light, inner_mm=inner)
