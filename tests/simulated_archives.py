"""Archives drawn from a knowledge, with what drove each test and what was confirmed."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
from loopodds.archive.encoded import Piece
from loopodds.base.arrays import BoolArray, IntArray
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.simulation import SimulatedCars, hide_at_random, simulate
from loopodds.upkeep.confirmation import Rates, report_table

KINDS = {
    "expansion": ("TXV", "orifice"),
    "compressor": ("fixed", "variable", "electric"),
    "age": ("to_5_years", "to_10_years", "to_15_years", "over_15_years"),
    "weather": ("warm", "cool"),
}
WELL_SEEN = Rates(0.03, 0.01, 0.05, 1.0, 1.0)
WAYS = ("opened_and_seen", "cured_and_proved", "technicians_word")


def contexts(kinds: Mapping[str, Sequence[str]] = KINDS) -> Iterator[dict[str, str]]:
    """Every combination."""
    names = list(kinds)
    for index in np.ndindex(*(len(kinds[name]) for name in names)):
        yield {name: kinds[name][i] for name, i in zip(names, index, strict=True)}


def drawn_pieces(
    model: Model,
    rows: int,
    rng: np.random.Generator,
    seen: float = 0.35,
    opened: float = 0.3,
    kinds: Mapping[str, Sequence[str]] = KINDS,
    rates: Rates = WELL_SEEN,
) -> list[Piece]:
    """Cars of every context in equal numbers, each name seen with one chance, some cars opened."""
    found, number = [], 1
    every = list(contexts(kinds))
    for context in every:
        count = max(1, rows // len(every))
        cars = simulate(model, context, count, rng)
        evidence = hide_at_random(cars.evidence, seen, rng)
        known = rng.random(count) < opened
        confirmed = confirmations(model, cars, known, rates, rng)
        tags = {"confirmed_by": np.zeros(count, np.int64)}
        numbers = np.arange(number, number + count)
        found.append(Piece(context, numbers, evidence, confirmed, tags))
        number += count
    return found


def confirmations(
    model: Model, cars: SimulatedCars, known: BoolArray, rates: Rates, rng: np.random.Generator
) -> dict[str, BoolArray]:
    """What is reported of each fault, with errors; of cars not opened nothing."""
    confirmed = {}
    for name in model.faults:
        states = len(model.states(name))
        table = np.cumsum(report_table(states, rates), axis=1)
        drawn = (rng.random(len(known))[:, None] >= table[cars.states[name]][:, : states - 1]).sum(
            axis=1
        )
        confirmed[name] = np.where(known[:, None], np.eye(states, dtype=bool)[drawn], True)
    return confirmed


def write_words(
    model: Model,
    cars: SimulatedCars,
    path: Path,
    seen: Mapping[str, BoolArray],
    confirmed: Mapping[str, IntArray],
    more: Mapping[str, Sequence[str]],
) -> Path:
    """Findings and history as a CSV file; readings are left out."""
    columns: dict[str, Sequence[str]] = dict(more)
    for name, code in cars.evidence.codes.items():
        words = np.array([*model.states(name), ""])
        shown = seen.get(name, np.zeros(len(code), bool))
        columns[name] = words[np.where(shown, code, -1)].tolist()
    for name, code in confirmed.items():
        columns[f"confirmed_{name}"] = np.array([*model.states(name), ""])[code].tolist()
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows(zip(*columns.values(), strict=True))
    return path
