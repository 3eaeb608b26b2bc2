"""A complaint, and how likely each fault brings it about by itself."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from loopodds.diagnosis.complaints import powers
from loopodds.inference.network import Evidence
from loopodds.knowledge.cures import fault_columns
from shared import shipped as model

VAN = {"refrigerant": "R134a", "expansion": "TXV", "compressor": "fixed", "weather": "warm"}
BELOW = 1e-9  # sums of a few hundred products


def quiet(faults: dict[str, str], complaint: str) -> float:
    """Chance that nothing is complained of on a car with just these faults, from the joint."""
    states, said = model().states(complaint), model().knowledge.node(complaint).complaint
    codes = {
        n: np.array([model().states(n).index(faults.get(n, model().states(n)[0]))])
        for n in model().faults
    }
    right = np.array([[float(state not in said) for state in states]])
    tree = model().tree(VAN)
    alone = tree.propagate(Evidence(1, codes)).log_evidence
    both = tree.propagate(Evidence(1, codes, {complaint: right})).log_evidence
    return float(np.exp(both - alone)[0])


def power_of(complaints: tuple[str, ...]) -> dict[tuple[str, str], float]:
    columns = fault_columns(model().knowledge)
    return dict(zip(columns, powers(model(), VAN, complaints).tolist(), strict=True))


def test_a_fault_alone_brings_a_complaint_about_by_its_power_or_the_background_does() -> None:
    """Cheng (Psychological Review 104, 1997): what both leave out is the product."""
    sound = quiet({}, "cooling")
    found = power_of(("cooling",))
    for fault, state in (("charge", "low"), ("cabin_mixing", "present"), ("air", "high")):
        left = quiet({fault: state}, "cooling")
        assert left == pytest.approx(sound * (1 - found[fault, state]), abs=BELOW)


APART = (("condenser_airflow", "blocked"), ("cabin_mixing", "present"), ("air", "high"))


@pytest.mark.parametrize("pair", [*itertools.combinations(APART, 2)])
def test_faults_that_share_no_mechanism_bring_it_about_each_for_itself(
    pair: tuple[tuple[str, str], ...],
) -> None:
    found = power_of(("cooling",))
    left = quiet(dict(pair), "cooling") / quiet({}, "cooling")
    assert left == pytest.approx(np.prod([1 - found[one] for one in pair]), abs=1e-6)


def test_what_is_sound_brings_nothing_about_and_several_complaints_more_than_one() -> None:
    one, both = power_of(("cooling",)), power_of(("cooling", "compressor_noise"))
    for (fault, state), power in one.items():
        assert 0 <= power <= both[fault, state] <= 1
        if state == model().states(fault)[0]:
            assert power == pytest.approx(0, abs=BELOW)


def test_what_the_driver_feels_comes_from_what_spoils_cooling() -> None:
    """Common practice, no source: cold is lost with the charge or the air, not with the dye."""
    found = power_of(("cooling",))
    assert found["charge", "slightly_low"] < found["charge", "low"] < found["charge", "very_low"]
    assert found["condenser_airflow", "blocked"] > 0.5
    assert found["dye_excess", "present"] < 0.01
    noise = power_of(("compressor_noise",))
    assert noise["compressor_wear", "advanced"] > 0.5 > noise["charge", "low"]
