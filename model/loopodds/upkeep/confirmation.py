"""Confirmed outcomes as evidence: each way of confirming has error rates of its own.

A report on a fault is one more observable below it, of every car that has any outcome; that
nothing was written down of a fault is one of its states, for what was found is written down more
often than what was not. Its table has five chances for each way, held by a weight as every number
is and learnt along (Dawid & Skene 1979, with the network as the prior of each car).
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from loopodds.archive.encoded import Piece
from loopodds.base.arrays import FloatArray, IntArray
from loopodds.base.errors import KnowledgeError
from loopodds.knowledge.blocks import Factor
from loopodds.knowledge.shapes import Grounds, read_record

FILE = "confirmation.toml"
CONFIRMED_BY = "confirmed_by"
USUAL = "technicians_word"
"""The way that counts where an archive says nothing."""
RATES = ("missed", "false_alarm", "confused", "noted_fault", "noted_sound")


class Way(Grounds, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One way of confirming, as its table in the file says it."""

    title: str
    about: str
    missed: Factor
    false_alarm: Factor
    confused: Factor
    noted_fault: Factor
    noted_sound: Factor


class Rates(NamedTuple):
    """Chances that a report is wrong, and that there is one where the fault is and is not."""

    missed: float
    false_alarm: float
    confused: float
    noted_fault: float
    noted_sound: float


@dataclass(frozen=True, slots=True, eq=False)
class Reports:
    """What the reports of some rows say of the faults, and what is learnt from them."""

    soft: dict[str, FloatArray]  # likelihoods by fault, shape (rows, states)
    # by fault: the way of each row, and the chance of its report by true and reported state,
    # shapes (rows,) and (rows, states, states + 1); nothing written comes last
    chances: dict[str, tuple[IntArray, FloatArray]]


def read_ways(folder: str | Path | None) -> dict[str, Way]:
    """Ways of confirming, from the file of a folder or, where it has none, the shipped one.

    Raises:
        KnowledgeError: naming file, table and key.
    """
    tables = tomllib.loads(ways_text(folder))
    ways = {name: read_record(Way, entry, FILE, name) for name, entry in tables.items()}
    if USUAL not in ways:
        raise KnowledgeError(f"{FILE}: [{USUAL}] is needed: it counts where nothing is said")
    return ways


def ways_text(folder: str | Path | None) -> str:
    """The file of a folder, or the shipped one."""
    own = Path(folder, FILE) if folder else None
    if own is not None and own.is_file():
        return own.read_text(encoding="utf-8")
    return resources.files("loopodds_data").joinpath(FILE).read_text(encoding="utf-8")


def rewritten_ways(text: str, learnt: Mapping[str, tuple[Rates, float]]) -> str:
    """The text of the file with the rates and weight of each way exchanged."""
    import tomlkit

    table: Any = tomlkit.parse(text)
    for name, (rates, weight) in learnt.items():
        for key, value in zip(RATES, rates, strict=True):
            table[name][key] = float(f"{value:.6g}")
        table[name]["weight"] = float(f"{weight:.4g}")
    return tomlkit.dumps(table)


def rates_of(ways: Mapping[str, Way]) -> dict[str, Rates]:
    """The error rates that each way starts with."""
    return {name: Rates(*(getattr(way, rate) for rate in RATES)) for name, way in ways.items()}


def report_table(states: int, rates: Rates) -> FloatArray:
    """P(reported state | true state), shape (states, states + 1): sound first, nothing last.

    >>> report_table(2, Rates(0.1, 0.02, 0.3, 1.0, 0.5)).tolist()
    [[0.49, 0.01, 0.5], [0.1, 0.9, 0.0]]
    """
    table = np.zeros((states, states + 1))
    table[0, 1:-1] = rates.false_alarm / (states - 1)
    table[0, 0] = 1 - rates.false_alarm
    confused = rates.confused if states > 2 else 0.0
    table[1:, 0] = rates.missed
    table[1:, 1:-1] = (1 - rates.missed) * confused / max(states - 2, 1)
    own = np.arange(1, states)
    table[own, own] = (1 - rates.missed) * (1 - confused)
    noted = np.where(np.arange(states) > 0, rates.noted_fault, rates.noted_sound)[:, None]
    table[:, :-1] *= noted
    table[:, -1:] = 1 - noted
    return table


def ways_of(piece: Piece, ways: Sequence[str]) -> IntArray:
    """The way of confirming of each row, -1 where it has no outcome at all, shape (rows,)."""
    tag = piece.tags.get(CONFIRMED_BY, np.full(len(piece.numbers), -1))
    told = tag >= 0
    for possible in piece.confirmed.values():
        told = told | ~possible.all(axis=1)
    way: IntArray = np.where(tag < 0, ways.index(USUAL), tag)
    return np.where(told, way, -1)


def reports_of(piece: Piece, rates: Mapping[str, Rates]) -> Reports:
    """Likelihoods of the confirmed outcomes of some rows, and of what they do not mention."""
    way = ways_of(piece, list(rates))
    soft, chances = {}, {}
    for fault, possible in piece.confirmed.items():
        states = possible.shape[1]
        tables = np.array([report_table(states, rate) for rate in rates.values()])
        silent = np.all(possible, axis=1, keepdims=True)
        said = np.hstack([possible & ~silent, silent])
        each = tables[way] * said[:, None, :]
        soft[fault] = np.where((way >= 0)[:, None], each.sum(axis=2), 1.0)
        chances[fault] = way, each
    return Reports(soft, chances)


def counts_of(reports: Reports, posteriors: Mapping[str, FloatArray], ways: int) -> FloatArray:
    """Expected reports of each way, shape (ways, rates, 2): where the rate holds, where not.

    Args:
        posteriors: Of each reported fault, the reports included, shape (rows, states).
    """
    counts = np.zeros((ways, len(RATES), 2))
    for fault, (way, each) in reports.chances.items():
        whole = each.sum(axis=2, keepdims=True)
        share = np.divide(each, whole, out=np.zeros_like(each), where=whole > 0)
        share *= posteriors[fault][:, :, None]
        for number in range(ways):
            total = share[way == number].sum(axis=0)
            right, present = np.trace(total[1:, 1:-1]), total[1:, 1:-1].sum()
            counts[number, 0] += total[1:, 0].sum(), present
            counts[number, 1] += total[0, 1:-1].sum(), total[0, 0]
            if len(total) > 2:
                counts[number, 2] += present - right, right
            counts[number, 3] += total[1:, :-1].sum(), total[1:, -1].sum()
            counts[number, 4] += total[0, :-1].sum(), total[0, -1]
    return counts


def learnt_rates(counts: FloatArray, ways: Mapping[str, Way]) -> dict[str, Rates]:
    """Rates from expected reports and what the file says, at its weight."""
    found = {}
    for (name, way), count in zip(ways.items(), counts, strict=True):
        prior = np.array([getattr(way, rate) for rate in RATES])
        rates = (count[:, 0] + way.weight * prior) / (count.sum(axis=1) + way.weight)
        found[name] = Rates(*rates.tolist())
    return found


def moved_rates(
    before: Mapping[str, Rates], after: Mapping[str, Rates], counts: FloatArray
) -> dict[str, tuple[Rates, Rates, float]]:
    """Rates of each way before and after, and the reports that spoke."""
    # each report is of a car that has the fault or has not
    told = counts[:, :2].sum(axis=(1, 2)).tolist()
    every = zip(before, told, strict=True)
    return {name: (before[name], after[name], reports) for name, reports in every}


def log_prior(rates: Mapping[str, Rates], ways: Mapping[str, Way]) -> float:
    """Weighted log-likelihood of what the file says, which learning adds to that of the rows."""
    total = 0.0
    for name, way in ways.items():
        prior, now = np.array([getattr(way, r) for r in RATES]), np.array(rates[name])
        with np.errstate(divide="ignore", invalid="ignore"):
            each = prior * np.log(now) + (1 - prior) * np.log1p(-now)
        total += way.weight * float(np.where((prior > 0) & (prior < 1), each, 0.0).sum())
    return total
