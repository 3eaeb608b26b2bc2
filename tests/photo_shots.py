"""Photos that several tests look at, rendered once."""

from __future__ import annotations

from functools import cache
from typing import Any

from loopodds.photo.liquids import Glass
from loopodds.photo.pictures import open_picture
from loopodds.photo.reading import Reading, read_picture
from photo_colours import Camera, Liquid
from photo_scenes import Scene, picture

SMALL: dict[str, Any] = {"size": (960, 720), "fill": 0.9, "tilt": 0.03}
"""Enough for the card: four pixels a millimetre."""
INNER_MM = 14.0
AMBER = Liquid(0.5, 60.0)


@cache
def rendered(**more: Any) -> bytes:
    """A usable photo by daylight of an amber liquid, but for what is said."""
    scene = {"liquid": AMBER, "inner_mm": INNER_MM, "camera": Camera(), **SMALL, **more}
    return picture(Scene(**scene))


def read(content: bytes, path_mm: float = INNER_MM) -> Reading:
    """A photo read, of a glass of that width."""
    return read_picture(open_picture(content), Glass(path_mm, 0.2))
