"""Photos rendered: a glass with a liquid before the printed card, in a scene, through a camera.

Light goes through glass and liquid by Beer and Lambert on the way from the card to the camera, wave
by wave; a cylinder's chord is its path. Nothing bends: a real glass magnifies sideways what stands
behind it, which in a white field shows at its edges only. Everything here is invented but the
spectra of lights and of two sensors; no photo of a real sample stands behind any number.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import numpy as np
from loopodds.photo import card
from loopodds.photo.card import Box, Disc
from loopodds.photo.marks import plane_of, projected
from photo_colours import LIGHTS, WAVES, Array, Camera, Liquid, Printer, inks_for
from PIL import Image
from scipy import ndimage

PER_MM = 8
WALL_MM = 1.3
LEVEL_MM, TOP_MM, FOOT_MM = 78.0, 25.5, 149.0
"""Heights on the card: of the liquid's surface, and where the glass begins and ends."""


@dataclass(frozen=True)
class Scene:
    """What stands before the camera."""

    liquid: Liquid = field(default_factory=Liquid)
    inner_mm: float = 14.0
    light: str = "D65"
    camera: Camera = field(default_factory=Camera)
    printer: Printer = field(
        default_factory=lambda: Printer(np.full(len(WAVES), 0.88), 0.05, 0.0, np.ones(3))
    )
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)  # of the glass, blue green red
    lens: float = 0.0  # the middle of the picture is so much brighter than its edge
    shade: float = 0.0  # a side of the card is so much darker
    shadow: float = 0.0  # depth of a hard shadow over half of the card
    tilt: float = 0.0  # how far the card is seen askew
    turn: float = 0.0  # degrees
    bend: float = 0.0  # mm
    fill: float = 0.8  # of the picture's height
    size: tuple[int, int] = (1344, 1008)
    bubbles: int = 0
    specks: int = 0
    cloud: float = 0.0
    fog: float = 0.0
    level_mm: float = LEVEL_MM
    glass: bool = True
    card: bool = True
    other_card: bool = False
    glare: float = 0.0
    seed: int = 0


@cache
def _index() -> tuple[Array, tuple[tuple[int, int, int], ...]]:
    """Which colour is printed where, at PER_MM pixels by the millimetre."""
    rows, columns = (round(n * PER_MM) for n in (card.HEIGHT, card.WIDTH))
    y, x = (np.mgrid[:rows, :columns] + 0.5) / PER_MM
    kinds: dict[tuple[int, int, int], int] = {card.WHITE: 0, card.BLACK: 1}
    index = np.zeros((rows, columns), int)
    for shape, colour in card.drawing():
        kind = kinds.setdefault(colour, len(kinds))
        if isinstance(shape, Box):
            inside = (x >= shape.x) & (x < shape.x + shape.width)
            inside &= (y >= shape.y) & (y < shape.y + shape.height)
        elif isinstance(shape, Disc):
            inside = (x - shape.x) ** 2 + (y - shape.y) ** 2 < shape.radius**2
        else:  # text: a faint stripe
            wide = len(shape.text) * shape.size * 0.5
            left = shape.x - wide / 2 * shape.middle
            inside = (x >= left) & (x < left + wide) & (np.abs(y - shape.y + 0.8) < 0.8)
            inside &= (np.floor(x * 2.5) % 2 == 0) & (np.floor(y * 2.5) % 2 == 0)
        index[inside] = kind
    return index, tuple(kinds)


def _spectra(scene: Scene) -> Array:
    """Reflectance of every colour on the card."""
    _, kinds = _index()
    found = []
    for colour in kinds:
        if colour == card.WHITE:
            found.append(scene.printer.paper)
        elif colour == card.BLACK:
            found.append(scene.printer.grey(1.0))
        elif len(set(colour)) == 1:
            linear = ((colour[0] / 255 + 0.055) / 1.055) ** 2.4
            cover = (1 - linear) ** (1 - 2 * scene.printer.growth_mm)
            tinted = 1 + 0.02 * (scene.printer.off[0] - 1) / 0.08 * (WAVES - 580) / 200
            found.append(scene.printer.grey(cover) * tinted)
        else:
            found.append(scene.printer.reflectance(inks_for(colour, scene.printer.split)))
    return np.array(found)


def picture(scene: Scene) -> bytes:
    """The photo as a JPEG file."""
    encoded = pixels(scene)
    out = io.BytesIO()
    Image.fromarray(encoded).save(out, "JPEG", quality=scene.camera.quality)
    return out.getvalue()


def pixels(scene: Scene) -> Any:
    """The photo before it is packed, as values of 0 to 255."""
    rng = np.random.default_rng(scene.seed)
    linear = _surroundings(scene, rng)
    if scene.card:
        flat = _with_glass(scene, rng) if scene.glass else _of_index(scene, _spectra(scene))
        if scene.other_card:
            flat = flat.copy()
            flat[: 26 * PER_MM] = flat[26 * PER_MM, 0]
        linear = _placed(scene, flat, linear, rng)
    linear = ndimage.gaussian_filter(
        linear, (scene.camera.blur_px, scene.camera.blur_px, 0), truncate=3
    )
    height, width = linear.shape[:2]
    y, x = np.mgrid[:height, :width]
    far = ((x / width - 0.5) ** 2 + (y / height - 0.5) ** 2) * 2
    linear *= (1 - scene.lens * far)[..., None].astype(np.float32)
    shot = scene.camera.noise * (np.sqrt(np.clip(linear, 0.002, None)) + 0.1)
    linear += rng.standard_normal(linear.shape, np.float32) * shot
    return np.rint(scene.camera.curve(linear) * 255).astype(np.uint8)


def _of_index(scene: Scene, spectra: Array) -> Array:
    index, _ = _index()
    colours = scene.camera.linear(spectra, scene.light, scene.printer.paper)
    return colours[index].astype(np.float32)


def _glass_tint(scene: Scene) -> Array:
    return np.interp(WAVES, [440, 545, 640], scene.tint) * 0.92


def _with_glass(scene: Scene, rng: np.random.Generator) -> Array:
    """The card with the glass before its middle."""
    spectra, tint = _spectra(scene), _glass_tint(scene)
    flat = _of_index(scene, spectra)
    index, _ = _index()
    rows, columns = index.shape
    radius, outer = scene.inner_mm / 2, scene.inner_mm / 2 + WALL_MM
    off = (np.arange(columns) + 0.5) / PER_MM - card.CENTRE
    height = (np.arange(rows) + 0.5) / PER_MM
    there = (height > TOP_MM) & (height < FOOT_MM)
    filled = (height > scene.level_mm) & there
    for column in np.flatnonzero(np.abs(off) < outer):
        u = abs(off[column]) / radius
        edge = max(0.0, (abs(off[column]) - radius) / WALL_MM)
        wall = tint * (1 - 0.75 * edge if edge else 1.0)
        chord = scene.inner_mm * np.sqrt(max(1 - u * u, 0.0))
        full = scene.liquid.transmittance(chord) * wall
        for here, through in ((filled, full), (there & ~filled, wall)):
            seen = scene.camera.linear(spectra * through, scene.light, scene.printer.paper)
            flat[here, column] = seen[index[here, column]]
    inside = np.abs(off) < radius
    whole = np.ix_(np.flatnonzero(filled), np.flatnonzero(inside))
    part = flat[whole]
    if scene.cloud:
        blurred = ndimage.gaussian_filter(part, (scene.cloud * 2 * PER_MM, 0, 0))
        veil = 0.25 * scene.cloud * np.ones(3)
        part = blurred * (1 - 0.3 * scene.cloud) + veil
    for _ in range(scene.bubbles):
        part = _bubble(part, rng, rng.uniform(0.4, 1.1), bright=True)
    for _ in range(scene.specks):
        part = _bubble(part, rng, rng.uniform(0.2, 0.5), bright=False)
    flat[whole] = part
    if scene.fog:
        pane = np.ix_(np.flatnonzero(there), np.flatnonzero(np.abs(off) < outer))
        hidden = ndimage.gaussian_filter(flat[pane], (2.5 * PER_MM * scene.fog, 4, 0))
        flat[pane] = hidden * (1 - 0.25 * scene.fog) + 0.2 * scene.fog
    if scene.glare:
        stripe = np.abs(off - 0.1 * radius) < 0.12 * radius
        flat[np.ix_(there, stripe)] += scene.glare
    surface = np.abs((np.arange(rows) + 0.5) / PER_MM - scene.level_mm) < 0.8
    flat[np.ix_(np.flatnonzero(surface), np.flatnonzero(inside))] *= 0.6
    return flat


def _bubble(part: Array, rng: np.random.Generator, radius_mm: float, bright: bool) -> Array:
    rows, columns = part.shape[:2]
    y, x = np.mgrid[:rows, :columns]
    r = radius_mm * PER_MM
    cy, cx = rng.uniform(0, rows), rng.uniform(0, columns)
    far = np.hypot(y - cy, x - cx) / r
    part = part.copy()
    if bright:
        part[(far < 1) & (far > 0.65)] *= 0.35
        part[far < 0.4] = np.minimum(part[far < 0.4] * 1.5 + 0.05, 1.0)
    else:
        part[far < 1] = 0.03
    return part


def _surroundings(scene: Scene, rng: np.random.Generator) -> Array:
    """A bench with things on it."""
    width, height = scene.size
    small = rng.uniform(0.05, 0.5, (9, 12, 3)) * np.array([1.0, 0.95, 0.9])
    zoom = (height / 9, width / 12, 1)
    linear = ndimage.zoom(small.astype(np.float32), zoom, order=1)[:height, :width]
    for _ in range(25):
        cx, cy = rng.uniform(0, width), rng.uniform(0, height)
        a, b = rng.uniform(10, height / 7, 2)
        left, top = max(int(cx - a), 0), max(int(cy - b), 0)
        part = linear[top : int(cy + b), left : int(cx + a)]
        y, x = np.mgrid[: part.shape[0], : part.shape[1]]
        round_ = ((x + left - cx) / a) ** 2 + ((y + top - cy) / b) ** 2 < 1
        part[round_ if rng.random() < 0.5 else slice(None)] = rng.uniform(0.01, 0.6, 3)
    return linear * np.float32(scene.camera.exposure)


def _placed(scene: Scene, flat: Array, linear: Array, rng: np.random.Generator) -> Array:
    """The card laid into the picture."""
    width, height = scene.size
    tall = scene.fill * height
    wide = tall * card.WIDTH / card.HEIGHT
    corners = np.array([[-wide, -tall], [wide, -tall], [wide, tall], [-wide, tall]]) / 2
    corners = corners * (1 + scene.tilt * rng.uniform(-1, 1, (4, 2)))
    angle = np.radians(scene.turn)
    spin = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    reach = 0.5 * (1 - scene.fill) * height * 0.3
    middle = np.array([width, height]) / 2 + rng.uniform(-1, 1, 2) * reach
    placed = corners @ spin.T + middle
    own = np.array(
        [[0, 0], [card.WIDTH, 0], [card.WIDTH, card.HEIGHT], [0, card.HEIGHT]], dtype=float
    )
    back = plane_of(placed, own)
    y, x = np.mgrid[:height, :width]
    at = projected(back, np.stack([x, y], axis=-1).astype(float))
    if scene.bend:
        at[..., 0] += scene.bend * np.sin(np.pi * at[..., 1] / card.HEIGHT)
    inside = (at >= 0).all(axis=-1) & (at[..., 0] < card.WIDTH) & (at[..., 1] < card.HEIGHT)
    light = 1 - scene.shade * (at[..., 0] / card.WIDTH)
    if scene.shadow:
        dark = at[..., 0] + 0.3 * at[..., 1] > card.WIDTH * 0.85
        light = light * np.where(dark, 1 - scene.shadow, 1.0)
    finer = max(1.0, PER_MM * card.HEIGHT / tall)
    soft = ndimage.gaussian_filter(flat, (finer * 0.4, finer * 0.4, 0))
    places = np.array([at[inside][:, 1], at[inside][:, 0]]) * PER_MM - 0.5
    seen = np.stack(
        [ndimage.map_coordinates(soft[..., c], places, order=1, mode="nearest") for c in range(3)],
        axis=-1,
    )
    linear = linear.copy()
    linear[inside] = seen * light[inside][:, None]
    return linear


def drawn(seed: int, liquid: Liquid, **more: Any) -> Scene:
    """A usable photo as people take them: any light, phone, printer, a little askew."""
    rng = np.random.default_rng(seed)
    scene = Scene(
        liquid=liquid,
        inner_mm=float(rng.choice([10.0, 12.0, 14.0, 16.0, 20.0])),
        light=LIGHTS[int(rng.integers(len(LIGHTS)))],
        camera=Camera.drawn(rng),
        printer=Printer.drawn(rng),
        lens=rng.uniform(0, 0.08),
        shade=rng.uniform(0, 0.06),
        tilt=rng.uniform(0, 0.06),
        turn=float(rng.choice([0, 0, 90, 180, 270])) + rng.normal(0, 5),
        fill=rng.uniform(0.62, 0.9),
        seed=seed,
    )
    if rng.random() < 0.25:  # glass with a tint of its own
        scene = replace(scene, tint=tuple(rng.uniform(0.95, 1.0, 3)))
    if rng.random() < 0.25:  # low light
        dim = replace(
            scene.camera, exposure=scene.camera.exposure * rng.uniform(0.4, 0.7),
            noise=scene.camera.noise * 2,
        )  # fmt: skip
        scene = replace(scene, camera=dim)
    return replace(scene, **more)
