"""What a number read from a photo says of the words of a finding: likelihoods, never a verdict.

For each word the knowledge has where samples that the trade would call so lie on the axis, a mean
and a standard deviation, and how often a photo is of something else than it seems.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from importlib import resources
from typing import Annotated, Literal

import msgspec
import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.base.errors import KnowledgeError
from loopodds.knowledge.records import PHOTO, Knowledge
from loopodds.knowledge.shapes import Grounds, read_record
from loopodds.photo.liquids import SCALE_MOST, Liquids, family
from loopodds.photo.reading import Reading

Axis = Literal["dark", "green"]
REACH: Mapping[Axis, tuple[float, float]] = {"dark": (0.25, SCALE_MOST), "green": (-15.0, 75.0)}
"""How far an axis goes."""
CELLS = 30
LEAST = 1e-6
"""A word is never ruled out further than that."""


class Place(Grounds, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where samples of one word lie on the axis."""

    mean: float
    spread: Annotated[float, msgspec.Meta(gt=0)]


class Link(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How one finding is told from an axis of a photo."""

    axis: Axis
    title: str
    slips: Annotated[float, msgspec.Meta(gt=0, lt=0.5)]
    states: Mapping[str, Place]

    def chances(self, at: FloatArray, doubt: FloatArray | float = 0.0) -> FloatArray:
        """Density of each word at places on the axis, shape (..., states)."""
        low, high = REACH[self.axis]
        mean = np.array([place.mean for place in self.states.values()])
        spread = np.array([place.spread for place in self.states.values()])
        wide = np.hypot(spread, np.asarray(doubt)[..., None])
        off = (np.clip(at, low, high)[..., None] - mean) / wide
        plain = np.exp(-(off**2) / 2) / (wide * np.sqrt(2 * np.pi))
        return np.asarray((1 - self.slips) * plain + self.slips / (high - low))


Links = Mapping[str, Link]


@lru_cache(maxsize=4)
def links_of(knowledge: Knowledge) -> Links:
    """Of every finding that a photo tells of; the shipped links where a folder has none.

    Raises:
        KnowledgeError: naming file, table and key.
    """
    import tomllib

    text = knowledge.texts.get(PHOTO)
    shipped = text is None
    if text is None:
        text = resources.files("loopodds_data").joinpath(PHOTO).read_text("utf-8")
    found = {}
    for name, entry in tomllib.loads(text).items():
        link = read_record(Link, entry, PHOTO, name)
        if shipped and name not in knowledge.nodes:
            continue
        states = knowledge.node(name).states
        if {*link.states} != {*states}:
            raise KnowledgeError(f"{PHOTO}: {name}.states: needs each of {', '.join(states)}")
        ordered = {state: link.states[state] for state in states}
        found[name] = msgspec.structs.replace(link, states=ordered)
    return found


def photo_likelihoods(reading: Reading, knowledge: Knowledge) -> dict[str, dict[str, float]]:
    """Relative likelihoods of the words of each finding that the photo tells of.

    Greenness that cannot be seen is left out. Nothing where the photo was refused.
    """
    if not reading.usable or reading.measured is None:
        return {}
    told = {}
    for name, link in links_of(knowledge).items():
        if link.axis == "green" and not reading.green_seen:
            continue
        weights = weights_of(link, reading.measured.posterior)
        told[name] = {s: float(f"{w:.4g}") for s, w in zip(link.states, weights, strict=True)}
    return told


def weights_of(link: Link, posterior: FloatArray) -> FloatArray:
    """Likelihood of each word by a posterior over the liquids, the largest is one.

    The liquids count by their prior, which is taken out again: what is left is the chance of the
    picture given the word, whatever else the liquid is like.
    """
    values = along(link.axis)
    chances = posterior / _prior(link.axis) @ link.chances(values)
    return np.asarray(np.maximum(chances / chances.max(), LEAST))


def along(axis: Axis) -> FloatArray:
    """Where each liquid of the family lies on an axis."""
    return family().dark if axis == "dark" else family().green


@lru_cache(maxsize=2)
def _prior(axis: Axis) -> FloatArray:
    """Density of the family's prior at each of its liquids: along greenness by darkness."""
    liquids = family()
    if axis == "dark":
        return np.ones(len(liquids.dark))
    return _density_given_dark(liquids)


def _density_given_dark(liquids: Liquids) -> FloatArray:
    low, high = REACH["green"]
    row = np.minimum((liquids.dark / 2).astype(int), int(SCALE_MOST // 2) - 1)
    column = np.clip((liquids.green - low) / (high - low) * CELLS, 0, CELLS - 1).astype(int)
    table = np.zeros((int(SCALE_MOST // 2), CELLS))
    np.add.at(table, (row, column), liquids.weight)
    table /= table.sum(axis=1, keepdims=True)
    # a cell that hardly any liquid lies in must not speak for all
    return np.asarray(np.maximum(table, 0.002)[row, column])
