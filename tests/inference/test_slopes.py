"""Slopes of the log evidence: against finite differences, enumeration and pgmpy."""

from __future__ import annotations

import gzip
import itertools
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from loopodds.exchange.bif import read_bif
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Discrete, Evidence, GaugeNode, Network
from loopodds.inference.slopes import slopes

FOLDER = Path(find_spec("pgmpy").origin).parent / "utils" / "example_models"
STEP = 1e-6


def random_table(rng: np.random.Generator, *shape: int) -> np.ndarray:
    table = rng.uniform(0.1, 1.0, shape)
    return table / table.sum(axis=-1, keepdims=True)


def small_network(rng: np.random.Generator) -> Network:
    """Three hidden variables in a row with a skip, a finding and a gauge on two of them."""
    hidden = {
        "a": Discrete("a", ("x", "y"), (), random_table(rng, 2)),
        "b": Discrete("b", ("x", "y", "z"), ("a",), random_table(rng, 2, 3)),
        "c": Discrete("c", ("x", "y"), ("a", "b"), random_table(rng, 2, 3, 2)),
    }
    finding = Discrete("f", ("n", "s", "d"), ("b", "c"), random_table(rng, 3, 2, 3))
    gauge = GaugeNode(
        "g", ("low", "normal", "high"), ("c", "a"),
        rng.normal(0, 4, (2, 2)), rng.uniform(1, 3, (2, 2)), 0.07, 12.0, (-2.0, 3.0),
    )  # fmt: skip
    return Network(hidden, {"f": finding}, {"g": gauge})


def evidence_of_all_kinds() -> Evidence:
    return Evidence(
        5,
        {"f": np.array([1, -1, 2, 0, -1]), "a": np.array([-1, -1, 1, -1, -1]),
         "g": np.array([-1, 2, -1, 0, -1])},
        {"f": np.array([[1.0, 1, 1], [0.3, 0.7, 0], [1, 1, 1], [1, 1, 1], [1, 1, 1]])},
        {"g": (np.array([2.5, np.nan, -31.0, np.nan, 1.0]), np.array([0.0, 0, 0.5, 0, 2.0]))},
        {"c": np.array([[1.0, 0.4]] * 5)},
    )  # fmt: skip


WEIGHTS = np.array([[1.0, 2.0, 1.0, 0.5, 3.0], [0.0, 1.0, 0.0, -1.0, 0.0]])


def weighed(network: Network) -> np.ndarray:
    return WEIGHTS @ JunctionTree(network).propagate(evidence_of_all_kinds()).log_evidence


def moved(network: Network, name: str, index: tuple[int, ...], step: float, key: str) -> Network:
    """The network with one number changed; in a table the next state makes up for it."""
    node = network.variable(name)
    array = np.array(getattr(node, key), dtype=float)
    if key == "spread":
        array[index] = np.sqrt(array[index] ** 2 + step)
    else:
        array[index] += step
    if key == "table":
        array[*index[:-1], index[-1] - 1] -= step
    kind = next(k for k in ("hidden", "observables", "gauges") if name in getattr(network, k))
    nodes = {**getattr(network, kind), name: replace(node, **{key: array})}
    return replace(network, **{kind: nodes})


@pytest.mark.parametrize(
    ("name", "key"),
    [("a", "table"), ("b", "table"), ("c", "table"), ("f", "table"), ("g", "mean"),
     ("g", "spread")],
)  # fmt: skip
def test_slopes_are_those_of_small_steps_up_and_down(name: str, key: str):
    """Central differences of a step of 1e-6 are good to about 1e-9 of a slope of order one."""
    network = small_network(np.random.default_rng(4))
    found = slopes(JunctionTree(network), evidence_of_all_kinds(), WEIGHTS)
    array = getattr(network.variable(name), key)
    for index in itertools.product(*map(range, array.shape)):
        up, down = (weighed(moved(network, name, index, s, key)) for s in (STEP, -STEP))
        if key == "table":
            table = found.tables[name]
            own = table[:, *index] - table[:, *index[:-1], index[-1] - 1]
        else:
            part = getattr(found.gauges[name], "mean" if key == "mean" else "variance")
            own = part[:, *index]
        assert own == pytest.approx((up - down) / (2 * STEP), abs=2e-7)


def test_expected_slips_are_the_slope_by_their_share_times_the_share():
    network = small_network(np.random.default_rng(5))
    gauge = network.gauges["g"]
    found = slopes(JunctionTree(network), evidence_of_all_kinds(), WEIGHTS).gauges["g"]

    def at(share: float) -> np.ndarray:
        return weighed(replace(network, gauges={"g": replace(gauge, share=share)}))

    slope = (at(0.07 + STEP) - at(0.07 - STEP)) / (2 * STEP)
    held = found.held.reshape(2, -1).sum(axis=1)
    assert found.slips / 0.07 - held / 0.93 == pytest.approx(slope, abs=1e-6)
    # readings in all: each row that reads the gauge, in words or numbers, is one or the other
    assert found.slips + held == pytest.approx(WEIGHTS @ [1, 1, 1, 1, 1])
    wide = [
        weighed(replace(network, gauges={"g": replace(gauge, wide=np.sqrt(144 + s))}))
        for s in (1e-3, -1e-3)
    ]
    assert found.slip_variance == pytest.approx((wide[0] - wide[1]) / 2e-3, abs=1e-7)


def test_the_compiled_loops_give_what_the_arrays_give():
    network = small_network(np.random.default_rng(8))
    one, other = (
        slopes(JunctionTree(network, compiled), evidence_of_all_kinds(), WEIGHTS)
        for compiled in (False, True)
    )
    for name, table in one.tables.items():
        assert other.tables[name] == pytest.approx(table, abs=1e-12)
    for ours, theirs in zip(one.gauges["g"], other.gauges["g"], strict=True):
        assert theirs == pytest.approx(ours, abs=1e-12)


def test_each_row_by_itself_adds_up_to_the_weighted_sums():
    tree = JunctionTree(small_network(np.random.default_rng(7)))
    each, sums = (
        slopes(tree, evidence_of_all_kinds()),
        slopes(tree, evidence_of_all_kinds(), WEIGHTS),
    )
    for name, table in sums.tables.items():
        assert np.tensordot(WEIGHTS, each.tables[name], axes=1) == pytest.approx(table)
    for ours, theirs in zip(each.gauges["g"], sums.gauges["g"], strict=True):
        assert np.tensordot(WEIGHTS, ours, axes=1) == pytest.approx(theirs)


@pytest.mark.parametrize("compiled", [False, True])
def test_expected_counts_are_those_of_the_whole_joint(compiled: bool):
    network = small_network(np.random.default_rng(6))
    evidence = Evidence(3, {"f": np.array([2, 0, -1]), "c": np.array([-1, 1, -1])})
    found = slopes(JunctionTree(network, compiled), evidence, np.ones((1, 3)))
    tables = {n: v.table for n, v in network.hidden.items()}
    joint = np.einsum("a,ab,abc,bcf->abcf", *tables.values(), network.observables["f"].table)
    counts = np.zeros_like(joint)
    counts += joint * (np.arange(3) == 2) / joint[..., 2].sum()
    only = joint[:, :, 1, 0] / joint[:, :, 1, 0].sum()
    counts[:, :, 1, 0] += only
    hidden = counts.sum(axis=3) + joint.sum(axis=3)
    assert tables["c"] * found.tables["c"][0] == pytest.approx(hidden)
    seen = network.observables["f"].table * found.tables["f"][0]
    # the third row did not look
    assert seen == pytest.approx(counts.sum(axis=0))


@pytest.mark.slow
def test_expected_counts_of_a_published_network_are_those_of_pgmpy():
    """alarm out of pgmpy's wheel: the family joint of one car by variable elimination."""
    from pgmpy.inference import VariableElimination
    from pgmpy.readwrite import BIFReader

    path = FOLDER / "alarm.bif.gz"
    network = read_bif(path).network
    told = {"HRBP": 0, "BP": 1, "PRESS": 3}
    evidence = Evidence(1, {name: np.array([state]) for name, state in told.items()})
    found = slopes(JunctionTree(network), evidence, np.ones((1, 1)))
    theirs = BIFReader(string=gzip.decompress(path.read_bytes()).decode()).get_model()
    engine = VariableElimination(theirs)
    said = {name: network.states(name)[state] for name, state in told.items()}
    for name in ("CATECHOL", "VENTLUNG", "LVEDVOLUME"):
        node = network.hidden[name]
        family = [*node.parents, name]
        factor = engine.query(family, evidence=said, show_progress=False)
        order = [factor.variables.index(n) for n in family]
        values = np.transpose(factor.values, order)
        index = np.ix_(*(
            [factor.state_names[n].index(s) for s in network.states(n)] for n in family
        ))  # fmt: skip
        assert node.table * found.tables[name][0] == pytest.approx(values[index], abs=1e-9)
