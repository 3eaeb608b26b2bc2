"""What may be done, and what must come first: not one gate is broken, whatever the state."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pytest
from loopodds.decision.gates import Gates
from loopodds.decision.moves import Closed, Move, Progress
from loopodds.decision.prices import Prices, load_prices
from loopodds.inference.network import Evidence
from loopodds.knowledge.records import Knowledge

RUNNING = {
    "pressure_test", "temperature_test", "discharge_test", "vent_test", "running_look",
    "sight_glass_look", "capture_sample", "compressor_listening",
}  # fmt: skip
ON_THE_SAMPLE = {"sample_lamp", "sample_let_off", "acid_kit", "moisture_test"}
AFTER_RECOVERY = {
    "vacuum_hold_test", "nitrogen_test", "open_screen", "compressor_swab", "drain_oil",
}  # fmt: skip
COUPLED = {
    "static_test",
    "pressure_test",
    "temperature_test",
    "capture_sample",
    "recover_and_weigh",
}
BEHIND_THE_GUARDS = COUPLED | RUNNING | ON_THE_SAMPLE | AFTER_RECOVERY | {"detector_search"}
NOT_WITH_A_KNOCK = RUNNING - {"capture_sample", "compressor_listening"}
SPOILT_BY_RECOVERY = (
    RUNNING | ON_THE_SAMPLE
    | {"static_test", "detector_search", "refrigerant_identification", "leak_stop_check"}
)  # fmt: skip
OPENS_THE_COMPRESSOR = {"compressor_swab", "drain_oil"}
UNDONE = {"identification": None, "sealant_check": None, "compressor_noise": None}


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return Knowledge()


@pytest.fixture(scope="module")
def prices(knowledge: Knowledge) -> Prices:
    return load_prices(None, knowledge)


def recorded(knowledge: Knowledge, states: Mapping[str, str]) -> Evidence:
    codes = {n: np.array([knowledge.node(n).states.index(s)]) for n, s in states.items()}
    return Evidence(1, codes)


@dataclass
class Bench:
    """The rules of the trade, read afresh: checks one step after the other."""

    compressor: str | None
    qualified: bool
    done: list[str]
    identification: str | None
    sealant: str | None
    noise: str | None
    minutes: Mapping[str, float]
    waived: frozenset[str] = frozenset()  # an open loop has no gas to identify

    def faults(self, move: Move) -> Iterator[str]:
        """Rules that a sequence of steps would break."""
        for step in move.steps:
            yield from self.faults_of(step.test, step.waiting)
            self.done.append(step.test)
            # a sequence goes on only if its guards are passed
            if step.test == "refrigerant_identification" and self.identification is None:
                self.identification = "as_labelled"
            if step.test == "leak_stop_check" and self.sealant is None:
                self.sealant = "negative"

    def faults_of(self, test: str, waiting: float) -> Iterator[str]:
        known = self.identification, self.sealant
        if test in BEHIND_THE_GUARDS and known != ("as_labelled", "negative") and not self.waived:
            yield f"{test} with identification, leak-stop {known}"
        failed = self.identification not in (None, "as_labelled")
        failed |= self.sealant not in (None, "negative")
        if failed and test in BEHIND_THE_GUARDS:
            yield f"{test} although a guard was not passed"
        if self.noise == "loud" and test in NOT_WITH_A_KNOCK:
            yield f"{test} with a compressor that knocks"
        waived = "refrigerant_identification" in self.waived
        if test == "leak_stop_check" and self.identification != "as_labelled" and not waived:
            yield "leak-stop check before the gas is identified"
        if test == "refrigerant_identification" and "label_check" not in self.done:
            yield "identification before the label was read"
        if "recover_and_weigh" in self.done and test in SPOILT_BY_RECOVERY:
            yield f"{test} after recovery"
        recovered = "recover_and_weigh" in {*self.done, *self.waived}
        if test in AFTER_RECOVERY and not recovered:
            yield f"{test} before recovery"
        if test == "static_test" and RUNNING & set(self.done) and waiting < 60:
            yield "static pressure right after a run"
        if test in ("acid_kit", "moisture_test") and self.age() > 15:
            yield f"{test} on a sample {self.age()} minutes old"
        if test in ON_THE_SAMPLE and "capture_sample" not in self.done:
            yield f"{test} without a sample"
        yield from self.high_voltage(test)

    def high_voltage(self, test: str) -> Iterator[str]:
        if test == "insulation_measurement" and not (
            self.compressor == "electric" and self.qualified
        ):
            yield "high-voltage work by the unqualified, or on another car"
        if test in OPENS_THE_COMPRESSOR and self.compressor in (None, "electric"):
            if not self.qualified:
                yield f"{test} on what may be a high-voltage compressor by the unqualified"
            if "insulation_measurement" not in self.done:
                yield f"{test} before the insulation was measured"

    def age(self) -> float:
        """Minutes since the sample was captured."""
        if "capture_sample" not in self.done:
            return 0.0
        last = len(self.done) - self.done[::-1].index("capture_sample")
        return sum(self.minutes[test] for test in self.done[last:])


def random_evidence(
    knowledge: Knowledge, rng: np.random.Generator
) -> tuple[Evidence, dict[str, str | None]]:
    """Findings of some tests, guards passed, failed, doubtful or not looked at."""
    codes: dict[str, np.ndarray] = {}
    soft: dict[str, np.ndarray] = {}
    told: dict[str, str | None] = dict(UNDONE)
    for name in rng.choice(list(knowledge.tests), int(rng.integers(0, 6)), replace=False):
        for finding in knowledge.tests[str(name)].yields:
            if rng.random() < 0.7 and finding not in told:
                states = knowledge.node(finding).states
                codes[finding] = np.array([int(rng.integers(len(states)))])
    for finding in told:
        states = knowledge.node(finding).states
        draw = rng.random()
        if draw < 0.55:
            code = 0 if draw < 0.4 else int(rng.integers(1, len(states)))
            codes[finding], told[finding] = np.array([code]), states[code]
        elif draw < 0.65:
            weights = np.full((1, len(states)), 0.1)
            weights[0, 0] = 1.0
            soft[finding], told[finding] = weights, "doubtful"
    return Evidence(1, codes, soft), told


@pytest.mark.slow
def test_not_one_gate_is_broken_in_two_thousand_random_states(knowledge, prices):
    rng = np.random.default_rng(20260101)
    able = prices.with_everything(knowledge)
    benches = {
        (compressor, qualified): Gates(
            knowledge,
            {"compressor": compressor} if compressor else {},
            able if qualified else prices,
        )
        for compressor in ("fixed", "electric", None)
        for qualified in (False, True)
    }
    keys = list(benches)
    offered = 0
    for _ in range(2_000):
        compressor, qualified = keys[int(rng.integers(len(keys)))]
        gates = benches[compressor, qualified]
        evidence, told = random_evidence(knowledge, rng)
        done = [str(t) for t in rng.permutation(list(knowledge.tests))[: int(rng.integers(0, 9))]]
        progress = gates.progress(evidence, done)
        for move in gates.moves(progress):
            bench = Bench(
                compressor, qualified, list(progress.done),
                told["identification"], told["sealant_check"], told["compressor_noise"],
                prices.minutes, progress.waived,
            )  # fmt: skip
            assert not list(bench.faults(move)), (move.steps, progress)
            offered += 1
    assert offered > 20_000


def test_at_the_start_the_way_to_the_gauges_leads_through_label_gas_and_leak_stop(
    knowledge, prices
):
    gates = Gates(knowledge, {"compressor": "fixed"}, prices)
    move = gates.way("pressure_test", gates.progress(Evidence(1)))
    assert isinstance(move, Move)
    assert move.first == (
        "label_check", "refrigerant_identification", "port_look", "leak_stop_check",
    )  # fmt: skip
    assert move.steps[1].hurdles == (("identification", frozenset({"as_labelled"})),)


def test_a_wrong_gas_shuts_everything_until_it_is_out(knowledge, prices):
    gates = Gates(knowledge, {"compressor": "fixed"}, prices)
    evidence = recorded(knowledge, {"identification": "hydrocarbon", "label_and_fittings": "agree"})
    progress = gates.progress(evidence)
    open_tests = {move.test for move in gates.moves(progress)}
    assert not open_tests & (RUNNING | BEHIND_THE_GUARDS)
    asking = {"interview", "ask_about_filling", "ask_about_repairs", "ask_about_use"}
    assert open_tests == {*asking, "refrigerant_identification"}, "it may be identified again"
    title = "not the gas on the label: hands off"
    assert Closed("pressure_test", title) in gates.closed(progress)
    assert gates.failed(progress) == ("refrigerant_identification",)


def test_a_doubtful_identification_is_no_pass(knowledge, prices):
    gates = Gates(knowledge, {"compressor": "fixed"}, prices)
    doubt = Evidence(1, {}, {"identification": np.array([[0.95, 0.05, 0.0, 0.0]])})
    way = gates.way("pressure_test", gates.progress(doubt))
    assert way == Closed(
        "pressure_test", "refrigerant identification is doubtful: not before that is put right"
    )


def test_a_guard_done_without_its_result_is_no_pass(knowledge, prices):
    """It is done again: what stands on record counts, never that it was done."""
    gates = Gates(knowledge, {"compressor": "fixed"}, prices)
    told = gates.progress(Evidence(1), ["refrigerant_identification"])
    inferred = gates.progress(Evidence(1, numbers={"air_share": (np.zeros(1), np.zeros(1))}))
    for progress in (told, inferred):
        assert "refrigerant_identification" not in progress.done
        way = gates.way("static_test", progress)
        assert isinstance(way, Move)
        assert "refrigerant_identification" in way.first


@pytest.fixture
def cleared(knowledge: Knowledge) -> Evidence:
    """A car with the right gas and no leak-stop."""
    states = {
        "label_and_fittings": "agree",
        "identification": "as_labelled",
        "port_core": "clean",
        "sealant_check": "negative",
    }
    return recorded(knowledge, states)


def test_static_pressure_waits_for_a_soak_after_a_run_only(knowledge, prices, cleared):
    gates = Gates(knowledge, {"compressor": "fixed"}, prices)
    cold = gates.way("static_test", gates.progress(cleared))
    warm = gates.way("static_test", gates.progress(cleared, ["vent_test"]))
    assert isinstance(cold, Move)
    assert isinstance(warm, Move)
    assert (cold.steps[-1].due, warm.steps[-1].due) == (("coupled",), ("cold", "coupled"))
    assert warm.minutes == cold.minutes + 60
    assert warm.cost == pytest.approx(cold.cost + prices.waiting_rate)


def test_recovery_ends_what_needs_the_charge(knowledge, prices, cleared):
    gates = Gates(knowledge, {"compressor": "fixed"}, prices)
    progress = gates.progress(cleared, ["recover_and_weigh"])
    assert not {move.test for move in gates.moves(progress)} & SPOILT_BY_RECOVERY
    assert Closed("pressure_test", "no longer possible after: recover and weigh") in gates.closed(
        progress
    )


def test_an_old_sample_has_to_be_taken_again(knowledge, prices, cleared):
    gates = Gates(knowledge, {"compressor": "fixed"}, prices)
    fresh = gates.way("moisture_test", gates.progress(cleared, ["capture_sample"]))
    stale = gates.way(
        "moisture_test", gates.progress(cleared, ["capture_sample", "detector_search"])
    )
    assert isinstance(fresh, Move)
    assert isinstance(stale, Move)
    assert fresh.first == ()
    assert stale.first == ("capture_sample",)


@pytest.mark.parametrize(
    ("context", "why"),
    [
        ({"compressor": "fixed"}, "only with compressor electric"),
        ({"compressor": "electric"}, "only for people qualified for high voltage"),
    ],
)
def test_the_insulation_is_measured_by_the_qualified_only(knowledge, prices, context, why):
    gates = Gates(knowledge, context, prices)
    assert gates.way("insulation_measurement", gates.progress(Evidence(1))) == Closed(
        "insulation_measurement", why
    )


def test_a_car_that_may_be_electric_is_treated_as_one(knowledge, prices):
    able = prices.with_everything(knowledge)
    gates = Gates(knowledge, {}, able)
    found = gates.way("compressor_swab", gates.progress(Evidence(1)))
    assert found == Closed("compressor_swab", "only with compressor electric; state the compressor")


def test_what_the_workshop_cannot_do_is_not_offered(knowledge, tmp_path):
    file = tmp_path / "prices.toml"
    file.write_text('cannot = ["nitrogen_test"]\n', encoding="utf-8")
    gates = Gates(knowledge, {"compressor": "fixed"}, load_prices(file, knowledge))
    assert Closed("nitrogen_test", "this workshop does not do it") in gates.closed(
        gates.progress(Evidence(1))
    )


def test_a_test_half_done_is_still_offered_and_counts_as_done_for_others(knowledge, prices):
    gates = Gates(knowledge, {"compressor": "fixed"}, prices)
    half = recorded(knowledge, {"condenser_face": "dirty"})
    progress = gates.progress(half)
    assert progress == Progress(
        ("cold_look",), frozenset(), frozenset({"cold_look"}), standing=frozenset({"cold"})
    )
    assert "cold_look" in {move.test for move in gates.moves(progress)}
    seen = {"condenser_face": "dirty", "oily_dirt": "none", "loop_found": "closed"}
    whole = recorded(knowledge, seen)
    assert "cold_look" not in {move.test for move in gates.moves(gates.progress(whole))}


def test_nothing_that_touches_the_loop_goes_without_a_word_about_venting_or_licence(knowledge):
    work = [*knowledge.tests.values(), *knowledge.services.values()]
    marked = [item for item in work if item.coupled]
    assert len(marked) > 10
    gauges_only = {"static_test", "pressure_test"}
    for item in marked:
        spoken = {"never_vent", "licensed_practice"} & set(item.cautions)
        assert spoken or item.name in gauges_only, item.name


def test_a_move_rules_out_what_its_tests_destroy_and_nothing_else(knowledge, prices, cleared):
    gates = Gates(knowledge, {"refrigerant": "R134a"}, prices)
    moves = {move.test: move for move in gates.moves(gates.progress(cleared))}
    assert moves["recover_and_weigh"].prevents(moves["pressure_test"])
    assert moves["vacuum_hold_test"].prevents(moves["capture_sample"])
    assert not moves["pressure_test"].prevents(moves["recover_and_weigh"])
    assert not moves["recover_and_weigh"].prevents(moves["fan_test"])
