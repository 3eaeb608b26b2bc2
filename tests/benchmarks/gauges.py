"""How well gauges alone tell faults apart, on cars that the table of gauges was not made from.

A synthetic check: cars of a second parameter set of the cycle model, one or two faults in most of
them. The network is held against classifiers (gradient boosting) trained on cars of that very
world; the mean area under the curve over faults is the measure, since a trained classifier is
nearly as good as any reading of the gauges can be. Then sound cars: how often they are called
sound, how often something else is believed, and how the residuals of each gauge spread against
what the network states.

    python tests/benchmarks/gauges.py [--cars N] [--trained N] [--json]
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
from loopodds.base.arrays import FloatArray
from loopodds.diagnosis.model import Model
from loopodds.inspection.encoding import encode
from loopodds.inspection.inspection import InspectionBatch
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.metrics import roc_auc_score

sys.path.insert(0, str(Path(__file__).parents[1]))
from other_cars import World, drawn_world

KINDS = (
    ("fixed", "TXV", "R134a"),
    ("fixed", "orifice", "R134a"),
    ("variable", "TXV", "R134a"),
    ("variable", "TXV", "R1234yf"),
    ("variable", "orifice", "R134a"),
    ("electric", "TXV", "R1234yf"),
)
FAULTS = {
    "undercharge": ("charge", (1, 2, 3)),
    "overcharge": ("charge", (4, 5)),
    "air": ("air", (1, 2)),
    "condenser airflow": ("condenser_airflow", (1, 2)),
    "starved feed": ("evaporator_feed", (1, 2)),
    "flooded feed": ("evaporator_feed", (3,)),
    "held up": ("evaporator_feed", (4,)),
    "weak pumping": ("pumping", (1,)),
    "cold coil": ("coil", (1,)),
    "cabin mixing": ("cabin_mixing", (1,)),
}
RUNNING = ("high_side", "low_side", "superheat", "subcooling", "discharge_pipe", "vent")


def believed(model: Model, batch: InspectionBatch) -> tuple[dict[str, FloatArray], FloatArray]:
    """Probability of each fault of the list, and of nothing wrong, shape (rows,)."""
    encoding = encode(batch, model.knowledge)
    found = {name: np.zeros(batch.rows) for name in FAULTS}
    sound = np.zeros(batch.rows)
    nodes = {node for node, _ in FAULTS.values()}
    for group in encoding.groups:
        tree = model.tree(group.context)
        posterior = tree.propagate(group.evidence, [(node,) for node in nodes])
        for name, (node, states) in FAULTS.items():
            found[name][group.rows] = posterior[node,][:, list(states)].sum(axis=1)
        sound[group.rows] = model.believe(group.context, group.evidence).p_sound
    return found, sound


def features(worlds: list[World]) -> FloatArray:
    """What a classifier is given: the gauges in kelvin, the conditions, the kind."""
    rows = []
    for number, world in enumerate(worlds):
        encoding = encode(world.batch, MODEL.knowledge)
        values = [encoding.readings[name].value for name in RUNNING]
        if "recovered" in encoding.readings:
            values.append(encoding.readings["recovered"].value)
        kind = np.zeros((world.batch.rows, len(KINDS)))
        kind[:, number] = 1.0
        said = [world.batch.numbers[n] for n in ("ambient_c", "humidity_pct", "engine_rpm")]
        said += [world.batch.choices[n].astype(float) for n in ("air_intake", "doors")]
        rows.append(np.column_stack([*values, *said, kind]))
    return np.vstack(rows)


def labels(worlds: list[World], name: str) -> FloatArray:
    """Which cars have a fault."""
    node, states = FAULTS[name]
    return np.concatenate([np.isin(world.states[node], states) for world in worlds])


def worlds_of(cars: int, seed: int, mass: bool) -> list[World]:
    """So many cars of each kind; gauges are NaN where the model of the machine found no state."""
    made = []
    for number, kind in enumerate(KINDS):
        rng = np.random.default_rng([seed, number])
        made.append(drawn_world(kind, cars, rng, mass=mass))
    return made


def told_apart(cars: int, trained: int, mass: bool) -> dict[str, tuple[float, float]]:
    """Area under the curve of each fault: of the network, and of a classifier trained there."""
    test, train = worlds_of(cars, 1, mass), worlds_of(trained, 2, mass)
    parts = [believed(MODEL, world.batch)[0] for world in test]
    x, y = features(train), features(test)
    solved = ~np.isnan(y).any(axis=1)
    found = {}
    for name in FAULTS:
        classifier = HistGradientBoostingClassifier(max_iter=150, learning_rate=0.08)
        classifier.fit(x, labels(train, name))
        truth = labels(test, name)[solved]
        ours = np.concatenate([part[name] for part in parts])[solved]
        theirs = classifier.predict_proba(y)[solved, 1]
        found[name] = float(roc_auc_score(truth, ours)), float(roc_auc_score(truth, theirs))
    return found


def sound_cars(cars: int) -> list[dict[str, Any]]:
    """Sound cars by kind and weather: called sound, falsely accused, residuals of each gauge."""
    found = []
    for number, kind in enumerate(KINDS):
        for low, high in ((5, 12), (12, 18), (18, 24), (24, 30), (30, 36), (36, 43)):
            rng = np.random.default_rng([3, number, low])
            world = drawn_world(kind, cars, rng, (low, high), sound_share=1.0)
            routine = np.ones(cars, np.int8)
            batch = InspectionBatch(
                cars, {}, {}, {}, world.batch.readings, {**world.batch.choices, "setting": routine},
                world.batch.numbers,
            )  # fmt: skip
            bare = InspectionBatch(cars, choices=batch.choices, numbers=batch.numbers)
            faults, sound = believed(MODEL, batch)
            _, before = believed(MODEL, bare)
            accused = np.max([p > 0.5 for p in faults.values()], axis=0)
            encoding = encode(batch, MODEL.knowledge)
            residuals = {}
            for name in RUNNING:
                reading = encoding.readings[name]
                spread = np.hypot(MODEL.knowledge.gauges[name].spread, reading.extra)
                z = reading.residual / spread
                residuals[name] = [float(np.nanmean(z)), float(np.nanstd(z))]
            found.append({
                "kind": " ".join(kind), "weather": f"{low} to {high} degC",
                "called_sound": float((sound > before).mean()), "accused": float(accused.mean()),
                "residuals": residuals,
            })  # fmt: skip
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=str(__doc__).partition("\n")[0])
    parser.add_argument("--cars", type=int, default=600, help="cars of each kind to judge")
    parser.add_argument("--trained", type=int, default=2500, help="cars of each kind to train on")
    parser.add_argument("--json", action="store_true", help="print JSON")
    given = parser.parse_args()
    told = {
        "gauges": told_apart(given.cars, given.trained, mass=False),
        "gauges and mass": told_apart(given.cars, given.trained, mass=True),
    }
    sound = sound_cars(given.cars // 3)
    if given.json:
        print(json.dumps({"told_apart": told, "sound": sound}, indent=1))
        return
    for what, areas in told.items():
        ours, theirs = np.array(list(areas.values())).T
        print(f"{what}: network {ours.mean():.3f}, trained {theirs.mean():.3f}")
        for name, (own, other) in areas.items():
            print(f"  {name:18} {own:.3f}  {other:.3f}")
    for row in sound:
        means = " ".join(f"{n[:5]} {m:+.2f}/{s:.2f}" for n, (m, s) in row["residuals"].items())
        print(f"{row['kind']:22} {row['weather']:14} sound {row['called_sound']:.2f} "
              f"accused {row['accused']:.3f} {means}")  # fmt: skip
    print(f"called sound {np.mean([r['called_sound'] for r in sound]):.3f}, "
          f"accused {np.mean([r['accused'] for r in sound]):.4f}")  # fmt: skip


MODEL = Model(compiled=True)

if __name__ == "__main__":
    main()
