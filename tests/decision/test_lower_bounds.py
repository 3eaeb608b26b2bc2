"""Bounds on any way of choosing tests, held against the best one, found by going through all."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from benchmarks.bound_cars import job_of, menus_of, units_of
from benchmarks.bound_cut import Cut, CutGame, CutTest, cut_game
from benchmarks.bound_rungs import (
    Game,
    Menu,
    Unit,
    believed,
    best_menu,
    closed_sets,
    foreseen,
    rungs,
    seen_in,
)
from benchmarks.policy import Workbench, draw_car
from loopodds.base.arrays import FloatArray
from loopodds.decision.expected_cost import Component, Decision
from loopodds.decision.moves import Move
from loopodds.decision.outcomes import Cells
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Evidence, Network
from planning import joint_of, random_decision, random_variables, slow_value

# Sums of up to a few thousand products.
FLOAT = 1e-8
# Amounts of currency, in sums of a few hundred terms.
MONEY = 1e-6
SMALL = range(40)
CARS = range(4)  # of the shipped network: with a complaint and without


class Drawn:
    """A drawn network of a few faults and tests with drawn prices, and the best way to test it."""

    def __init__(self, seed: int, tests: int) -> None:
        rng = np.random.default_rng(seed)
        self.variables = random_variables(rng, 3, tests)
        self.network = Network.of_tables(self.variables)
        self.tree = JunctionTree(self.network)
        self.decision = random_decision(rng, self.variables)
        self.names = [f"o{i}" for i in range(tests)]
        self.prices = dict(zip(self.names, rng.uniform(0.0, 0.8, tests).tolist(), strict=True))
        # some tests come after another, as a sample's tests come after the sample
        after = {
            name: (self.names[int(rng.integers(i))],) if i and rng.random() < 0.3 else ()
            for i, name in enumerate(self.names)
        }
        if rng.random() < 0.5:
            self.decision = needing(self.decision, self.names[0], self.prices[self.names[0]])
        self.units = [Unit(n, self.prices[n], (n,), (n,), after[n]) for n in self.names]
        self.weights = rng.normal(0, 3, sum(count for _, count in self.decision.variables))
        counts = [len(self.network.states(name)) for name in self.names]
        self.outcomes = np.array(list(itertools.product(*(range(-1, n) for n in counts))))
        codes = {name: self.outcomes[:, i] for i, name in enumerate(self.names)}
        evidence = Evidence(len(self.outcomes), codes)
        self.log = self.tree.propagate(evidence).log_evidence
        self.belief = believed(self.tree, evidence, self.decision)
        self.place = {tuple(row): i for i, row in enumerate(self.outcomes.tolist())}
        self.cards = counts

    def stop(self, row: int) -> float:
        """Cost of the best plan after some outcomes."""
        done = [n for n, code in zip(self.names, self.outcomes[row], strict=True) if code >= 0]
        marginal = np.append(self.belief[row], self.decision.to_do(done))
        return float(self.decision.cost(marginal[None])[0])

    def after(self, row: int, test: int) -> list[tuple[float, int]]:
        """Chance and row of each outcome of a test."""
        seen = self.outcomes[row].tolist()
        rows = [
            self.place[(*seen[:test], code, *seen[test + 1 :])] for code in range(self.cards[test])
        ]
        return [(float(np.exp(self.log[r] - self.log[row])), r) for r in rows]

    def open_tests(self, row: int) -> list[int]:
        """Tests that can be done after some outcomes."""
        has = {n for n, code in zip(self.names, self.outcomes[row], strict=True) if code >= 0}
        units = enumerate(self.units)
        return [i for i, unit in units if unit.name not in has and has.issuperset(unit.after)]

    def values(self) -> tuple[float, float]:
        """Expected bill of the best way to test, and of one that looks one test ahead."""
        best: dict[int, float] = {}
        greedy: dict[int, float] = {}
        for row in np.argsort(-(self.outcomes >= 0).sum(axis=1), kind="stable").tolist():
            stop = self.stop(row)
            if self.log[row] == -np.inf:
                best[row] = greedy[row] = stop
                continue
            best[row], ahead, then = stop, stop, stop
            for test in self.open_tests(row):
                price, outcomes = self.units[test].price, self.after(row, test)
                best[row] = min(best[row], price + sum(p * best[r] for p, r in outcomes))
                promised = price + sum(p * self.stop(r) for p, r in outcomes)
                if promised < ahead - 1e-12:
                    ahead, then = promised, price + sum(p * greedy[r] for p, r in outcomes)
            greedy[row] = then
        nothing = self.place[(-1,) * len(self.names)]
        return best[nothing], greedy[nothing]

    def cut(self) -> CutGame:
        """The same with everything gone through at once."""
        tests = [
            CutTest(
                unit.name,
                unit.price,
                Cells((unit.name,), np.arange(card)[:, None], (None,)),
                after=tuple(self.names.index(name) for name in unit.after),
            )
            for unit, card in zip(self.units, self.cards, strict=True)
        ]
        return CutGame(self.tree, Evidence(1), self.decision, tests, {})

    def game(self, row: int, weights: FloatArray) -> Game:
        """The game of a car with all these results."""
        codes = {n: self.outcomes[row, i : i + 1] for i, n in enumerate(self.names)}
        return Game(self.tree, [Menu(self.decision)], self.units, Evidence(1, codes), weights)

    def bounds(self) -> FloatArray:
        """Means of the last three rungs over all cars there can be, and of the first."""
        full = np.flatnonzero((self.outcomes >= 0).all(axis=1) & np.isfinite(self.log))
        means = np.zeros(4)
        for row in full.tolist():
            told = rungs(self.game(row, self.weights))
            harder = rungs(replace(self.game(row, self.weights / 10), share=0.9))
            values = told.results, told.leading, told.penalised, harder.penalised
            means += np.exp(self.log[row]) * np.array(values)
        return means

    def knowing_faults(self) -> float:
        """Mean of the first rung over all combinations of faults."""
        names, joint = joint_of(self.variables)
        shape = [name for name, _ in self.decision.variables]
        gone = tuple(i for i, name in enumerate(names) if name not in shape)
        chances = np.transpose(
            joint.sum(axis=gone), [[n for n in names if n in shape].index(n) for n in shape]
        )
        mean = 0.0
        for states in np.ndindex(chances.shape):
            game = self.game(0, self.weights)
            told = replace(game, faults=dict(zip(shape, states, strict=True)))
            if chances[states]:
                mean += float(chances[states]) * rungs(told).faults
        return mean


def needing(decision: Decision, test: str, price: float) -> Decision:
    """The same where every option but the first of each component needs a test."""
    settings = []
    for setting in decision.settings:
        parts = [
            Component(
                part.options,
                part.constant,
                np.column_stack([part.loss, price * (np.arange(len(part.options)) > 0)]),
            )
            for part in setting.components[:1]
        ]
        rest = [
            Component(p.options, p.constant, np.column_stack([p.loss, np.zeros(len(p.options))]))
            for p in setting.components[1:]
        ]
        settings.append(replace(setting, components=(*parts, *rest)))
    return replace(
        decision, needs=(test,), settings=tuple(settings), informed=np.append(decision.informed, 0)
    )


class Sharing(Drawn):
    """The same where tests share set-ups, which others end; a plan may need one too."""

    def __init__(self, seed: int, tests: int) -> None:
        super().__init__(seed, tests)
        rng = np.random.default_rng([seed, 1])
        self.set_ups = {name: float(rng.uniform(0.1, 0.8)) for name in ("settled", "coupled")}
        self.asks = {n: {u for u in self.set_ups if rng.random() < 0.6} for n in self.names}
        self.ends = {n: {u for u in self.set_ups if rng.random() < 0.4} for n in self.names}
        if self.decision.needs:
            self.decision = sharing(self.decision, "coupled", self.set_ups["coupled"])
            self.asks[self.names[0]].add("coupled")
        self.units = [self.unit(name) for name in self.names]

    def unit(self, name: str) -> Unit:
        """A test as its unit, which brings about whatever it does not end itself."""
        (after,) = (unit.after for unit in self.units if unit.name == name)
        asks = tuple(self.asks[name])
        return Unit(name, self.prices[name], (name,), (name,), after, asks, asks)

    def best(self) -> float:
        """Expected bill of the best way to test, what stands being known at every moment."""
        values: dict[tuple[int, frozenset[str]], float] = {}
        states = [frozenset(s) for n in range(3) for s in itertools.combinations(self.set_ups, n)]
        rows = np.argsort(-(self.outcomes >= 0).sum(axis=1), kind="stable").tolist()
        for row, standing in itertools.product(rows, states):
            done = [n for n, c in zip(self.names, self.outcomes[row], strict=True) if c >= 0]
            marginal = np.append(self.belief[row], self.decision.to_do(done, standing))
            value = float(self.decision.cost(marginal[None])[0])
            if self.log[row] > -np.inf:
                for test in self.open_tests(row):
                    name = self.names[test]
                    due = self.asks[name] - standing
                    then = (standing | self.asks[name]) - self.ends[name]
                    price = self.prices[name] + sum(self.set_ups[one] for one in due)
                    on = sum(p * values[r, then] for p, r in self.after(row, test))
                    value = min(value, price + on)
            values[row, standing] = value
        return values[self.place[(-1,) * len(self.names)], frozenset()]

    def in_order(self, order: Sequence[str], here: FloatArray) -> float:
        """Bill of tests done in some order, and of the plan that is best then."""
        standing, bill = frozenset[str](), 0.0
        for name in order:
            due = self.asks[name] - standing
            bill += self.prices[name] + sum(self.set_ups[one] for one in due)
            standing = (standing | self.asks[name]) - self.ends[name]
        to_do = self.decision.to_do(order, standing)
        return bill + float(self.decision.cost(np.append(here, to_do)[None])[0])

    def possible(self, order: Sequence[str]) -> bool:
        """Whether every test comes after those that it needs."""
        after = {unit.name: {*unit.after} for unit in self.units}
        return all(after[name] <= {*order[:i]} for i, name in enumerate(order))

    def game(self, row: int, weights: FloatArray) -> Game:
        """The game of a car with all these results."""
        return replace(super().game(row, weights), set_ups=self.set_ups)


def sharing(decision: Decision, set_up: str, price: float) -> Decision:
    """A decision of which the one need comes with a set-up."""
    (need,) = decision.needs
    settings = []
    for setting in decision.settings:
        parts = [
            replace(part, loss=np.column_stack([part.loss, price * (part.loss[:, -1] > 0)]))
            for part in setting.components
        ]
        settings.append(replace(setting, components=tuple(parts)))
    return replace(
        decision,
        needs=(need, set_up),
        settings=tuple(settings),
        informed=np.append(decision.informed, 0),
        shared_by={set_up: frozenset({need})},
    )


@pytest.mark.parametrize("seed", SMALL)
def test_a_bound_charges_a_set_up_no_oftener_than_any_way_of_testing_has_to(seed):
    """Ended and brought about again, in every order: the best way pays at least the bound."""
    drawn = Sharing(seed, 2 + seed % 4)
    optimum = drawn.best()
    results, leading, penalised, harder = drawn.bounds()
    assert results <= leading + FLOAT
    assert max(leading, penalised, harder) <= optimum + FLOAT
    assert drawn.knowing_faults() <= results + FLOAT


@pytest.mark.parametrize("ending", [True, False], ids=["ended", "lasting"])
@pytest.mark.parametrize("seed", range(10))
def test_a_set_of_tests_is_billed_as_in_its_cheapest_order_or_below(seed, ending):
    """Where nothing ends a set-up, every order costs the same, and the bound knows it."""
    drawn = Sharing(seed, 4)
    drawn.ends = drawn.ends if ending else {name: set() for name in drawn.names}
    row = int(np.flatnonzero((drawn.outcomes >= 0).all(axis=1) & np.isfinite(drawn.log))[0])
    game = drawn.game(row, drawn.weights)
    sets = closed_sets(game.units)
    here = believed(game.tree, seen_in(sets, game.units, game.results), drawn.decision)
    expected, _, price = best_menu(game, sets, here, here[-1])
    for has, belief, billed in zip(sets, here, expected + price, strict=True):
        names = [name for name, one in zip(drawn.names, has, strict=True) if one]
        orders = [o for o in itertools.permutations(names) if drawn.possible(o)]
        bills = [drawn.in_order(order, belief) for order in orders]
        assert billed <= min(bills) + MONEY
        if not ending:
            assert bills == pytest.approx([billed] * len(bills), abs=MONEY)


def test_set_ups_raise_the_bound_and_the_best_bill_where_tests_pay():
    """Else the claim above would say nothing of them."""
    raised = 0
    for seed in SMALL:
        drawn = Sharing(seed, 3)
        free = Sharing(seed, 3)
        free.set_ups = dict.fromkeys(free.set_ups, 0.0)
        raised += (
            drawn.bounds()[1] > free.bounds()[1] + FLOAT and drawn.best() > free.best() + FLOAT
        )
    assert raised > len(SMALL) / 4


@pytest.mark.parametrize("seed", SMALL)
def test_bound_optimum_policy_stand_in_this_order(seed):
    drawn = Drawn(seed, 2 + seed % 4)
    optimum, policy = drawn.values()
    results, leading, penalised, harder = drawn.bounds()
    assert drawn.knowing_faults() <= results + FLOAT
    assert results <= leading + FLOAT
    assert max(leading, penalised, harder) <= optimum + FLOAT
    assert optimum <= policy + FLOAT


def test_the_optimum_is_what_plain_recursion_finds():
    for seed in SMALL:
        drawn = Drawn(seed, 3)
        if drawn.decision.needs or any(unit.after for unit in drawn.units):
            continue
        names, joint = joint_of(drawn.variables)
        slow = slow_value(names, joint, drawn.decision, drawn.prices, 3, {})
        assert drawn.values()[0] == pytest.approx(slow, abs=FLOAT)


def test_the_penalty_tells_more_than_knowing_all_results_does():
    """Fitted weights: what the results are worth, as someone who sees all of them pays."""
    closer = 0
    for seed in SMALL:
        drawn = Drawn(seed, 3)
        optimum, _ = drawn.values()
        full = (drawn.outcomes >= 0).all(axis=1) & np.isfinite(drawn.log)
        costs = np.array([drawn.stop(row) for row in np.flatnonzero(full)])
        chance = np.exp(drawn.log[full])[:, None]
        wide = np.column_stack([drawn.belief[full], np.ones(full.sum())])
        stiff = 1e-6 * np.eye(wide.shape[1])
        drawn.weights = np.linalg.solve(
            wide.T @ (chance * wide) + stiff, wide.T @ (chance[:, 0] * costs)
        )[:-1]
        results, leading, penalised, _ = drawn.bounds()
        assert max(results, leading, penalised) <= optimum + FLOAT
        closer += penalised > leading + FLOAT
    assert closer > len(SMALL) / 2


def test_every_closed_set_is_gone_through_once():
    for seed in SMALL:
        units = Drawn(seed, 5).units
        sets = closed_sets(units)
        assert len(np.unique(sets, axis=0)) == len(sets)
        names = [unit.name for unit in units]
        slow = [
            row
            for row in itertools.product((False, True), repeat=5)
            if all(
                row[names.index(a)]
                for unit, has in zip(units, row, strict=True)
                if has
                for a in unit.after
            )
        ]
        assert sorted(map(tuple, sets.tolist())) == sorted(slow)


def test_what_is_not_bought_is_not_seen():
    drawn = Drawn(1, 3)
    row = int(np.flatnonzero((drawn.outcomes >= 0).all(axis=1))[0])
    sets = closed_sets(drawn.units)
    shown = seen_in(sets, drawn.units, drawn.game(row, drawn.weights).results)
    for column, name in zip(sets.T, drawn.names, strict=True):
        assert ((shown.codes[name] >= 0) == column).all()


@pytest.mark.parametrize("number", CARS)
def test_a_unit_costs_no_more_than_any_way_to_a_test_of_it(number):
    """Whoever does some tests has paid for every unit that shows what he saw, and for no more."""
    gates = job_of(draw_car(number, 0.0)).gates
    units, charged = units_of(gates), set[str]()
    start = gates.progress(Evidence(1))
    for name in gates.knowledge.tests:
        way = gates.way(name, start)
        if not isinstance(way, Move):
            continue
        done = {step.test for step in way.steps}
        shown = {f for test in done for f in gates.knowledge.tests[test].yields}
        own = next(u for u in units if {*gates.knowledge.tests[name].yields} <= {*u.shows})
        bought = {own.name, *own.after}
        for unit in reversed(units):
            bought |= {*unit.after} if unit.name in bought else set()
        paid = [unit for unit in units if unit.name in bought]
        set_ups = {one for unit in paid for one in unit.needs}
        charged |= set_ups
        least = sum(u.price for u in paid) + sum(map(gates.set_ups.price, set_ups))
        assert least <= way.cost + FLOAT
        assert way.steps[-1].standing <= gates.set_ups.start.union(*(u.brings for u in paid))
        assert shown <= {f for u in units if u.name in bought for f in u.shows}
    assert charged == {"settled", "coupled"}


@pytest.mark.parametrize("number", CARS)
def test_hindsight_prices_the_plan_that_was_best_before(number):
    rng = np.random.default_rng(number)
    job = job_of(draw_car(number, 0.0))
    decision = menus_of(job, units_of(job.gates))[0].decision
    here, there = (
        np.hstack([rng.dirichlet(np.full(n, 0.3), 5) for _, n in decision.variables])
        for _ in range(2)
    )
    certain = np.tile(decision.to_do(("label_check",)), (5, 1))
    expected, actual = foreseen(decision, here, there[0], certain)
    for row in range(5):
        before = np.append(here[row], certain[row])
        plan = decision.best(before)
        assert expected[row] == pytest.approx(plan.cost, abs=MONEY)
        after = np.append(there[0], certain[row])
        assert actual[row] == pytest.approx(decision.cost_of(plan, after[None])[0], abs=MONEY)


@pytest.mark.parametrize("seed", SMALL)
def test_a_cut_game_gives_what_going_through_it_one_by_one_gives(seed):
    drawn = Drawn(seed, 2 + seed % 4)
    game = drawn.cut()
    optimum, greedy = drawn.values()
    one_ahead = game.followed(lambda known, _: game.steps(known, game.stop))
    assert game.followed(game.steps)[0].item() == pytest.approx(optimum, abs=MONEY)
    assert one_ahead[0].item() == pytest.approx(greedy, abs=MONEY)
    everything = game.sets[0]
    known = game.belief[everything].reshape(-1, game.belief[everything].shape[-1])
    drawn.weights = game.fitted(known, np.exp(game.log[everything]).ravel())
    assert game.bound() == pytest.approx(drawn.bounds()[2], abs=MONEY)


def in_order(bills: Cut) -> bool:
    """Bound, best way, rollout, and the rule that it improves on."""
    least = bills.bound <= bills.best + MONEY
    rolled = bills.best <= min(bills.rollout, bills.two_ahead) + MONEY
    return least and rolled and max(bills.rollout, bills.rooted) <= bills.next + MONEY


def test_rollout_never_pays_more_than_the_rule_it_follows_and_sometimes_less():
    told = [Drawn(seed, 4).cut().bills() for seed in SMALL]
    assert all(map(in_order, told))
    assert any(bills.rollout < bills.next - MONEY for bills in told)


@pytest.mark.parametrize("number", CARS)
def test_a_car_cut_to_a_few_tests_keeps_prices_and_what_opens_the_machine(number):
    shop = Workbench(draw_car(number, 0.0)).shop()
    game = cut_game(shop, 4, 3)
    assert in_order(game.bills())
    for known in game.sets:
        own = [game.tests[i] for i in game.members(known)]
        ways = [shop.gates.way(test.name, shop.progress) for test in own]
        taken = [s for way in ways if isinstance(way, Move) for s in way.steps]
        steps = {step.test: shop.gates.prices.of_work(step.test) for step in taken}
        steps |= {due: shop.gates.set_ups.price(due) for step in taken for due in step.due}
        # whoever opens the machine does all of it; nothing else is paid that the tests do not need
        opened = game.opening if any(test.opened for test in own) else {}
        assert game.price(known) == pytest.approx(sum({**steps, **opened}.values()), abs=MONEY)
        if known:
            chance = np.exp(game.log[known] - game.log[0]).sum()
            assert chance == pytest.approx(1.0, abs=FLOAT)
