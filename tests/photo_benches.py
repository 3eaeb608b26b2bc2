"""Liquids with a stated place on the axes, and scenes that are no evidence."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial

import numpy as np
from loopodds.knowledge.records import Knowledge
from loopodds.photo.colours import oil_scale, xyz_of
from loopodds.photo.links import links_of
from loopodds.photo.liquids import greenness
from photo_colours import Array, Camera, Liquid, bump, green_dye
from photo_scenes import Scene, drawn, picture, pixels
from PIL import Image
from scipy import ndimage


def scale_of(liquid: Liquid) -> float:
    """On the oil scale, in its own vessel."""
    return float(oil_scale(xyz_of(liquid.transmittance(32.5))))


def green_of(liquid: Liquid) -> float:
    """Greenness, at 10 mm."""
    xyz = liquid.transmittance(10)[::2]
    from loopodds.photo.liquids import spectra

    weights = spectra().weights["C"][::2]
    return float(greenness(xyz @ (weights / weights[:, 1].sum())))


Amber = Callable[[float], Liquid]
"""A liquid with so much of what makes it amber."""


def amber(rng: np.random.Generator) -> tuple[Amber, Array]:
    """What a tail and grey make of it, and a green dye."""
    width, grey = rng.uniform(42, 95), (rng.random() < 0.3) * rng.uniform(0.05, 0.6)
    dye = green_dye(1.0, rng.uniform(625, 655), rng.uniform(0.4, 1.5))
    return lambda m: Liquid(m, width, grey * m), dye


def liquid_at(
    dark: float,
    green: float,
    rng: np.random.Generator,
    kind: Callable[[np.random.Generator], tuple[Amber, Array]] = amber,
) -> Liquid:
    """A liquid that reads so without its dye, dyed until it is so green, if that can be."""
    make, dye = kind(rng)
    scaled = _found(make, scale_of, dark, 40.0)

    def dyed(strength: float) -> Liquid:
        return replace(scaled, dye=scaled.dye + strength * dye)

    return _found(dyed, green_of, green, 3.0) if green > green_of(scaled) + 0.5 else scaled


def _found(
    make: Callable[[float], Liquid], tell: Callable[[Liquid], float], target: float, most: float
) -> Liquid:
    low, high = 1e-5, most
    for _ in range(34):
        middle = (low * high) ** 0.5
        low, high = (middle, high) if tell(make(middle)) < target else (low, middle)
    return make(high)


def drawn_sample(
    rng: np.random.Generator, kind: Callable[[np.random.Generator], tuple[Amber, Array]] = amber
) -> tuple[dict[str, str], Liquid]:
    """Words drawn alike often, and a liquid that the shipped links would call so."""
    links = links_of(Knowledge())
    words, places = {}, {}
    for name, link in links.items():
        word = str(rng.choice(list(link.states)))
        place = link.states[word]
        words[name], places[link.axis] = word, rng.normal(place.mean, place.spread)
    return words, liquid_at(float(np.clip(places["dark"], 0.3, 13)), places["green"], rng, kind)


def ink(rng: np.random.Generator) -> Liquid:
    """Blue, violet or red."""
    centre = float(rng.choice([520.0, 560.0, 590.0]))
    return Liquid(0.01, 60, 0.0, rng.uniform(0.4, 2.0) * bump(centre, rng.uniform(30, 50)))


def coffee(rng: np.random.Generator) -> Liquid:
    """Black coffee: a wide tail."""
    return Liquid(rng.uniform(2, 9), rng.uniform(80, 110), rng.uniform(0.0, 0.1))


def oil(rng: np.random.Generator) -> Liquid:
    """Any liquid of the trade that light goes through."""
    return liquid_at(rng.uniform(0.6, 6), 0.0, rng)


def _jpeg(values: np.ndarray) -> bytes:
    out = io.BytesIO()
    Image.fromarray(values).save(out, "JPEG", quality=88)
    return out.getvalue()


def _scene(seed: int, **more: object) -> bytes:
    return picture(drawn(seed, oil(np.random.default_rng(seed)), **more))


def _hand(seed: int) -> bytes:
    """A hand across the card, over a ring."""
    rng = np.random.default_rng(seed)
    values = pixels(drawn(seed, oil(rng), turn=0.0, fill=0.85)).astype(float)
    height, width = values.shape[:2]
    y, x = np.mgrid[:height, :width]
    side = 1 if rng.random() < 0.5 else -1
    cx, cy = width / 2 + side * height * 0.27, height * rng.choice([0.12, 0.5, 0.88])
    for finger in range(4):
        shape = ((x - cx) / (height * 0.24)) ** 2 + ((y - cy - 40 * finger) / 24) ** 2 < 1
        values[shape] = rng.normal([205, 160, 135], 4)
    return _jpeg(ndimage.gaussian_filter(values, (1, 1, 0)).astype(np.uint8))


def _cup(seed: int) -> bytes:
    """A cup from above, no card."""
    rng = np.random.default_rng(seed)
    values = pixels(Scene(card=False, camera=Camera.drawn(rng), seed=seed)).astype(float)
    y, x = np.mgrid[: values.shape[0], : values.shape[1]]
    far = np.hypot(x - 670, y - 500)
    values[far < 330], values[far < 280] = (235, 230, 225), (70, 38, 20)
    return _jpeg(values.astype(np.uint8))


def _liquid(make: Callable[[np.random.Generator], Liquid], seed: int) -> bytes:
    return picture(drawn(seed, make(np.random.default_rng(seed))))


def _bubbles(seed: int) -> bytes:
    return _scene(seed, bubbles=int(np.random.default_rng(seed).integers(25, 90)))


def _other_path(seed: int) -> bytes:
    return _scene(seed, inner_mm=8.0)


WRONG: Mapping[str, Callable[[int], bytes]] = {
    "no card": partial(_scene, card=False),
    "other card": partial(_scene, other_card=True),
    "hand": _hand,
    "engine": lambda seed: picture(Scene(card=False, camera=Camera(exposure=0.4), seed=seed)),
    "cup of coffee": _cup,
    "ink": partial(_liquid, ink),
    "fogged glass": partial(_scene, fog=0.8),
    "bubbles": _bubbles,
    "cloud": partial(_scene, cloud=0.8),
    "no glass": partial(_scene, glass=False),
    "shadow": partial(_scene, shadow=0.3),
    "bent": partial(_scene, bend=4.0),
    "flash": partial(_scene, camera=Camera(exposure=1.3)),
}
"""Scenes that are no evidence, by what is wrong with them."""
ALIKE: Mapping[str, Callable[[int], bytes]] = {"coffee in the glass": partial(_liquid, coffee)}
"""What no colour can tell from an oil."""
