"""Which test next on the shipped network, and the commands that say so."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from loopodds.advice.assessment import assess
from loopodds.base.errors import UnknownName
from loopodds.casebook.sources import demo_cases, read_case
from loopodds.decision.next_test import best_few, best_policy, rank_tests
from loopodds.decision.workshop import Workshop
from loopodds.diagnosis.diagnose import believe, stated_context
from loopodds.inspection.inspection import Inspection
from loopodds_cli.main import main
from loopodds_cli.pages.next import print_next
from references import with_codes
from shared import assessed, page
from shared import shipped as model

# Amounts of currency, in sums of a few hundred terms.
MONEY = 1e-6
CONTRACT = {"test", "bits", "minutes", "net_value", "blocked_by"}


def demo(name: str) -> Inspection:
    return read_case(name, model().knowledge)


def shop(name: str) -> Workshop:
    return assessed(name).shop


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, list(arguments), prog_name="loopodds")


@pytest.mark.parametrize("name", demo_cases())
def test_tests_are_ranked_by_what_they_save(name):
    ranked = assessed(name).tests
    best = assessed(name).policy.best
    paying = [test for test in ranked if round(test.net_value, 6) > 0]
    ready = [test for test in paying if not test.waits_for]
    late = [test for test in paying if test.waits_for]
    idle = [test for test in ranked[len(paying) :] if not test.waits_for]
    for group in (ready, late, idle):
        values = [round(test.net_value, 6) for test in group]
        assert values == sorted(values, reverse=True)
    assert list(ranked[: len(paying)]) == ready + late
    if ready:
        assert best is not None
        assert best.move.steps[0].test == ranked[0].test
    for test in ranked:
        assert test.bits >= 0
        assert test.worth >= 0
        # one test alone: what it saves less what it costs, unless it opens something better
        if not test.blocked_by and test.opens == test.test:
            paid = test.cost + test.owes
            assert test.net_value == pytest.approx(test.worth - paid, abs=MONEY)
        if test.owes:
            assert "recover_and_weigh" in (test.test, *test.blocked_by)
            assert test.owes > 0


@pytest.mark.parametrize("name", ["@wet_loop", "@blocked_feed", "@over_dyed"])
def test_what_is_recorded_is_not_asked_again(name):
    seen = set(shop(name).belief.names)
    for test in assessed(name).tests:
        assert not seen.issuperset(model().knowledge.tests[test.test].yields)


def test_a_gate_is_worth_what_it_opens():
    """On a car that does not cool at all, the label leads to everything behind it."""
    told = {"cooling": "none"}
    empty = Inspection("new", {"compressor": "fixed"}, {"setting": "complaint"}, {}, told, {}, {})
    context = stated_context(empty, model().knowledge)
    now = Workshop(believe(empty, model()), context=context)
    ranked = {t.test: t for t in rank_tests(now)}
    label = ranked["label_check"]
    behind = [t for t in ranked.values() if "label_check" in t.blocked_by and not t.waits_for]
    assert label.net_value == pytest.approx(max(t.net_value for t in behind), abs=MONEY)
    assert label.opens != "label_check"
    assert label.net_value > label.worth - label.cost
    assert ranked["pressure_test"].blocked_by[0] == "label_check"


def test_a_test_done_without_a_result_is_not_offered_and_opens_the_next():
    belief = believe(demo("@low_charge_dead_fan"), model())
    before = {t.test: t for t in rank_tests(Workshop(belief))}
    after = {t.test: t for t in rank_tests(Workshop(belief, ["label_check"]))}
    assert before["capture_sample"].blocked_by == ("label_check",)
    assert "label_check" not in after
    assert after["capture_sample"].blocked_by == ()
    with pytest.raises(UnknownName, match="unknown test 'lable_check'; did you mean 'label_check'"):
        Workshop(belief, ["lable_check"])


@pytest.mark.parametrize("name", ["@wet_loop", "@blown_fuse"])
def test_the_worth_of_a_small_test_is_that_of_listing_its_outcomes(name):
    """Every joint outcome as its own inspection, beliefs and plans worked out afresh."""
    now = shop(name)
    ranked = {t.test: t for t in rank_tests(now)}
    decision, to_do = now.decision, now.decision.to_do(now.progress.done)
    checked = 0
    for test in ("running_look", "blower_test", "fan_test", "uv_leak_search", "cold_look"):
        yields = now.knowledge.tests[test].yields
        if test not in ranked or ranked[test].blocked_by or set(yields) & set(now.belief.names):
            continue
        cards = [len(model().states(n)) for n in yields]
        index = np.indices(cards).reshape(len(cards), -1)
        batch = with_codes(
            now.belief.evidence.repeat(index.shape[1]), dict(zip(yields, index, strict=True))
        )
        posterior = now.calibrated.tree.propagate(batch, decision.queries)
        chance = np.exp(posterior.log_evidence - now.belief.log_evidence)
        assert chance.sum() == pytest.approx(1.0)
        after = decision.cost(decision.of_joints(posterior.joints, to_do))
        worth = decision.cost(now.marginal[None])[0] - chance @ after
        # cells of the test are exact here but for outcomes rarer than one in a hundred
        assert ranked[test].worth == pytest.approx(worth, rel=0.02, abs=0.05)
        checked += 1
    assert checked >= 2


@pytest.mark.parametrize("name", ["@blown_fuse", "@low_charge_dead_fan"])
def test_the_worth_of_a_large_test_does_not_hang_on_how_finely_it_is_cut(name, monkeypatch):
    belief = shop(name).belief
    coarse = Workshop(belief)
    tests = rank_tests(coarse)
    monkeypatch.setattr("loopodds.decision.lookahead.FINE", 1 / 2000)
    monkeypatch.setattr("loopodds.decision.lookahead._STEP_OF_SEVERAL", 0.8)
    fine = {test.test: test.worth for test in rank_tests(Workshop(belief))}
    for test in tests:
        # stated accuracy: a tenth, or a hundredth of what the present plan costs
        stated = 0.01 * coarse.single.stop
        assert test.worth == pytest.approx(fine[test.test], rel=0.1, abs=stated), test.test


@pytest.mark.parametrize("name", ["@wet_loop", "@low_charge_dead_fan", "@looks_bad_is_sound"])
def test_looking_two_tests_ahead_is_never_worse_than_one(name):
    one, two = best_policy(shop(name), 1), best_policy(shop(name), 2)
    assert two.root.value <= one.root.value + MONEY
    assert two.root.least <= two.root.value + MONEY


def test_a_sound_car_is_not_tested_further():
    policy = assessed("@routine_sound").policy
    assert policy.best is None
    assert policy.depth == 2  # not even two tests together
    assert all(test.net_value <= 0 for test in assessed("@routine_sound").tests)


def test_the_screen_rows_of_assess_follow_the_contract():
    rows = [test.as_json() for test in best_few(assessed("@wet_loop").tests, 3)]
    assert len(rows) == 3
    for row in rows:
        assert set(row) >= CONTRACT
        assert row["bits_per_minute"] == pytest.approx(row["bits"] / row["minutes"])


def test_the_screen_rows_of_assess_count_no_worth_twice():
    """The gates of a test are worth what that test is worth, once."""
    first, *others = best_few(assessed("@low_charge_dead_fan").tests, 5)
    assert (first.test, first.opens) == ("label_check", "capture_sample")
    for other in others:
        assert other.opens == other.test != "capture_sample"
        assert not other.waits_for
    text = " ".join(page("assess", "@low_charge_dead_fan").split())
    assert "Label and fittings, which opens: capture a sample and look" in text


def test_where_a_test_saves_just_what_it_costs_the_most_telling_minute_comes_first():
    """What saves nothing does not pay: it is not named as the best for its worth."""
    even = [replace(test, net_value=0.0) for test in assessed("@wet_loop").tests]
    shown = best_few(even)
    ready = [test for test in even if not test.blocked_by]
    assert shown[0].bits_per_minute == max(test.bits_per_minute for test in ready)


@pytest.mark.parametrize("name", demo_cases())
def test_no_test_is_worth_what_waits_behind_it(name):
    """A gate to recovery alone is worth nothing while recovery has to wait."""
    ranked = {test.test: test for test in assessed(name).tests}
    for test in ranked.values():
        if not test.waits_for and test.net_value > 0:
            assert not ranked[test.opens].waits_for


@pytest.mark.parametrize("name", ["@first_look", "@wet_loop"])
def test_of_what_recovery_makes_impossible_the_best_that_is_new_is_named_first(name):
    ranked = {test.test: test for test in assessed(name).tests}
    waits_for = [ranked[test] for test in ranked["recover_and_weigh"].waits_for]
    keys = [(bool(test.unread), test.cost - test.worth) for test in waits_for]
    assert keys == sorted(keys)


def test_a_test_of_which_only_a_part_was_read_says_what_is_left():
    ranked = {test.test: test for test in assessed("@first_look").tests}
    assert ranked["refrigerant_identification"].unread == ("air_share",)
    assert ranked["fan_test"].unread == ()
    text = " ".join(page("next", "@at_the_limit").split())
    assert "rest of it: cold, then warm, then cold after a rest and 4 more" in text


class TestCommands:
    @pytest.mark.parametrize("name", demo_cases())
    def test_next_says_what_to_do_or_to_stop(self, name):
        told = assessed(name).next_json()
        assert (told["next"] is None) is told["stop"]
        for row in told["next_tests"]:
            assert set(row) >= CONTRACT
        settling = assessed(name).settling
        if settling:  # what may lift a stop comes before what pays
            assert told["next"] == settling[0]
        elif told["next"] is not None:
            first = told["sequence"]["tests"][0]
            assert first == told["next"]
            (row,) = [r for r in told["next_tests"] if r["test"] == first]
            assert row["blocked_by"] == []
            assert told["saves"] > 0
        chances = [o["chance"] for o in told["sequence"].get("outcomes", [])]
        assert sum(chances) == pytest.approx(1.0 if chances else 0.0)

    @pytest.mark.parametrize("name", demo_cases())
    @pytest.mark.parametrize("command", ["next", "plan"])
    def test_pages_fit_eighty_columns(self, command, name):
        assert max(map(len, page(command, name).splitlines())) <= 80

    @pytest.mark.parametrize("name", ["@wet_loop", "@leak_repaired"])
    @pytest.mark.parametrize("command", ["next", "plan"])
    def test_the_command_prints_what_the_library_says(self, command, name):
        assert run(command, name).output == page(command, name)
        told = getattr(assessed(name), f"{command}_json")()
        assert json.loads(run(command, name, "--json").output) == json.loads(json.dumps(told))

    @pytest.mark.parametrize("name", demo_cases())
    def test_plan_adds_up(self, name):
        told = assessed(name).plan_json()
        best = told["best"]
        assert best["expected_cost"] == pytest.approx(best["outlay"] + best["harm_left"])
        for other in told["others"]:
            assert other["expected_cost"] >= best["expected_cost"] - MONEY
        assert 0 <= told["same_decision"]["probability"] <= 1

    def test_the_page_leads_with_the_test_its_minutes_and_its_cautions(self):
        told = assessed("@wet_loop").next_json()
        test = model().knowledge.tests[told["next"]]
        lines = page("next", "@wet_loop").splitlines()
        headline = next(i for i, line in enumerate(lines) if line.startswith((" ┃", " #")))
        assert test.title.upper() in lines[headline]
        assert f"{test.minutes:.0f} min" in lines[headline + 1]
        first = assessed("@wet_loop").beware_of([told["next"]])
        shown = " ".join(" ".join(lines[:24]).split())
        assert any(first)
        assert all(text in shown for text in (*first.here, *first.always))

    def test_cautions_of_every_promised_step_are_in_view_before_the_other_tests(self):
        told = assessed("@low_charge_dead_fan").next_json()
        assert told["sequence"]["tests"] == ["label_check", "capture_sample"]
        assert told["cautions"] == assessed("@low_charge_dead_fan").cautions_of(
            ["label_check", "capture_sample"]
        )
        text = page("next", "@low_charge_dead_fan")
        soon, _ = " ".join(text.split()).split("each alone, after its cost")
        said = assessed("@low_charge_dead_fan").beware_of(told["sequence"]["tests"])
        assert len(said.here) + len(said.always) == len(told["cautions"])
        for text in (*said.here, *said.always):
            assert soon.count(text) == 1

    def test_a_worth_is_said_to_be_that_of_the_test_it_comes_from(self):
        text = " ".join(page("next", "@low_charge_dead_fan").replace("┃", "").split())
        assert "why: opens capture a sample and look, which tells most about" in text
        text = " ".join(page("plan", "@low_charge_dead_fan").replace("┃", "").split())
        assert "TEST FIRST: LABEL AND FITTINGS opens capture a sample and look: worth" in text

    @pytest.mark.parametrize("name", ["@blocked_feed"])
    def test_recovery_stands_last_and_only_there(self, name):
        text = page("next", name)
        assert text.lower().count("recover and weigh") == 1
        assert "  Last: recover and weigh (+" in text

    @pytest.mark.parametrize("name", demo_cases())
    def test_what_rounds_to_nothing_has_no_sign(self, name):
        for command in ("next", "plan", "assess"):
            assert not re.search(r"[+-]0(?![.\d])", page(command, name))

    def test_a_plan_of_two_tests_is_shown_as_a_tree(self):
        result = run("next", "@low_charge_dead_fan", "--lookahead", "2")
        assert "In turn" in result.output
        assert "plans as they would then stand" in result.output
        assert "otherwise" in result.output

    def test_a_workshop_may_bring_its_own_prices(self, tmp_path: Path):
        file = tmp_path / "prices.toml"
        file.write_text('currency = "EUR"\nlabour_rate = 120\n', encoding="utf-8")
        told = json.loads(run("plan", "@worn_compressor", "--prices", str(file), "--json").output)
        shipped = assessed("@worn_compressor").plan_json()
        assert told["currency"] == "EUR"
        assert told["best"]["outlay"] > shipped["best"]["outlay"]

    def test_a_slip_in_the_price_file_is_one_line_and_exit_code_one(self, tmp_path: Path):
        file = tmp_path / "prices.toml"
        file.write_text("labor_rate = 120\n", encoding="utf-8")
        result = run("plan", "@worn_compressor", "--prices", str(file))
        assert result.exit_code == 1
        assert (
            "prices.toml:1: labor_rate: unknown key; did you mean 'labour_rate'?" in result.output
        )

    def test_a_misspelt_test_is_answered_with_the_nearest(self):
        result = run("next", "@worn_compressor", "--done", "lable_check")
        assert result.exit_code == 1
        assert "unknown test 'lable_check'; did you mean 'label_check'?" in result.output


def test_cautions_of_other_cars_are_left_out():
    texts = " ".join(assessed("@worn_compressor").cautions_of(["capture_sample"]))
    assert "pressure vessel" in texts
    assert stated_context(demo("@worn_compressor"), model().knowledge)["refrigerant"] == "R134a"
    assert "R1234yf burns" not in texts


def test_the_same_case_gives_the_same_answer():
    first, second = (assess(demo("@wet_loop"), model()).plan_json() for _ in range(2))
    assert first == second


@pytest.mark.parametrize("name", demo_cases())
def test_recovery_is_never_next_while_a_test_that_it_rules_out_pays(name):
    """Recovery comes last: common practice, no source."""
    best = assessed(name).policy.best
    if best is not None and any(step.test == "recover_and_weigh" for step in best.move.steps):
        gone = model().knowledge.tests["recover_and_weigh"].destroys
        left = {test.test: test for test in assessed(name).tests if test.test in gone}
        own = {step.test for step in best.move.steps}
        # what must come before it is paid for too
        assert not [n for n, t in left.items() if t.pays and n not in own]


def test_a_test_that_shows_too_much_for_one_table_is_judged_by_part_of_it(monkeypatch):
    """A car repaired often has tables too large for all that one test shows together."""
    from loopodds.inference import joints

    whole = {test.test: test for test in assess(demo("@wet_loop"), model()).tests}
    monkeypatch.setattr(joints, "LARGEST_CELLS", 8_000)
    joints._plan.cache_clear()
    try:
        part = {test.test: test for test in assess(demo("@wet_loop"), model()).tests}
    finally:
        joints._plan.cache_clear()
    assert part.keys() == whole.keys()
    assert any(part[name].bits < whole[name].bits - 0.01 for name in whole)
    assert all(part[name].bits < whole[name].bits + 1e-6 for name in whole)


def test_what_is_left_out_of_tests_and_outcomes_is_said_on_screen_and_in_json(monkeypatch, capsys):
    monkeypatch.setattr("loopodds.decision.lookahead.MOST_WORK", 1)
    monkeypatch.setattr(
        "loopodds.decision.lookahead._has_a_table", lambda look: len(look.names) < 3
    )
    result = assess(demo("@first_look"), model(), lookahead=2)
    print_next(result)
    said = " ".join(capsys.readouterr().out.split())
    told = result.next_json()
    assert told["outcomes_left_out"] > 0
    assert f"{told['outcomes_left_out']:,} outcomes that may pay were not looked into" in said
    cut = {test["test"]: test["unjudged"] for test in told["next_tests"] if test["unjudged"]}
    assert cut
    for test, names in cut.items():
        yields = model().knowledge.tests[test].yields
        assert list(names) == [name for name in yields if name in names]
        assert f"{model().knowledge.tests[test].title} is judged without" in said
