"""What tests share is waited for once: minutes as a workshop counts them.

Facts of the trade here are common practice, no source.
"""

from __future__ import annotations

import itertools
import shutil
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

import msgspec
import numpy as np
import pytest
from loopodds.base.errors import InspectionError
from loopodds.decision.gates import Gates
from loopodds.decision.moves import Move, SetUps
from loopodds.decision.prices import Prices, load_prices
from loopodds.decision.workshop import Workshop
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.model import Model
from loopodds.inference.network import Evidence
from loopodds.knowledge.records import Knowledge

KNOWN = Knowledge()
PRICES = load_prices(None, KNOWN)
SHARED = SetUps(KNOWN, PRICES)
# Sums of minutes and currency of two digits.
CENT = 1e-6


def own(*tests: str) -> float:
    """Minutes of the tests themselves, as the file has them."""
    return sum(KNOWN.tests[name].minutes for name in tests)


def spent(*tests: str) -> float:
    """Minutes of tests on a car that came in cold and has not run."""
    return SHARED.spent(tests, SHARED.start)


def of(name: str) -> float:
    return KNOWN.set_ups[name].minutes


def test_gauges_after_the_vents_cost_only_their_handwork_in_the_same_run():
    run = spent("vent_test", "pressure_test") - spent("vent_test")
    assert run == own("pressure_test") + of("coupled")
    coupled = spent("static_test", "vent_test", "pressure_test") - spent("static_test", "vent_test")
    assert coupled == own("pressure_test") <= 8


def test_vents_after_the_gauges_take_as_long_as_it_takes_to_read_them():
    after = spent("pressure_test", "vent_test") - spent("pressure_test")
    assert after == own("vent_test") <= 3


@pytest.mark.parametrize("test", ["discharge_test", "vent_test", "pressure_test", "capture_sample"])
def test_what_is_read_settled_waits_ten_minutes_when_it_is_done_alone(test: str):
    assert of("settled") == 10
    assert spent(test) >= own(test) + 10


@pytest.mark.parametrize(
    "tests", list(itertools.permutations(["pressure_test", "vent_test", "discharge_test"]))
)
def test_one_run_settles_once_whatever_is_read_in_it_first(tests: Sequence[str]):
    assert spent(*tests) == own(*tests) + of("settled") + of("coupled")


def test_a_car_whose_engine_was_stopped_settles_again():
    assert spent("vent_test", "detector_search", "discharge_test") == (
        own("vent_test", "detector_search", "discharge_test") + 2 * of("settled")
    )


@pytest.mark.parametrize("between", ["compressor_listening", "switching_test", "fan_test"])
def test_what_is_switched_has_to_settle_again(between: str):
    """Oil surges when the compressor comes in, pressures follow the fans."""
    undisturbed = spent("pressure_test", "vent_test") - of("coupled")
    disturbed = spent("pressure_test", between, "vent_test") - of("coupled")
    assert disturbed == undisturbed + own(between) + of("settled")


def test_asking_and_reading_a_label_meanwhile_does_not_end_a_run():
    meanwhile = ("ask_about_use", "label_check")
    assert spent("pressure_test", *meanwhile, "vent_test") == (
        spent("pressure_test", "vent_test") + own(*meanwhile)
    )


def test_hoses_go_on_once_from_the_standing_gauges_to_the_vacuum():
    way = ("static_test", "pressure_test", "temperature_test", "recover_and_weigh")
    way = (*way, "vacuum_hold_test")
    assert spent(*way) == own(*way) + of("coupled") + of("settled")


def test_the_glass_takes_the_ports_and_the_hoses_go_on_again():
    way = ("pressure_test", "capture_sample", "recover_and_weigh")
    assert spent(*way) == own(*way) + 2 * of("coupled") + 2 * of("settled")


def test_a_sample_waits_anew_and_what_is_read_after_it_in_its_run_does_not():
    """The glass is coupled with the engine off, and oil surges when the compressor comes in."""
    assert spent("vent_test", "capture_sample") - spent("vent_test") == spent("capture_sample")
    way = ("capture_sample", "vent_test", "discharge_test")
    assert spent(*way) == own(*way) + of("settled")


def test_a_sample_comes_from_a_loop_that_has_run_ten_minutes():
    """As the finding on how it was drawn asks: oil surges right after the start."""
    assert "settled" in KNOWN.tests["capture_sample"].set_up
    drawn = KNOWN.node("sample_drawn").question
    assert "ten minutes" in drawn


def test_a_cold_car_is_read_at_once_and_a_warm_one_after_an_hour_once():
    assert spent("static_test") == own("static_test") + of("coupled")
    warm = ("vent_test", "static_test")
    assert spent(*warm) == own(*warm) + of("settled") + 60 + of("coupled")
    # what has been waited for stands until the engine runs again
    assert spent(*warm, "static_test") == spent(*warm) + own("static_test")
    again = spent(*warm, "vent_test", "static_test")
    assert again == spent(*warm) + own(*warm) + of("settled") + 60


def test_an_hour_for_the_car_alone_is_cheap_and_ten_minutes_beside_it_are_not():
    assert SHARED.price("cold") == pytest.approx(PRICES.waiting_rate)
    assert SHARED.price("settled") == pytest.approx(10 * PRICES.labour_rate / 60)


def test_no_own_minutes_hold_a_wait_that_is_shared():
    """With nothing due, a test takes what its file says; with all due, every set-up once."""
    for name, test in KNOWN.tests.items():
        ready = SHARED.step(name, frozenset(KNOWN.set_ups), {})
        waiting = sum(map(of, test.anew))
        assert (ready.minutes, ready.waiting) == (test.minutes + waiting, waiting)
        assert ready.due == test.anew
        from_nothing = SHARED.step(name, frozenset(), {})
        assert from_nothing.minutes == test.minutes + sum(map(of, test.set_up))
        shared = {*test.set_up} - {*test.anew}
        assert from_nothing.cost == pytest.approx(ready.cost + sum(map(SHARED.price, shared)))


def test_what_is_said_to_be_settled_is_waited_for():
    """Tests whose own words ask for a settled loop, and no others, need it."""
    words = {n: t.about for n, t in KNOWN.tests.items() if "ettled" in t.about}
    words |= {n: t.about for n, t in KNOWN.tests.items() if "ten minutes at" in t.about}
    asked = {n for n in words if n not in ("sample_settling", "capture_sample")}
    needing = {name for name, test in KNOWN.tests.items() if "settled" in test.set_up}
    assert asked <= needing
    assert len(asked) >= 5


@pytest.fixture(scope="module")
def gates() -> Gates:
    return Gates(KNOWN, {"compressor": "fixed"}, PRICES)


class TestInOneBay:
    """Gates, moves and plans of a car go by the same."""

    def test_a_sequence_takes_what_its_steps_take_however_it_is_split(self, gates: Gates):
        start = gates.progress(Evidence(1))
        way = gates.way("temperature_test", start)
        assert isinstance(way, Move)
        done, minutes, cost = start, 0.0, 0.0
        for step in way.steps:
            alone = gates.way(step.test, done)
            # guards count as done once their result is on record: only what is due counts here
            assert isinstance(alone, Move)
            assert alone.steps[-1].due == step.due
            minutes, cost = minutes + alone.steps[-1].minutes, cost + alone.steps[-1].cost
            done = gates.after(done, [step.test], frozenset())
            assert done.standing == step.standing
        assert (minutes, cost) == (pytest.approx(way.minutes), pytest.approx(way.cost))
        assert gates.after(start, [s.test for s in way.steps], frozenset()).standing == (
            done.standing
        )

    def test_of_what_was_done_nobody_knows_when_nothing_stands(self, gates: Gates):
        """A case file tells no order: the engine may long be off, and the loop may be warm."""
        told = Evidence(1, numbers={"vent": (np.zeros(1), np.zeros(1))})
        assert gates.progress(told).standing == frozenset()
        assert gates.progress(told, ["vent_test"]).standing == {"settled"}
        assert gates.progress(told, ["vent_test"], course=()).standing == frozenset()
        assert gates.progress(Evidence(1)).standing == {"cold"}

    def test_a_repair_ends_what_stood(self):
        """Whoever has worked on the car has stopped the engine and taken the hoses off."""
        from loopodds.diagnosis.repaired_car import Repair

        model = Model(KNOWN)
        before = Workshop(Belief(model, {}, Evidence(1)), ["fan_test", "label_check", "vent_test"])
        assert before.progress.standing == {"settled"}
        repaired = model.after((Repair(("repair_control",), frozenset()),))
        after = Workshop(Belief(repaired, {}, Evidence(1)), ["label_check", "vent_test"])
        assert after.progress.standing == frozenset()


class TestPriceFile:
    """A workshop's own minutes."""

    def load(self, folder: Path, text: str) -> Prices:
        file = folder / "prices.toml"
        file.write_text(text, encoding="utf-8")
        return load_prices(file, KNOWN)

    def test_a_workshop_says_how_long_it_couples(self, tmp_path: Path):
        prices = self.load(tmp_path, "[minutes]\ncoupled = 7\n")
        assert SetUps(KNOWN, prices).spent(["pressure_test"], frozenset()) == (
            own("pressure_test") + of("settled") + 7
        )

    @pytest.mark.parametrize("name", ["settled", "cold"])
    def test_no_workshop_shortens_what_the_car_needs(self, tmp_path: Path, name: str):
        with pytest.raises(InspectionError, match=f"{name}: unknown name"):
            self.load(tmp_path, f"[minutes]\n{name} = 1\n")


def test_knowledge_without_set_ups_takes_the_minutes_of_its_tests():
    tests = {n: msgspec.structs.replace(t, set_up=(), upsets=()) for n, t in KNOWN.tests.items()}
    bare = KNOWN.changed(tests=tests, set_ups={})
    shared = SetUps(bare, load_prices(None, bare))
    every = ("vent_test", "pressure_test")
    assert shared.spent(every, shared.start) == own(*every)


def test_a_soak_of_a_test_is_waited_for_as_a_set_up_of_its_own(tmp_path: Path):
    folder = tmp_path / "own"
    shutil.copytree(str(files("loopodds_data")), folder)
    tests = folder / "tests.toml"
    told = tests.read_text(encoding="utf-8").replace(
        'set_up = ["cold", "coupled"]', 'soak_minutes = 60\nset_up = ["coupled"]'
    )
    tests.write_text(told, encoding="utf-8")
    soaked = Knowledge(folder)
    shared = SetUps(soaked, load_prices(None, soaked))
    for order in (["static_test"], ["vent_test", "static_test"]):
        assert shared.spent(order, shared.start) == spent(*order)
