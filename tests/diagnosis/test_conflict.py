"""Conflict is positive where findings fit badly together, negative where they confirm each other.

F. V. Jensen, B. Chamberlain, T. Nordahl & F. Jensen 1990: the log of the product of the
probabilities of the single findings over that of all together.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from loopodds.diagnosis.belief import Belief, Conflict
from loopodds.diagnosis.diagnose import believe
from loopodds.diagnosis.model import smallest_impossible
from loopodds.exchange.bif import read_bif
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Discrete, Evidence, Network
from loopodds.inspection.sections import inspection_from
from shared import shipped

ORACLES = Path(__file__).parents[1] / "oracles"
PUBLISHED = tomllib.loads((ORACLES / "conflict.toml").read_text(encoding="utf-8"))


def conflict(network: Network, given: Mapping[str, str]) -> Conflict:
    """Conflict that a belief reports, in a network that knows nothing of cars or history."""
    tree = JunctionTree(network)
    stand_in: Any = SimpleNamespace(
        knowledge=SimpleNamespace(nodes=given, of_kind=lambda *kinds: {}),
        tree=lambda context: tree,
        believe=lambda context, evidence: tree.propagate(evidence),
    )
    codes = {name: np.array([network.states(name).index(s)]) for name, s in given.items()}
    return Belief(stand_in, {}, Evidence(1, codes)).conflict


@pytest.mark.parametrize("case", PUBLISHED["case"], ids=lambda c: "+".join(c["given"].values()))
def test_conflict_in_the_chest_clinic(case: dict[str, Any]) -> None:
    """The network of Lauritzen & Spiegelhalter 1988; enumerated by hand, in nats."""
    clinic = read_bif(ORACLES / "chest_clinic.bif").network
    nats = conflict(clinic, case["given"]).bits * math.log(2)
    assert nats == pytest.approx(case["conflict"], abs=PUBLISHED["tolerance"])


def two_witnesses() -> Network:
    """A fault that half of all cars have, and two tests each right nine times in ten."""
    right = np.array([[0.9, 0.1], [0.1, 0.9]])
    fault = Discrete("fault", ("no", "yes"), (), np.array([0.5, 0.5]))
    tests = [Discrete(name, ("clear", "bad"), ("fault",), right) for name in ("first", "second")]
    return Network.of_tables([fault, *tests])


def test_two_good_tests_that_agree_confirm_each_other() -> None:
    """P(both bad) = (0.81 + 0.01) / 2 against 0.5 x 0.5."""
    told = conflict(two_witnesses(), {"first": "bad", "second": "bad"})
    assert told.bits == pytest.approx(math.log2(0.25 / 0.41))
    assert told.bits < 0
    assert told.between == ()


def test_two_good_tests_that_disagree_are_in_conflict_and_are_named() -> None:
    """P(one bad, one clear) = (0.09 + 0.09) / 2 against 0.5 x 0.5."""
    told = conflict(two_witnesses(), {"first": "bad", "second": "clear"})
    assert told.bits == pytest.approx(math.log2(0.25 / 0.09))
    assert told.bits > 1
    ((one, other, bits),) = told.between
    assert {one, other} == {"first", "second"}
    assert bits == pytest.approx(told.bits)


@pytest.mark.parametrize("states", [("bad", "bad"), ("bad", "clear"), ("clear", "clear")])
def test_what_has_no_common_cause_is_never_in_conflict(states: tuple[str, str]) -> None:
    """Their joint is the product to the last bit or the one beside it, which is no pair to name."""
    names = ("here", "there")
    faults = [Discrete(f"f_{n}", ("no", "yes"), (), np.array([0.7, 0.3])) for n in names]
    right = np.array([[0.9, 0.1], [0.3, 0.7]])
    tests = [Discrete(n, ("clear", "bad"), (f"f_{n}",), right) for n in names]
    told = conflict(Network.of_tables([*faults, *tests]), dict(zip(names, states, strict=True)))
    assert told.bits == pytest.approx(0, abs=1e-12)
    assert told.between == ()


def test_what_is_not_connected_in_a_car_is_not_named_as_a_contradiction() -> None:
    told = seen(identification="as_labelled", sealant_check="negative", port_core="clean")
    assert {"identification", "sealant_check"} not in [{*pair[:2]} for pair in told.between]


def test_one_finding_is_in_conflict_with_nothing() -> None:
    assert conflict(two_witnesses(), {"first": "bad"}) == Conflict(0.0, ())


@pytest.mark.parametrize("others", [3, 57])
def test_what_cannot_hold_together_is_named_however_much_else_was_seen(others: int) -> None:
    """Each of three findings rules out one of three causes: any two can be, all three cannot.

    With sixty findings there are too many sets of three to try them all.
    """
    cause = Discrete("cause", ("a", "b", "c"), (), np.full(3, 1 / 3))
    excluding = [np.where(np.arange(3) == i, 0.0, 0.5) for i in range(3)]
    harmless = [np.array([0.2, 0.5, 0.7])] * others
    findings = [
        Discrete(f"f{i}", ("no", "yes"), ("cause",), np.stack([1 - p, p], axis=1))
        for i, p in enumerate([*excluding, *harmless])
    ]
    codes = {finding.name: np.array([1]) for finding in findings}
    tree = JunctionTree(Network.of_tables([cause, *findings]))
    assert sorted(smallest_impossible(tree, Evidence(1, codes))) == ["f0", "f1", "f2"]


def seen(**findings: str) -> Conflict:
    car = {"conditions": {"setting": "complaint"}, "findings": findings}
    return believe(inspection_from(car), shipped()).conflict


def test_a_full_recovery_contradicts_a_flat_loop_and_a_leak_found_confirms_it() -> None:
    """Mass on the scale settles the charge: next to it an empty loop's pressure is a misreading."""
    against = seen(static_pressure="low", recovered="normal")
    along = seen(static_pressure="low", recovered="low")
    assert against.bits > 1 > 0 > along.bits
    assert set(against.between[0][:2]) == {"static_pressure", "recovered"}


def test_water_seen_twice_is_no_conflict_and_a_dry_indicator_beside_it_is() -> None:
    wet = {"sample_bubbles": "persisting"}
    assert seen(**wet, moisture_indicator="wet").bits < 0
    assert seen(**wet, moisture_indicator="dry").bits > 0
