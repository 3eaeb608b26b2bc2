"""The card found in a picture, whichever way it is held, and laid flat.

A mark is a black ring round a black dot: two dark pieces of the picture about one centre, one of
which holds the other. Of all marks that are found those four count between which the row of fields
says that it is this card.
"""

from __future__ import annotations

from itertools import combinations
from typing import NamedTuple

import numpy as np
from scipy import ndimage

from loopodds.base.arrays import FloatArray
from loopodds.photo.card import CODE, HEIGHT, MARKS, WIDTH, Box, code_boxes
from loopodds.photo.colours import to_linear
from loopodds.photo.pictures import Pixels

SEARCH_SIDE = 1100
"""The picture is searched at a size of about that many pixels."""
PER_MM = 6
"""Pixels of the flat card by the millimetre."""
LEAST_PER_MM = 3.0
STRIP = 96
"""Rows of the flat card that are worked out at a time."""
DARK = 0.72
"""A pixel counts as dark below that share of the mean around it, on the encoded scale."""
MOST_MARKS = 9


class FoundCard(NamedTuple):
    """A card in a picture."""

    plane: FloatArray  # from millimetres of the card to pixels, homogeneous, shape (3, 3)
    per_mm: float  # pixels of the picture by the millimetre, at the coarsest corner
    corners: FloatArray  # centres of the marks in the picture, as in MARKS


def find_card(pixels: Pixels) -> FoundCard | None:
    """The card, or None if there is none that is whole."""
    step = max(1, round(max(pixels.shape) / SEARCH_SIDE))
    grey = _shrunk(pixels[:, :, 1], step)
    centres, sizes = _marks(grey)
    best: tuple[float, FloatArray] | None = None
    for four in combinations(range(len(centres)), 4):
        chosen = list(four)
        if sizes[chosen].max() > 2.2 * sizes[chosen].min():
            continue
        corners = _around(centres[chosen])
        if corners is None:
            continue
        for turn in range(4):
            placed = np.roll(corners, turn, axis=0)
            worth = _is_this_card(grey, placed)
            if worth and (best is None or worth > best[0]):
                best = worth, placed
    if best is None:
        return None
    whole = np.array([_centre(pixels[:, :, 1], (c + 0.5) * step - 0.5, best[1], step)
                      for c in best[1]])  # fmt: skip
    sides = np.linalg.norm(whole - np.roll(whole, 1, axis=0), axis=1)
    lengths = np.linalg.norm(np.array(MARKS) - np.roll(np.array(MARKS), 1, axis=0), axis=1)
    return FoundCard(plane_of(np.array(MARKS), whole), float((sides / lengths).min()), whole)


def _shrunk(grey: Pixels, step: int) -> FloatArray:
    height, width = (n // step * step for n in grey.shape)
    tiles = grey[:height, :width].reshape(height // step, step, width // step, step)
    return np.asarray(tiles.mean(axis=(1, 3), dtype=np.float32))


def _marks(grey: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Centres and sizes of what may be a mark, the plainest first."""
    around = ndimage.uniform_filter(grey, size=max(grey.shape) // 10)
    labels, count = ndimage.label(grey < DARK * around)
    if not count:
        return np.empty((0, 2)), np.empty(0)
    boxes = np.array(
        [(s[1].start, s[0].start, s[1].stop, s[0].stop) for s in ndimage.find_objects(labels)],
        dtype=float,
    )
    area = np.bincount(labels.ravel(), minlength=count + 1)[1:]
    size = boxes[:, 2:] - boxes[:, :2]
    centre = (boxes[:, 2:] + boxes[:, :2] - 1) / 2
    full = area / size.prod(axis=1)
    round_ = (size.max(axis=1) < 3 * size.min(axis=1)) & (size.max(axis=1) < max(grey.shape) / 4)
    rings = np.flatnonzero(round_ & (size.min(axis=1) >= 7) & (full > 0.22) & (full < 0.66))
    dots = np.flatnonzero(round_ & (size.min(axis=1) >= 2) & (full > 0.55))
    if not (len(rings) and len(dots)):
        return np.empty((0, 2)), np.empty(0)
    across = size[rings].max(axis=1)
    off = np.linalg.norm(centre[rings, None] - centre[None, dots], axis=2) / across[:, None]
    ratio = size[dots].max(axis=1)[None] / across[:, None]
    off = np.where((ratio > 0.2) & (ratio < 0.6) & (off < 0.16), off, np.inf)
    nearest, order = off.min(axis=1), off.min(axis=1).argsort()
    order = order[np.isfinite(nearest[order])][:MOST_MARKS]
    found = rings[order]
    return centre[dots[off[order].argmin(axis=1)]], size[found].max(axis=1)


def _around(points: FloatArray) -> FloatArray | None:
    """Four points clockwise as the picture is seen; None where they are no convex figure."""
    from_middle = points - points.mean(axis=0)
    ordered = points[np.arctan2(from_middle[:, 1], from_middle[:, 0]).argsort()]
    sides = np.roll(ordered, -1, axis=0) - ordered
    after = np.roll(sides, -1, axis=0)
    turns = sides[:, 0] * after[:, 1] - sides[:, 1] * after[:, 0]
    lengths = np.linalg.norm(sides, axis=1)
    plain = (turns > 0.2 * lengths * np.roll(lengths, -1)).all()
    return ordered if plain else None


def plane_of(source: FloatArray, target: FloatArray) -> FloatArray:
    """The projection that takes four points to four others, shape (3, 3)."""
    rows = []
    for (x, y), (u, v) in zip(source, target, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
    solved = np.linalg.solve(np.array(rows), target.ravel())
    return np.append(solved, 1.0).reshape(3, 3)


def projected(plane: FloatArray, points: FloatArray) -> FloatArray:
    """Points of one plane in the other, shape (..., 2)."""
    flat = points @ plane[:, :2].T + plane[:, 2]
    return np.asarray(flat[..., :2] / flat[..., 2:])


def _is_this_card(grey: FloatArray, corners: FloatArray) -> float:
    """How plainly the row of fields says so, above zero; zero where it says otherwise."""
    plane = plane_of(np.array(MARKS), corners)
    lights = np.array([_mean(grey, plane, box.inset(2.5)) for box in code_boxes()])
    if np.isnan(lights).any():
        return 0.0
    black = np.array(CODE, bool)
    worth = lights[~black].min() / max(lights[black].max(), 1.0)
    return float(worth) if worth > 1.35 else 0.0


def _mean(grey: FloatArray, plane: FloatArray, box: Box) -> float:
    points = projected(plane, _grid(box, 3, 3).reshape(-1, 2))
    x, y = np.rint(points).astype(int).T
    if x.min() < 0 or y.min() < 0 or x.max() >= grey.shape[1] or y.max() >= grey.shape[0]:
        return np.nan
    return float(grey[y, x].mean())


def _grid(box: Box, columns: int, rows: int) -> FloatArray:
    """Places spread over a box, shape (rows, columns, 2)."""
    x = box.x + (np.arange(columns) + 0.5) * box.width / columns
    y = box.y + (np.arange(rows) + 0.5) * box.height / rows
    return np.stack(np.broadcast_arrays(x[None, :], y[:, None]), axis=-1)


def _centre(grey: Pixels, at: FloatArray, corners: FloatArray, step: int) -> FloatArray:
    """Centre of the dot near a place, to a part of a pixel."""
    side = np.linalg.norm(corners[1] - corners[0]) * step
    per_mm = side / (MARKS[1][0] - MARKS[0][0])
    radius = max(3, round(4.0 * per_mm))
    (x, y), (height, width) = np.rint(at).astype(int), grey.shape
    left, top = max(x - radius, 0), max(y - radius, 0)
    part = grey[top : min(y + radius + 1, height), left : min(x + radius + 1, width)]
    light = part.astype(float)
    dark = np.clip((light.max() + light.min()) / 2 - light, 0, None)
    rows, columns = np.mgrid[: part.shape[0], : part.shape[1]]
    near = (rows + top - at[1]) ** 2 + (columns + left - at[0]) ** 2 <= (4.2 * per_mm) ** 2
    weight = dark * near
    if weight.sum() <= 0:
        return at
    return np.array(
        [(weight * columns).sum() / weight.sum() + left, (weight * rows).sum() / weight.sum() + top]
    )


class FlatCard(NamedTuple):
    """The card as if it lay under a scanner: PER_MM pixels by the millimetre."""

    linear: FloatArray  # linear light, shape (rows, columns, 3)
    brightest: Pixels  # largest encoded value of each pixel

    def part(self, box: Box) -> FloatArray:
        """Linear light of a part of it."""
        return self.linear[_slices(box)]

    def at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Green light at places, a mean over half a millimetre around each."""
        rows, columns = (np.rint(mm * PER_MM).astype(int) for mm in (y, x))
        near = range(-PER_MM // 4, PER_MM // 4 + 1)
        last = np.array(self.linear.shape[:2]) - 1
        light = [
            self.linear[np.clip(rows + i, 0, last[0]), np.clip(columns + j, 0, last[1]), 1]
            for i in near for j in near
        ]  # fmt: skip
        return np.asarray(np.mean(light, axis=0))

    def encoded(self, box: Box) -> Pixels:
        """Largest encoded values of a part of it."""
        return self.brightest[_slices(box)]


def _slices(box: Box) -> tuple[slice, slice]:
    x, y = round(box.x * PER_MM), round(box.y * PER_MM)
    return (
        slice(y, y + max(1, round(box.height * PER_MM))),
        slice(x, x + max(1, round(box.width * PER_MM))),
    )


_LINEAR = to_linear(np.arange(256) / 255).astype(np.float32)


def laid_flat(pixels: Pixels, card: FoundCard) -> FlatCard:
    """The card cut out and straightened, between pixels in linear light."""
    columns, rows = round(WIDTH * PER_MM), round(HEIGHT * PER_MM)
    linear: FloatArray = np.empty((rows, columns, 3), np.float32)
    brightest = np.empty((rows, columns), np.uint8)
    for top in range(0, rows, STRIP):
        strip = slice(top, min(top + STRIP, rows))
        box = Box(0, strip.start / PER_MM, WIDTH, (strip.stop - strip.start) / PER_MM)
        places = projected(card.plane, _grid(box, columns, strip.stop - strip.start))
        linear[strip], brightest[strip] = _sampled(pixels, places)
    return FlatCard(linear, brightest)


def _sampled(pixels: Pixels, places: FloatArray) -> tuple[FloatArray, Pixels]:
    """Linear light at places of a picture, and the largest encoded value there."""
    height, width = pixels.shape[:2]
    x = np.clip(places[..., 0], 0, width - 1.001).astype(np.float32)
    y = np.clip(places[..., 1], 0, height - 1.001).astype(np.float32)
    left, top = x.astype(np.int32), y.astype(np.int32)
    right, down = (x - left)[..., None], (y - top)[..., None]
    flat = pixels.reshape(-1, 3)
    at = top * width + left
    upper = _LINEAR[flat[at]] * (1 - right) + _LINEAR[flat[at + 1]] * right
    lower = _LINEAR[flat[at + width]] * (1 - right) + _LINEAR[flat[at + width + 1]] * right
    return upper * (1 - down) + lower * down, flat[at].max(axis=-1)


def dot_centre(card: FlatCard, x: float, y: float, radius: float) -> FloatArray | None:
    """Where a dot lies that should lie there [mm]; None where there is none near."""
    reach = radius + 3.0
    box = Box(x - reach, y - reach, 2 * reach, 2 * reach)
    light = card.part(box)[..., 1].astype(float)
    if light.min() > 0.5 * np.median(light):
        return None
    dark = light < (light.min() + np.median(light)) / 2
    labels, count = ndimage.label(dark)
    if not count:
        return None
    sizes = np.bincount(labels.ravel())[1:]
    row, column = ndimage.center_of_mass(labels == 1 + sizes.argmax())
    return np.array([box.x + (column + 0.5) / PER_MM, box.y + (row + 0.5) / PER_MM])
