"""The colour side of rendered photos: lights, liquids, printers, cameras of stated spectra."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import numpy as np
from loopodds.photo.colours import linear_srgb, to_encoded, xyz_of
from numpy.typing import NDArray

Array = NDArray[np.float64]
HERE = Path(__file__).parent / "photo"
WAVES = np.arange(380.0, 781.0, 5.0)
LIGHTS = ("A", "D65", "FL2", "FL11", "LED-B1", "LED-B4")
"""Illuminants of CIE 15: a bulb, daylight, two fluorescent lamps, two white LEDs."""
OTHER_LIGHTS = ("D50", "FL7", "FL12", "LED-B2", "LED-B5", "LED-V1")
LIGHTS_KEPT_OUT = ("FL1", "FL9", "FL10", "LED-B3", "LED-BH1", "LED-V2")
WARM = ("A", "FL12", "LED-B2", "LED-BH1", "LED-V1", "LED-V2")
"""Lamps for which a phone takes the matrix that its maker fitted under a bulb."""
OTHER_SENSORS, SENSORS_KEPT_OUT = 100, 200
"""Numbers from which on the bands of sensors have other forms."""


@cache
def published(name: str) -> dict[str, Array]:
    """Columns of a table of spectra every 5 nm."""
    lines = (HERE / name).read_text(encoding="utf-8").splitlines()
    rows = np.array([line.split(",") for line in lines[2:]], dtype=float)
    return dict(zip(lines[1].split(","), rows.T, strict=True))


@cache
def light(name: str) -> Array:
    """Spectrum of an illuminant, its mean over the visible range one."""
    table = "lights.csv" if name in LIGHTS else "other_lights.csv"
    values = published(table)[name]
    return values / values.mean()


@cache
def sensitivities(camera: int) -> Array:
    """Of a camera: two measured ones (1, 2), and invented ones with bands that a filter may have.

    Shape (waves, 3).
    """
    table = published("lights.csv")
    if camera <= 2:
        return np.stack([table[f"camera{camera}_{c}"] for c in "rgb"], axis=1)
    rng = np.random.default_rng(camera)
    if camera >= OTHER_SENSORS:
        return _two_lobed(rng) if camera >= SENSORS_KEPT_OUT else _lopsided(rng)
    centres = np.array([605.0, 535.0, 455.0]) + rng.normal(0, [5, 5, 4])
    widths = np.array([35.0, 40.0, 28.0]) * rng.uniform(0.85, 1.15, 3)
    bands = np.exp(-(((WAVES[:, None] - centres) / widths) ** 2) / 2)
    return bands * (WAVES < 690)[:, None]


def _lopsided(rng: np.random.Generator) -> Array:
    """Bands that fall off differently on both sides, red and green with a little of the others."""
    peaks = np.array([598.0, 530.0, 462.0]) + rng.normal(0, 6, 3)
    rise = np.array([22.0, 42.0, 24.0]) * rng.uniform(0.8, 1.2, 3)
    fall = np.array([52.0, 36.0, 38.0]) * rng.uniform(0.8, 1.2, 3)
    off = WAVES[:, None] - peaks
    bands = 1 / (1 + np.abs(off / np.where(off < 0, rise, fall)) ** 3)
    leaks = np.eye(3) + rng.uniform(0, 0.06, (3, 3))
    return np.asarray(bands @ leaks * (1 / (1 + np.exp((WAVES - 675) / 12)))[:, None])


def _two_lobed(rng: np.random.Generator) -> Array:
    """Broad bands with a second lobe each, behind a filter that cuts the red early."""
    centres = np.array([615.0, 540.0, 445.0]) + rng.normal(0, 5, 3)
    widths = np.array([30.0, 36.0, 30.0]) * rng.uniform(0.85, 1.2, 3)
    lobes = np.array([450.0, 620.0, 530.0]) + rng.normal(0, 10, 3)
    height = np.array([0.04, 0.08, 0.12]) * rng.uniform(0.3, 1.3, 3)
    bands = np.exp(-(((WAVES[:, None] - centres) / widths) ** 2) / 2)
    bands += height * np.exp(-(((WAVES[:, None] - lobes) / 35) ** 2) / 2)
    return np.asarray(bands * (1 / (1 + np.exp((WAVES - 650) / 15)))[:, None])


def bump(centre: float, width: float) -> Array:
    """A band of absorption of height one."""
    return np.exp(-(((WAVES - centre) / width) ** 2) / 2)


@dataclass(frozen=True, eq=False)
class Liquid:
    """What absorbs in a liquid, decadic at 10 mm: a tail towards the blue, grey, and dyes.

    ``tail``, ``width``: absorbance at 450 nm and how many nm it takes to fall by e; oils that
    oxidise and tea, caramel or coffee all have such tails. ``dye``: absorption bands.
    """

    tail: float = 0.0
    width: float = 60.0
    grey: float = 0.0
    dye: Array = field(default_factory=lambda: np.zeros(len(WAVES)))

    def transmittance(self, path_mm: float) -> Array:
        """Of a path through it (Beer-Lambert)."""
        tail = self.tail * np.exp(np.minimum((450 - WAVES) / self.width, 4))
        return 10 ** (-(tail + self.grey + self.dye) * path_mm / 10)


def green_dye(strength: float, red: float = 640.0, blue: float = 0.8) -> Array:
    """A dye that takes red and some blue."""
    return strength * (bump(red, 38) + blue * bump(432, 30))


INKS = np.stack([bump(640, 62), 0.95 * bump(540, 42) + 0.2 * bump(430, 40), bump(440, 48)], axis=1)
"""Absorption of cyan, magenta and yellow ink, shape (waves, 3)."""
SPLIT_INKS = np.stack(
    [
        bump(670, 45) + 0.75 * bump(615, 32),
        0.9 * bump(570, 24) + 0.75 * bump(530, 32),
        1 / (1 + np.exp((WAVES - 492) / 11)),
    ],
    axis=1,
)
"""Of other inks: two bands each, and a yellow that cuts off."""


@dataclass(frozen=True, eq=False)
class Printer:
    """Paper, inks and how far dots grow; ``off`` is how far each ink is laid on too strongly."""

    paper: Array
    black: float
    growth_mm: float
    off: Array
    split: bool = False  # whether its inks are the other ones

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> Printer:
        """Some printer with some paper."""
        blueish = rng.uniform(-0.02, 0.04) * bump(440, 30)
        violet = 1 - 0.4 * bump(380, 14)
        paper = rng.uniform(0.82, 0.92) * (1 + blueish) * violet
        return cls(paper, rng.uniform(0.035, 0.07), rng.uniform(0.0, 0.06), rng.normal(1, 0.08, 3))

    def reflectance(self, inks: Array) -> Array:
        """Of a field for which a printer that is not off lays on so much of each ink."""
        kind = SPLIT_INKS if self.split else INKS
        return self.paper * 10 ** -(kind @ (inks * self.off)) * 0.97 + 0.02

    def grey(self, cover: float) -> Array:
        """Of a field of which a share is covered in black dots."""
        return self.paper * (1 - cover * (1 - self.black))


@cache
def inks_for(colour: tuple[int, int, int], split: bool = False) -> Array:
    """Inks by which white paper shows an sRGB colour as near as they can."""
    from loopodds.photo.colours import to_linear
    from scipy.optimize import nnls

    kind, target = SPLIT_INKS if split else INKS, to_linear(np.array(colour) / 255)
    inks = np.zeros(3)
    for _ in range(60):
        made = linear_srgb(xyz_of(10 ** -(kind @ inks) * 0.97 + 0.02, "D65"))
        step = np.log10(np.maximum(made, 1e-3)) - np.log10(np.maximum(target, 0.02))
        slope = np.stack(
            [
                (np.log10(np.maximum(made, 1e-3)) - np.log10(np.maximum(linear_srgb(
                    xyz_of(10 ** -(kind @ (inks + 0.01 * np.eye(3)[i])) * 0.97 + 0.02, "D65")
                ), 1e-3))) / 0.01
                for i in range(3)
            ],
            axis=1,
        )  # fmt: skip
        new, _ = nnls(slope, step + slope @ inks)
        inks = inks + 0.5 * (new - inks)
    return inks


@dataclass(frozen=True)
class Camera:
    """How a phone makes a picture of light: sensor, white balance, matrix, contrast, noise."""

    sensor: int = 1
    cast: tuple[float, float, float] = (1.0, 1.0, 1.0)
    exposure: float = 0.75  # linear value of the brightest channel of white
    contrast: float = 0.15
    gamma: float = 1.0
    saturation: float = 1.05
    noise: float = 0.004
    blur_px: float = 0.8
    quality: int = 90
    flare: float = 0.0  # light that the lens spreads over everything, of white

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> Camera:
        """Some phone on some day."""
        cast = np.exp(rng.normal(0, 0.06, 3))
        return cls(
            int(rng.integers(1, 7)), tuple(cast / cast[1]), rng.uniform(0.55, 0.85),
            rng.uniform(0.0, 0.35), rng.uniform(0.93, 1.07), rng.uniform(0.95, 1.2),
            rng.uniform(0.002, 0.012), rng.uniform(0.5, 1.3), int(rng.integers(80, 96)),
        )  # fmt: skip

    def linear(self, spectra: Array, name: str, white: Array) -> Array:
        """Linear light that the phone makes of reflectances, white its exposure; shape (..., 3)."""
        raw = (spectra * light(name)) @ sensitivities(self.sensor)
        balance = (white * light(name)) @ sensitivities(self.sensor)
        matrix = _matrix(self.sensor, "A" if name in WARM else "D65")
        seen = (raw / balance) @ matrix * np.array(self.cast) / max(self.cast)
        return (seen + self.flare) / (1 + self.flare)

    def curve(self, linear: Array) -> Array:
        """Encoded values, 0 to 1, of linear light: saturation, clipping, contrast."""
        grey = linear @ np.array([0.2126, 0.7152, 0.0722])
        vivid = grey[..., None] + self.saturation * (linear - grey[..., None])
        v = to_encoded(np.linspace(0, 1, 4097)) ** self.gamma
        table = ((1 - self.contrast) * v + self.contrast * v * v * (3 - 2 * v)).astype(np.float32)
        return table[(np.clip(vivid * self.exposure, 0, 1) * 4096).astype(np.int32)]


@cache
def _matrix(sensor: int, name: str) -> Array:
    """Balanced raw values to linear sRGB, fitted to painted fields under a light; white stays."""
    fields = np.stack([*published("reflectances.csv").values()][1:])
    lit = (fields * light(name)) @ sensitivities(sensor)
    raw = lit / (light(name) @ sensitivities(sensor))
    # chart colours under daylight are what the maker aims at
    target = linear_srgb(xyz_of(fields, "D65"))
    target = target / linear_srgb(xyz_of(np.ones(len(WAVES)), "D65"))
    columns = []
    for channel in range(3):
        # the row adds up to one, so that white stays white
        free = raw[:, :2] - raw[:, 2:]
        coef, *_ = np.linalg.lstsq(free, target[:, channel] - raw[:, 2], rcond=None)
        columns.append([*coef, 1 - coef.sum()])
    return np.array(columns).T
