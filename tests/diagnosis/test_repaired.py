"""A car after a repair: exact, true to the cars drawn, and nothing of what was seen is lost."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from loopodds.base.arrays import FloatArray
from loopodds.base.errors import InspectionError, LoopoddsError, TooLarge
from loopodds.casebook.book import CaseBook
from loopodds.casebook.export import case_text
from loopodds.casebook.work import Casework
from loopodds.decision.next_test import rank_tests
from loopodds.decision.workshop import Workshop
from loopodds.diagnosis import past_evidence
from loopodds.diagnosis.diagnose import Diagnosis, believe, stated_context
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.past_evidence import encoded, with_past
from loopodds.diagnosis.repaired_car import Repair, before, changed_by, shown_by, still_done
from loopodds.diagnosis.simulation import simulate
from loopodds.diagnosis.what_if import what_if
from loopodds.inference.network import Discrete, Evidence
from loopodds.inspection.case_file import load_case
from loopodds.inspection.inspection import Inspection, RepairDone
from loopodds.inspection.sections import inspection_from
from loopodds.knowledge.assembly import build_network
from loopodds.knowledge.cures import cure_chances
from loopodds.knowledge.records import Knowledge
from references import agrum, ask_agrum, contract, known_of, one_hot, seen_reading
from simulated_repair import simulate_repair

CONTEXT = {"setting": "complaint", "expansion": "TXV", "compressor": "fixed", "weather": "warm"}
CAR = {
    "vehicle": {"refrigerant": "R134a", "expansion": "TXV", "compressor": "fixed"},
    "conditions": {"ambient": "28 degC", "humidity": "50 %", "setting": "complaint"},
}
SEEN = {
    "findings": {"cooling": "weak", "sample_darkening": "brown", "vacuum_hold": "rises"},
    "readings": {"low_side": "1.0 bar", "high_side": "9 bar"},
}
SINCE = {"findings": {"sample_specks": "metal"}, "readings": {"low_side": "1.8 bar"}}


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return Knowledge()


def state_of(name: str, knowledge: Knowledge, place: int = -1) -> str:
    return knowledge.node(name).states[place]


def after(services: tuple[str, ...], seen: dict, since: dict | None = None) -> Inspection:
    """The car of CAR, on which services were done once something had been seen."""
    earlier = inspection_from({**CAR, **seen})
    now = inspection_from({**CAR, **(since or {})})
    return replace(now, repairs=(RepairDone(services, earlier),))


def marginals(inspection: Inspection, model: Model) -> dict[str, FloatArray]:
    return believe(inspection, model).beliefs.faults


# --- exactness ---------------------------------------------------------------------------------


def contracted(
    services: tuple[str, ...], earlier: Evidence, now: Evidence, knowledge: Knowledge
) -> dict[str, FloatArray]:
    """Posterior after services from two whole copies of the network, by contraction.

    Another construction than that of loopodds: every fault is there twice, joined by a table that
    keeps it as it is or cures it; a mechanism is drawn again where a parent of it may be cured.
    """
    network = build_network(knowledge, CONTEXT)
    chances = cure_chances(services, knowledge)
    faults, mechanisms = knowledge.of_kind("fault"), knowledge.of_kind("mechanism")
    drawn: set[str] = set()
    for name, variable in network.hidden.items():  # parents before children
        if name in mechanisms and not drawn.union(chances).isdisjoint(variable.parents):
            drawn.add(name)
    factors: list[tuple[tuple[str, ...], FloatArray]] = []
    for name, variable in network.hidden.items():
        factors.append(((*variable.parents, name), variable.table))
        card = len(variable.states)
        later = f"{name}*"
        if name in faults:
            gone = chances.get(name, np.zeros(card))
            kernel = np.diag(1 - gone) + np.outer(gone, np.eye(card)[0])
            factors.append(((name, later), kernel))
        elif name in drawn:
            factors.append(((*(f"{p}*" for p in variable.parents), later), variable.table))
        else:
            factors.append(((name, later), np.eye(card)))
    unchanged = set(now.names()) - changed_by(services, knowledge)
    # looked at again, it is the same thing: it counts once
    for mark, evidence in (("", earlier.without(unchanged)), ("*", now)):
        for name in evidence.names():
            node = network.variable(name)
            if name in evidence.numbers:
                value, extra = (float(part[0]) for part in evidence.numbers[name])
                node, _ = seen_reading(network.gauges[name], value, extra)
                likelihood = node.table[..., 1]
            else:
                assert isinstance(node, Discrete)
                likelihood = node.table[..., int(evidence.codes[name][0])]
            factors.append((tuple(f"{p}{mark}" for p in node.parents), likelihood))
    found = {name: contract(factors, [f"{name}*"]) for name in faults}
    return {name: values / values.sum() for name, values in found.items()}


@pytest.mark.parametrize(
    "services",
    [("repair_control",), ("recover_and_charge",), ("restore_condenser_airflow", "repair_control")],
    ids=" ".join,
)
def test_belief_after_a_repair_equals_two_whole_copies_of_the_network(services, knowledge, model):
    network = build_network(knowledge, CONTEXT)
    rng = np.random.default_rng(len(services[0]))
    names = (
        "low_side",
        "high_side",
        "sample_darkening",
        "control_check",
        "cooling",
        "frost_at_valve",
    )
    for _ in range(4):
        cars = simulate(model, CONTEXT, 1, rng)
        later = simulate_repair(cars, services, network, knowledge, rng)
        earlier, now = cars.evidence.only(names), later.evidence.only(names[:4])
        done = (Repair(services, frozenset(names)),)
        evidence = with_past([earlier], done, now, knowledge)
        found = Model(knowledge, done).believe(CONTEXT, evidence).faults
        want = contracted(services, earlier, now, knowledge)
        for name, values in want.items():
            assert np.abs(found[name][0] - values).max() < 1e-11, name


def test_the_network_after_repairs_is_solved_as_another_engine_solves_it(knowledge, model):
    rng = np.random.default_rng(3)
    network = build_network(knowledge, CONTEXT)
    rounds = [("repair_leak_and_charge",), ("change_oil", "repair_control")]
    cars, past, done = simulate(model, CONTEXT, 1, rng), [], []
    for services in rounds:
        seen = sorted(network.observables)[len(past) :: 3]
        past.append(cars.evidence.only(seen))
        done.append(Repair(services, frozenset(seen)))
        cars = simulate_repair(cars, services, network, knowledge, rng)
    evidence = with_past(
        past, done, cars.evidence.only(sorted(network.observables)[::4]), knowledge
    )
    own = Model(knowledge, tuple(done))
    tree = own.tree(CONTEXT).network
    variables = [*tree.hidden.values(), *tree.observables.values()]
    known = known_of(variables, evidence, 0)
    answer = ask_agrum(agrum(variables), known, own.faults)
    beliefs = own.believe(CONTEXT, evidence)
    assert beliefs.log_evidence[0] == pytest.approx(answer.log_evidence, abs=1e-10)
    for name in own.faults:
        assert np.abs(beliefs.faults[name][0] - answer.marginals[name]).max() < 1e-11, name
    sound = {name: one_hot(len(tree.hidden[name].states), 0) for name in own.faults}
    with_sound = ask_agrum(agrum(variables), known | sound, []).log_evidence
    p_sound = np.exp(with_sound - answer.log_evidence)
    assert beliefs.p_sound[0] == pytest.approx(p_sound, rel=1e-9)


def test_a_fault_stays_with_the_chance_that_the_work_fails_each_time(knowledge, model):
    cure = knowledge.services["repair_leak_and_charge"].cures["leak"]
    came = model.believe(CONTEXT, Evidence(1)).faults["leak"][0]
    for times in (1, 2, 3):
        done = (Repair(("repair_leak_and_charge",), frozenset()),) * times
        leak = Model(knowledge, done).believe(CONTEXT, Evidence(1)).faults["leak"][0]
        assert leak[1:] == pytest.approx(came[1:] * (1 - cure) ** times, abs=1e-12)


def test_work_that_cures_nothing_changes_no_belief(model):
    earlier = inspection_from({**CAR, **SEEN})
    later = after(("put_charge_back",), SEEN)
    for name, values in marginals(earlier, model).items():
        assert np.abs(marginals(later, model)[name] - values).max() < 1e-12, name


def test_what_was_seen_before_still_tells_of_what_the_repair_did_not_touch(model):
    seen = {"findings": {"sample_darkening": "black"}}
    told = believe(after(("repair_control",), seen), model).condition("compressor_overheating")
    silent = believe(after(("repair_control",), {}), model).condition("compressor_overheating")
    assert told > 3 * silent


def test_probabilities_after_a_repair_are_as_often_right_as_they_say(knowledge, model):
    """Cars drawn, repaired and looked at again: the mean belief is the share of cars."""
    services, count = ("recover_and_charge", "repair_control"), 4000
    names = ("low_side", "control_check", "sample_bubbles", "cooling")
    rng = np.random.default_rng(8)
    cars = simulate(model, CONTEXT, count, rng)
    network = build_network(knowledge, CONTEXT)
    later = simulate_repair(cars, services, network, knowledge, rng)
    done = (Repair(services, frozenset(names)),)
    changed = [n for n in names if n in changed_by(services, knowledge)]
    wide = {before(n, 1): n for n in changed}
    past, now = cars.evidence.only(changed), later.evidence.only(names)
    evidence = Evidence(
        count,
        {new: past.codes[old] for new, old in wide.items() if old in past.codes} | dict(now.codes),
        {},
        {new: past.numbers[old] for new, old in wide.items() if old in past.numbers}
        | dict(now.numbers),
    )
    beliefs = Model(knowledge, done).believe(CONTEXT, evidence)
    for name in ("charge", "compressor_control", "leak", "moisture"):
        wrong = 1 - beliefs.faults[name][:, 0]
        share = later.states[name] > 0
        error = np.sqrt(np.mean(wrong * (1 - wrong)) / count)
        assert abs(wrong.mean() - share.mean()) < 4 * error, name


# --- what is out of date, and what is not ------------------------------------------------------


def test_a_repair_makes_only_what_hangs_on_it_out_of_date(knowledge):
    control = changed_by(("repair_control",), knowledge)
    assert {"compressor_control", "pumping", "low_side", "control_check"} <= control
    assert not {"identification", "leak", "leak_detector", "sample_bubbles"} & control
    assert "compressor_wear" not in control, "damage done stays done"


def test_a_loop_that_was_filled_can_be_weighed_again(knowledge):
    done = ("label_check", "refrigerant_identification", "recover_and_weigh", "vacuum_hold_test")
    assert (
        still_done(done, ("recover_and_charge",), knowledge) == ("label_check",)
        or still_done(done, ("recover_and_charge",), knowledge)[0] == "label_check"
    )
    for service in ("recover_and_charge", "put_charge_back"):
        left = still_done(done, (service,), knowledge)
        assert not {"recover_and_weigh", "vacuum_hold_test"} & set(left)
        assert "label_check" in left
    assert "recover_and_weigh" in still_done(done, ("repair_control",), knowledge)


def test_filling_shows_the_vacuum_hold(knowledge):
    assert shown_by(("repair_leak_and_charge", "repair_control"), knowledge) == ("vacuum_hold",)
    assert shown_by(("repair_control",), knowledge) == ()


def test_guards_passed_before_a_repair_stand_after_it_and_running_tests_do_not(model, knowledge):
    passed = {"identification": "as_labelled", "sealant_check": "negative", "port_core": "clean"}
    seen = {**SEEN, "findings": {**passed, "cooling": "weak", "label_and_fittings": "agree"}}
    belief = believe(after(("recover_and_charge",), seen), model)
    shop = Workshop(belief)
    move = shop.gates.way("pressure_test", shop.progress)
    assert [step.test for step in move.steps] == ["pressure_test"]


def test_the_driver_is_not_asked_again_after_a_repair(model):
    tests = {
        test.test for test in rank_tests(Workshop(believe(after(("repair_control",), {}), model)))
    }
    assert "interview" not in tests
    assert "ask_about_repairs" in tests, "the past of the car is still worth asking about"


def test_a_sample_taken_again_after_a_repair_is_fresh(model):
    passed = {"identification": "as_labelled", "sealant_check": "negative"}
    seen = {**SEEN, "findings": {**SEEN.get("findings", {}), **passed}}
    belief = believe(after(("repair_control",), seen), model)
    guards = ("label_check", "refrigerant_identification", "port_look", "leak_stop_check")
    then = "capture_sample", "pressure_test", "temperature_test"
    stale = Workshop(belief, (*guards, *then))
    fresh = Workshop(belief, (*guards, *then, "capture_sample"))
    for shop, first in ((stale, "capture_sample"), (fresh, "moisture_test")):
        move = shop.gates.way("moisture_test", shop.progress)
        assert move.steps[0].test == first


def test_a_refill_is_lost_where_the_leak_stays_and_only_once(model):
    leaking = {"findings": {"leak_detector": state_of("leak_detector", Knowledge())}}
    before_it = Workshop(believe(inspection_from({**CAR, **leaking}), model))
    shop = Workshop(believe(after(("recover_and_charge",), leaking), model))
    lost = shop.harm - before_it.harm
    assert lost.max() == Knowledge().services["recover_and_charge"].in_vain["leak.fast"]
    again = {offer.name: offer for offer in shop.offers.values()}["recover_and_charge"]
    assert again.in_vain.max() == lost.max()


def test_the_setting_is_that_in_which_the_car_came(model):
    car = {key: value for key, value in CAR.items() if key != "conditions"}
    earlier = inspection_from({**car, "findings": {"cooling": "weak"}})
    later = replace(inspection_from(car), repairs=(RepairDone(("repair_control",), earlier),))
    assert stated_context(later, model.knowledge)["setting"] == "complaint"
    ((_, group),) = encoded([later], model)
    # it tells of the car before the repair, and nothing of the car after it
    assert set(group.evidence.implied) == {"cooling (before repair 1)"}


def test_rows_with_different_repairs_are_believed_each_by_its_own(model):
    plain = inspection_from({**CAR, **SEEN})
    several = [
        plain,
        after(("repair_control",), SEEN),
        plain,
        after(("dry_the_loop",), SEEN, SINCE),
    ]
    groups = encoded(several, model)
    assert sorted(row for _, group in groups for row in group.rows.tolist()) == [0, 1, 2, 3]
    for own, group in groups:
        beliefs = own.believe(group.context, group.evidence)
        for i, row in enumerate(group.rows.tolist()):
            alone = believe(several[row], model)
            assert beliefs.p_sound[i] == pytest.approx(alone.p_sound, abs=1e-13)


def test_a_what_if_keeps_the_repairs(model):
    later = after(("recover_and_charge",), SEEN, SINCE)
    found = what_if(later, [["low_side=1.0 bar"]], model)
    assert found.base.probabilities["undercharge"] == pytest.approx(
        believe(later, model).condition("undercharge"), abs=1e-12
    )
    assert (
        found.variations[0].probabilities["undercharge"]
        > 1.4 * found.base.probabilities["undercharge"]
    )


def test_what_cannot_be_followed_any_more_is_left_out_and_said(model, monkeypatch):
    later = after(("dry_the_loop",), SEEN, SINCE)
    monkeypatch.setattr(past_evidence, "MOST_CELLS", 1_000_000)
    assert Diagnosis(later, model).warnings == later.warnings
    monkeypatch.setattr(past_evidence, "MOST_CELLS", 10_000)
    found = Diagnosis(later, model)
    (told,) = set(found.warnings) - set(later.warnings)
    assert told.startswith("of what was seen before repair 1 and changed since, some counts only")


def test_what_is_left_out_is_merged_into_what_it_makes_of_each_fault(model, monkeypatch):
    looked = after(("dry_the_loop",), SEEN)
    monkeypatch.setattr(past_evidence, "MOST_CELLS", 1_000_000)
    whole, again = marginals(looked, model), marginals(after(("dry_the_loop",), SEEN, SINCE), model)
    silent = marginals(after(("dry_the_loop",), {}), model)
    monkeypatch.setattr(past_evidence, "MOST_CELLS", 10_000)
    for name, values in marginals(looked, model).items():
        # what it is merged into leaves a little out itself
        assert np.abs(whole[name] - values).max() < 2 * past_evidence.MERGED_WITHIN, name
    assert max(np.abs(whole[name] - silent[name]).max() for name in whole) > 0.2
    later = marginals(after(("dry_the_loop",), SEEN, SINCE), model)
    # engineering tolerance: what old evidence says of several faults together is lost
    assert max(np.abs(again[name] - later[name]).max() for name in again) < 0.1


def test_conditions_hold_until_others_are_told(knowledge):
    then, now = {"ambient": "30 degC", "humidity": "60 %"}, {"ambient": "10 degC"}
    round_ = {"services": ["repair_control"], "readings": {"vent": "14 degC"}}
    told = inspection_from({"conditions": now, "repaired": [{**round_, "conditions": then}]})
    assert told.repairs[0].before.conditions["ambient"].text == "30 degC"
    assert told.conditions["ambient"].text == "10 degC"
    assert told.conditions["humidity"].text == "60 %"
    bare = inspection_from({"conditions": now, "repaired": [round_, round_]})
    assert all(r.before.conditions["ambient"].text == "10 degC" for r in bare.repairs)


def test_what_was_seen_in_warm_weather_is_judged_by_it(model):
    """Bubbles in the line mean little on a cool day, whatever the weather of the proof run."""
    seen = {"findings": {"line_bubbles": "steady"}}
    warm = after(("put_charge_back",), seen)
    cool = replace(
        warm, conditions=inspection_from({"conditions": {"ambient": "8 degC"}}).conditions
    )
    here = believe(inspection_from({**CAR, **seen}), model).condition("undercharge")
    assert believe(cool, model).condition("undercharge") == pytest.approx(here, abs=1e-9)


# --- case book and case file -------------------------------------------------------------------


@pytest.fixture
def work(tmp_path: Path, model: Model) -> Casework:
    return Casework(CaseBook(tmp_path / "cases.db"), model)


def repaired_case(work: Casework) -> int:
    stated = [(n, v) for section in CAR.values() for n, v in section.items()]
    seen = [(n, v) for section in SEEN.values() for n, v in section.items()]
    number = work.open("van", stated).state.number
    work.record(number, seen)
    work.tests_done(number, ["cold_look"])
    work.choose_plan(number, ["recover_and_charge"])
    return number


def test_the_plan_chosen_is_what_was_done_where_nothing_else_is_said(work):
    number = repaired_case(work)
    answer = work.repaired(number, [])
    (repair,) = answer.state.repairs
    assert repair.services == ("recover_and_charge",)
    assert {"low_side", "cooling"} <= repair.noted.keys()
    assert not {"low_side", "cooling"} & answer.state.noted.keys()
    assert answer.state.noted["refrigerant"].value == "R134a"
    assert answer.state.plan == ()
    assert {move.name for move in answer.moved()} >= {"undercharge"}


def test_a_repair_is_taken_back_like_any_other_step(work):
    number = repaired_case(work)
    plain = work.show(number).after
    work.repaired(number, [])
    work.undo(number)
    again = work.show(number)
    assert again.state.repairs == ()
    assert again.after == plain
    assert work.redo(number).state.repairs[0].services == ("recover_and_charge",)


def test_what_is_told_after_a_repair_does_not_change_what_was_seen_before(work):
    number = work.open("van", [("refrigerant", "R134a"), ("cooling", "weak")]).state.number
    work.record(number, [("low_side", "1 bar"), ("high_side", "9 bar")])
    work.repaired(number, ["repair_control"])
    before_it = work.show(number).after.conditions["undercharge"]
    told = work.record(number, [("ambient", "10 degC")])
    assert told.after.conditions["undercharge"] == pytest.approx(before_it, abs=0.02)
    with pytest.raises(LoopoddsError, match="the setting is how the car came"):
        work.record(number, [("setting", "routine")])
    with pytest.raises(LoopoddsError, match="low_side was recorded before repair 1"):
        work.doubt(number, [("low_side", None)])


def test_a_service_that_the_knowledge_has_lost_does_not_lock_a_case(work, model, tmp_path):
    number = repaired_case(work)
    work.repaired(number, ["clean_the_loop"])
    services = {n: s for n, s in model.knowledge.services.items() if n != "clean_the_loop"}
    poorer = Model(model.knowledge.changed(services=services, digest="poorer"))
    answer = Casework(work.book, poorer).show(number)
    assert any("clean_the_loop was done" in text for text in answer.warnings())


def test_without_a_plan_the_services_have_to_be_named(work):
    number = work.open("van").state.number
    with pytest.raises(LoopoddsError, match="case 1: no plan was chosen"):
        work.repaired(number, [])
    with pytest.raises(LoopoddsError, match="did you mean 'dry_the_loop'"):
        work.repaired(number, ["dry_the_lop"])


def test_a_repaired_case_leaves_the_book_and_comes_back_the_same(work, model, tmp_path):
    number = repaired_case(work)
    work.repaired(number, [])
    stood = work.record(number, [("low_side", "1.8 bar"), ("vacuum_hold", "holds")])
    path = tmp_path / "van.toml"
    path.write_text(case_text(stood.state), encoding="utf-8")
    read = load_case(path, model.knowledge)
    assert read.repairs[0].services == ("recover_and_charge",)
    belief = believe(read, model)
    for name, chance in stood.after.conditions.items():
        assert belief.condition(name) == pytest.approx(chance, abs=1e-12), name
    assert Diagnosis(read, model, belief).recorded["low_side"].startswith("1.8 bar")


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ('[[repaired]]\nservices = ["dry_the_lop"]', "did you mean 'dry_the_loop'"),
        ("[[repaired]]\n[repaired.findings]", "a list of services is needed"),
        ("[[repaired]]\nservices = [[1]]", "unknown service [1]"),
        ("[[repaired]]\nservices = []\nconditions = 3", "a section with names below it is needed"),
        ('[[repaired]]\nservices = ["dry_the_loop"]\nfindngs = {}', "did you mean 'findings'"),
        (
            '[[repaired]]\nservices = ["dry_the_loop"]\n[repaired.findings]\nsample_bubbels = "no"',
            "repaired 1: [findings] sample_bubbels: unknown finding; did you mean 'sample_bubbles'",
        ),
        ('repaired = "dry_the_loop"', "write [[repaired]], once for each repair"),
        ("repaired = [3]", "services and sections are needed, not 3"),
    ],
)
def test_a_repair_that_cannot_be_read_is_told_with_its_place(text, problem, tmp_path, knowledge):
    path = tmp_path / "broken.toml"
    path.write_text(text + "\n[vehicle]\n" if "[[" in text else text, encoding="utf-8")
    with pytest.raises(InspectionError, match=re.escape(problem)) as told:
        load_case(path, knowledge)
    assert "broken.toml" in str(told.value)


# --- many repairs ------------------------------------------------------------------------------


def many(rounds: int, services: tuple[tuple[str, ...], ...]) -> Inspection:
    """The car of CAR after so many repairs, looked at before each."""
    earlier = inspection_from({**CAR, **SEEN})
    done = tuple(RepairDone(services[n % len(services)], earlier) for n in range(rounds))
    return replace(inspection_from({**CAR, **SINCE}), repairs=done)


LARGE = (("replace_compressor_set",), ("dry_the_loop",), ("recover_and_charge",))


def test_repairs_between_which_nothing_was_seen_are_followed_as_one_exactly(knowledge, model):
    seen = frozenset({"low_side", "sample_darkening"})
    services = (("recover_and_charge",), ("repair_control",), ("repair_leak_and_charge",))
    silent = [Repair(one, frozenset()) for one in services]
    done = (Repair(services[0], seen), *silent[1:])
    network = Model(knowledge, done).network(CONTEXT)
    told = network.hidden["charge (through repairs)"].states
    # how it came, and now: what it was between the repairs is followed no more
    assert all(len(course.split(",")) == 2 for course in told)
    earlier = simulate(model, CONTEXT, 1, np.random.default_rng(5)).evidence.only(seen)
    evidence = with_past([earlier, Evidence(1), Evidence(1)], done, Evidence(1), knowledge)
    found = Model(knowledge, done).believe(CONTEXT, evidence).faults
    # a repair that is looked at after, without a result, is the same car with every moment kept
    kept = (done[0], *(replace(one, seen=frozenset({"low_side"})) for one in done[1:]))
    whole = Model(knowledge, kept)
    moments = {len(c.split(",")) for c in
               whole.network(CONTEXT).hidden["charge (through repairs)"].states}  # fmt: skip
    assert moments == {4}
    apart = with_past([earlier, Evidence(1), Evidence(1)], kept, Evidence(1), knowledge)
    for name, values in whole.believe(CONTEXT, apart).faults.items():
        assert np.abs(found[name] - values).max() < 1e-12, name


@pytest.mark.slow
@pytest.mark.parametrize("rounds", [2, 10, 200])
def test_however_many_repairs_the_network_stays_within_its_limit(rounds, model):
    ((own, group),) = encoded([many(rounds, LARGE)], model)
    assert own.fits(group.context, past_evidence.MOST_CELLS)
    assert len(own.repairs) == rounds
    followed = [repair for repair in own.repairs if repair.seen and not repair.left]
    assert len(followed) <= past_evidence.MOST_ROUNDS
    hidden = own.network(group.context).hidden
    # the arrays of the nodes stay small too, before any tree is made of them
    assert max(variable.table.size for variable in hidden.values()) < past_evidence.MOST_CELLS
    beliefs = own.believe(group.context, group.evidence)
    for name, values in beliefs.faults.items():
        assert values.sum() == pytest.approx(1.0, abs=1e-9), name


def looked_at(low_side: str, since: str) -> Inspection:
    """A car after three repairs of which old evidence is merged: what was read before and since."""
    seen = {**SEEN, "readings": {**SEEN["readings"], "low_side": low_side}}
    earlier = inspection_from({**CAR, **seen})
    done = tuple(RepairDone(services, earlier) for services in LARGE)
    return replace(inspection_from({**CAR, "readings": {"low_side": since}}), repairs=done)


def test_a_car_asked_about_again_is_asked_in_the_same_network(model):
    car = looked_at("1.0 bar", "1.8 bar")
    ((first, _),) = encoded([car], model)
    read_again = inspection_from({**CAR, "readings": {"low_side": "2.4 bar"}})
    ((again, _),) = encoded([replace(read_again, repairs=car.repairs)], model)
    assert again is first


def test_cars_with_the_same_repairs_keep_what_each_showed_before_them(model):
    cars = [looked_at(before, "1.8 bar") for before in ("1.0 bar", "3.9 bar")]
    together = [believe(car, model).beliefs.faults for car in cars]
    apart = []
    for car in cars:  # nothing known of the other
        for kept in (
            past_evidence._past,
            past_evidence._kept_that_fits,
            past_evidence._kept_merged,
        ):
            kept.cache_clear()
        ((own, _),) = encoded([car], model)
        assert any(repair.left for repair in own.repairs)  # else nothing is merged
        apart.append(believe(car, model).beliefs.faults)
    for found, alone in zip(together, apart, strict=True):
        for name, values in alone.items():
            assert np.abs(found[name] - values).max() < 1e-12, name
    assert max(np.abs(together[0][name] - together[1][name]).max() for name in together[0]) > 0.01


def test_what_was_left_out_of_many_repairs_is_said_once(model):
    told = [text for text in Diagnosis(many(12, LARGE), model).warnings if "repairs 1 to" in text]
    assert len(told) == 1


def test_what_was_cured_so_often_that_it_cannot_be_is_ruled_out(model):
    cured = (("recover_and_charge", "repair_leak_and_charge"), ("dry_the_loop",))
    found = Diagnosis(many(300, cured), model)
    gone = [condition.name for condition in found.conditions if condition.prior == 0]
    assert gone
    assert set(gone) <= set(found.ruled_out)


def test_too_little_memory_is_said_and_nothing_else_escapes(model, monkeypatch):
    def exhausted(*_):
        raise MemoryError

    monkeypatch.setattr("loopodds.inference.junction.JunctionTree._arrays", exhausted)
    with pytest.raises(TooLarge, match="not enough memory for 1 rows"):
        believe(many(2, LARGE), model)


def test_a_large_tree_is_worked_through_in_fewer_rows_at_once_with_the_same_result(
    model, monkeypatch
):
    cars = simulate(model, CONTEXT, 50, np.random.default_rng(2)).evidence
    whole = model.believe(CONTEXT, cars)
    monkeypatch.setattr("loopodds.inference.junction.MOST_NUMBERS", 40_000)
    few = model.believe(CONTEXT, cars)
    for name, values in whole.faults.items():
        assert np.abs(few.faults[name] - values).max() < 1e-12, name
