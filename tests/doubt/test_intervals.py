"""Intervals: a worked example, simulated truths, and what they say of one car."""

from __future__ import annotations

import sys
from pathlib import Path

import loopodds as lo
import numpy as np
import pytest
from loopodds.doubt.beta import beta_interval
from loopodds.doubt.intervals import _moves
from loopodds.doubt.numbers import Numbers, with_numbers
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Discrete, Evidence, Network
from loopodds.inference.slopes import slopes
from loopodds.knowledge.shapes import Grounds
from loopodds.knowledge.tables import TABLES
from scipy.special import betaincinv

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
import intervals as simulated


def test_the_deviation_of_one_fault_and_one_sign_is_that_worked_by_hand():
    """P(H) ~ Be(2, 18), P(E|H) ~ Be(9, 1), P(E|not H) ~ Be(3, 17), E seen: plug-in .4, slopes
    2.666667, .266667 and -1.6 give a deviation of .2158723 (delta method, Van Allen, Singh, Greiner
    & Hooper 2008, worked by hand).
    """
    given = {"h": ([0.1, 0.9], 20.0), "e1": ([0.9, 0.1], 10.0), "e0": ([0.15, 0.85], 20.0)}
    table = np.array([given["e1"][0], given["e0"][0]])
    h = Discrete("h", ("yes", "no"), (), np.array(given["h"][0]))
    tree = JunctionTree(Network.of_tables([h, Discrete("e", ("yes", "no"), ("h",), table)]))
    told = Evidence(2, {"e": np.zeros(2, int)}, {"h": np.array([[1.0, 1.0], [1.0, 0.0]])})
    found = slopes(tree, told)
    moves = {
        "h": 0.4 * (found.tables["h"][1] - found.tables["h"][0]),
        "e1": 0.4 * (found.tables["e"][1, 0] - found.tables["e"][0, 0]),
        "e0": 0.4 * (found.tables["e"][1, 1] - found.tables["e"][0, 1]),
    }
    slope = {name: move[0] - move[1] for name, move in moves.items()}
    assert [slope[n] for n in given] == pytest.approx([2.666667, 0.266667, -1.6], abs=1e-5)
    variance = 0.0
    for name, (p, weight) in given.items():
        grounds = Grounds("estimate", "estimate", weight)
        held = Numbers(name, (), "levels", np.array(p), grounds, ())
        variance += moves[name] @ held.covariance @ moves[name]
    assert np.sqrt(variance) == pytest.approx(0.2158723, abs=1e-6)
    low, high = beta_interval(np.array([0.4]), np.array([variance]))
    of_these_moments = betaincinv(1.66005, 2.49007, [0.05, 0.95])
    assert (low[0], high[0]) == pytest.approx(of_these_moments, abs=5e-4)


@pytest.mark.slow
@pytest.mark.parametrize("network", ["asia", "shipped"])
def test_nine_tenths_of_simulated_truths_lie_within(network: str):
    """Forty truths only; `tests/benchmarks/intervals.py` draws hundreds. The share of some 150
    queries, of which those of one truth go together, is good to about four points.
    """
    rng = np.random.default_rng(5)
    if network == "shipped":
        result = simulated.shipped(40, 12, rng)
    else:
        result = simulated.published(network, 40, 30, 10, rng)
    assert 0.86 <= result.mean <= 0.95


def test_every_condition_of_a_car_has_an_interval_that_holds_its_probability():
    told = lo.assess(lo.read_case("@wet_loop")).as_json()
    assert len(told["conditions"]) > 20
    for entry in told["conditions"]:
        assert 0 <= entry["low"] <= entry["probability"] <= entry["high"] <= 1
    assert told["p_sound_low"] <= told["p_sound"] <= told["p_sound_high"]


def test_more_weight_makes_an_interval_narrower():
    """Ten times the weight of every block: a third of the width, one over the root of ten."""
    knowledge = lo.Knowledge()
    case = lo.read_case("@wet_loop")
    result = lo.assess(case)
    wide = result.doubts.intervals["undercharge"].deviation
    count = result.doubts.count_next("undercharge")
    assert count is not None
    assert 0 < count.share <= 1
    texts = {
        name: "\n".join(_ten_times(line) for line in text.splitlines())
        for name, text in knowledge.texts.items()
        if name.endswith(".toml")
    }
    texts[TABLES] = knowledge.texts[TABLES].replace('"weight":20', '"weight":200')
    heavy = lo.assess(case, lo.Knowledge.of_texts({**knowledge.texts, **texts}))
    narrow = heavy.doubts.intervals["undercharge"].deviation
    assert narrow / wide == pytest.approx(10**-0.5, abs=0.02)


def _ten_times(line: str) -> str:
    key, equals, value = line.partition(" = ")
    return f"{key} = {10 * float(value)}" if equals and key == "weight" else line


def test_counting_as_many_cars_as_it_says_halves_the_doubt():
    result = lo.assess(lo.read_case("@wet_loop"))
    found = result.doubts
    count = found.count_next("drier_saturated")
    assert count is not None
    parts = found.parts[list(found.intervals).index("drier_saturated")]
    order = np.argsort(-parts, kind="stable")
    weights = np.array([found.lists[i].grounds.weight for i in order]) + 1
    more = np.where(np.arange(len(order)) < count.lists, count.cars, 0.0)
    left = (parts[order] * weights / (weights + more)).sum()
    assert np.sqrt(left / parts.sum()) == pytest.approx(0.5, abs=1e-6)


CARS = {
    "looked at before and after": {
        "vehicle": {"refrigerant": "R134a", "expansion": "TXV"},
        "conditions": {"ambient": "31 degC"},
        "findings": {"sample_bubbles": "none", "moisture_indicator": "dry"},
        "readings": {"low_side": "2.1 bar"},
        "repaired": [{
            "services": ["dry_the_loop"], "conditions": {"ambient": "18 degC"},
            "findings": {"sample_bubbles": "persisting", "sample_darkening": "brown"},
        }],
    },
    "a reading before, two repairs": {
        "vehicle": {"refrigerant": "R1234yf", "compressor": "electric"},
        "findings": {"sample_bubbles": "none"},
        "repaired": [
            {"services": ["dry_the_loop"], "findings": {"sample_bubbles": "persisting"}},
            {"services": ["recover_and_charge"], "findings": {"sample_darkening": "light_grey"},
             "readings": {"static_pressure": "2.4 bar"}},
        ],
    },
}  # fmt: skip


@pytest.mark.parametrize("car", CARS)
def test_slopes_of_a_repaired_car_are_what_a_small_step_in_all_its_numbers_does(car: str):
    """One step in a random direction through every list at once, there and back; every list bears
    on now and on the time before a repair by one number.
    """
    knowledge, rng = lo.Knowledge(), np.random.default_rng(1)
    belief = lo.assess(lo.read_case(CARS[car])).belief
    assert belief.model.repairs
    assert not any(repair.left for repair in belief.model.repairs)
    names = ["undercharge", "moisture", "drier_saturated", lo.SOUND]
    moves, lists = _moves(belief.model, belief.context, belief.evidence, names)
    steps = [1e-5 * _direction(n, rng) for n in lists]
    foretold = 2 * sum(move @ step for move, step in zip(moves, steps, strict=True))
    there, back = (
        np.log(_chances(_moved(knowledge, lists, steps, sign), car, names)) for sign in (1, -1)
    )
    assert np.abs(there - back).max() > 1e-6
    assert there - back == pytest.approx(foretold, rel=1e-5, abs=1e-10)


def _direction(numbers: Numbers, rng: np.random.Generator) -> np.ndarray:
    """A step that keeps chances above zero and their sum, in mean and variance otherwise."""
    values = numbers.values
    if numbers.kind in ("levels", "passing"):
        step = values * rng.normal(size=len(values))
        return step - values * step.sum() / values.sum()
    if numbers.kind == "spread":
        return values**2 * rng.normal()
    first = values[0] * (1 - values[0]) if numbers.kind == "slips" else values[1]
    return np.array([first, values[1] ** 2]) * rng.normal(size=2)


def _moved(knowledge, lists, steps, sign: int):
    """The knowledge with every list moved by its step."""
    nodes: dict[str, dict] = {}
    for numbers, step in zip(lists, steps, strict=True):
        values = numbers.values.copy()
        if numbers.kind in ("levels", "passing"):
            values += sign * step
        else:
            values[:-1] += sign * step[:-1]
            values[-1] = np.sqrt(values[-1] ** 2 + sign * step[-1])
        nodes.setdefault(numbers.node, {})[numbers.path] = values
    moved = {n: with_numbers(knowledge.node(n), held) for n, held in nodes.items()}
    return knowledge.changed(nodes={**knowledge.nodes, **moved})


def _chances(knowledge, car: str, names: list[str]) -> np.ndarray:
    belief = lo.believe(lo.read_case(CARS[car], knowledge), lo.Model(knowledge))
    return np.array([belief.p_sound if n == lo.SOUND else belief.condition(n) for n in names])


def test_a_repaired_car_has_intervals_and_says_what_the_plan_is_in_them():
    told = lo.assess(lo.read_case(CARS["looked at before and after"])).as_json()
    for entry in told["conditions"]:
        assert 0 <= entry["low"] <= entry["probability"] <= entry["high"] <= 1
    assert told["p_sound_low"] < told["p_sound"] < told["p_sound_high"]
    assert told["plan_in_range"]["condition"]
    assert told["count_next"]["cars"] > 0


@pytest.fixture(scope="module")
def model() -> lo.Model:
    return lo.Model(compiled=True)


@pytest.mark.parametrize("of", ["an archive", "cases with doubts and words of gauges"])
def test_a_batch_has_the_intervals_of_one_car_at_a_time(of: str, model: lo.Model):
    if of == "an archive":
        whole = next(lo.read_inspections("@metric", model.knowledge)).batch
        batch = whole.take(np.arange(4))
    else:
        cases = [lo.read_case(name) for name in ("@wet_loop", "@over_dyed")]
        unsure = {"findings": {"sample_specks": {"none": 0.4, "grit": 0.6}, "low_side": "low",
                               "sample_bubbles": "none"}}  # fmt: skip
        batch = lo.batch_of([*cases, lo.read_case(unsure)], model.knowledge)
    ends = lo.score_batch(batch, model, ["intervals"]).ends.reshape(batch.rows, -1, 2)
    for group in lo.encode(batch, model.knowledge).groups:
        for place, row in enumerate(group.rows.tolist()):
            car = group.evidence.take(slice(place, place + 1))
            found = lo.doubts(lo.Belief(model, group.context, car)).intervals
            one = [found[name][:2] for name in (*model.conditions, lo.SOUND)]
            assert ends[row] == pytest.approx(np.array(one), abs=1e-9)
