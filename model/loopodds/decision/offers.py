"""Every sensible combination of services, priced: the decision that all testing serves.

A plan costs its work and material, what must be done before it, one filling of the loop however
many of its services need it, and the harm of every fault that it leaves for a season. Faults are
cured independently: what two services both cure stays with the product of their failures. What a
test took out of the loop has to go back in: a plan that fills the loop does it, any other needs a
service for it.
"""

import itertools
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray, IntArray, Query
from loopodds.decision.expected_cost import Component, Decision, Setting, least_cost, unions
from loopodds.decision.gates import Gates
from loopodds.decision.moves import NO_BARS, Bars
from loopodds.knowledge.cures import (
    apart_of,
    clearing,
    filling_of,
    lost_in_vain,
    season_harm,
    work_of,
)

FILLING, OPENING = "filling", "opening"
"""Evacuating and charging by mass, and opening the loop and sealing it, as needs of services."""
_AT_ONCE = 512
"""Combinations of services that are worked out together."""


@dataclass(frozen=True, slots=True, eq=False)
class Offer:
    """One service that can be done on this car."""

    name: str
    price: float  # work and material, in currency
    cure: FloatArray  # shape (fault columns,): chance that it removes each state of each fault
    own: FloatArray  # the same for its own work
    filled: FloatArray  # the same for the filling that it includes
    in_vain: FloatArray  # likewise: currency lost by doing it while the state is there and stays
    eased: FloatArray  # likewise: currency of harm that it spares though the state stays
    # tests with their set-ups, filling and opening, that have to come before or with it
    needs: frozenset[str]
    apart: frozenset[str]  # services that it must not be combined with
    with_one_of: tuple[frozenset[str], ...]  # one of each has to go along: a guard was not passed
    settles: frozenset[str]  # tests that leave a debt which it settles, as any filling does
    undone: float  # currency lost by handing the car back with that debt

    @property
    def named(self) -> set[str]:
        """Services that it must not be combined with, or may need one of."""
        return {*self.apart, *itertools.chain(*self.with_one_of)}


@lru_cache(maxsize=64)
def repair_decision(
    gates: Gates,
    failed: tuple[str, ...] = (),
    repaired: tuple[str, ...] = (),
    barred: Bars = NO_BARS,
    complaint: tuple[float, ...] = (),
) -> Decision:
    """All plans of services for one car, as a decision on its fault variables.

    Args:
        gates: Of the car and the workshop: services that it rules out are not offered.
        failed: Guards not passed: their contaminant has to be taken out with the rest.
        repaired: Services done already: what they put into the loop can still be lost.
        barred: What stops in force shut.
        complaint: How likely each fault column brings about what the customer came for; empty
            where that is nothing.
    """
    offers = offers_for(gates, failed, barred)
    offered = {offer.name for offer in offers}
    # a debt stays one while a stop shuts the service that would settle it
    stuck = [o for o in offers_for(gates, failed) if o.settles and o.name not in offered]
    book = _Book(gates, offers, repaired, stuck, complaint)
    tests = gates.knowledge.tests
    ended_by = {
        need: frozenset(name for name, test in tests.items() if need in test.destroys)
        for need in book.needs
    }
    owed = {
        offer.name: frozenset(n for n, t in tests.items() if offer.settles & gates.with_before(t))
        for offer in book.settling
    }
    shared_by = {
        need: frozenset(n for n in book.needs if n in tests and need in tests[n].set_up)
        for need in book.needs
        if need in gates.knowledge.set_ups
    }
    settings, informed = tuple(book.settings()), book.informed()
    return Decision(book.shape, book.needs, settings, informed, ended_by, owed, shared_by)


def harm_of(
    gates: Gates, repaired: Sequence[str] = (), complaint: Sequence[float] = ()
) -> FloatArray:
    """Harm of each state of each fault left for a season on this car, shape (fault columns,).

    What services done already put into the loop in vain is part of it, and so is the price of a
    complaint that is not solved, times the chance that the state brings it about. That never
    counts less than the complaint that stays, and more only where several causes are left.
    """
    left = season_harm(gates.context, gates.knowledge)
    if complaint:
        left += gates.prices.unsolved * np.array(complaint)
    return left + lost_in_vain(repaired, gates.knowledge)


def offers_for(gates: Gates, failed: Sequence[str], barred: Bars = NO_BARS) -> list[Offer]:
    """Services that can be done on this car and cure anything, or settle a debt, in file order.

    ``failed``: guards that were not passed; ``barred``: what stops in force shut.
    """
    knowledge = gates.knowledge
    apart = apart_of(knowledge)
    season = season_harm(gates.context, knowledge)
    offers = []
    for name, service in knowledge.services.items():
        needs = gates.needs(service, failed, barred)
        settles = frozenset(service.settles)
        if not service.curing or needs is None:
            continue
        for test in settles:  # there is no debt before they were done
            needs -= {test} | (gates.needs(knowledge.tests[test], ()) or frozenset())
        needs |= {one for test in needs for one in knowledge.tests[test].set_up}
        needs |= {FILLING} if filling_of(service, knowledge) else set()
        needs |= {OPENING} if service.opens_loop else set()
        stopped = [g for g in failed if g not in service.clears and gates.follows(service, g)]
        along = tuple(clearing(guard, knowledge) for guard in stopped)
        own, filled, in_vain, eased = work_of(service, knowledge)
        offers.append(
            Offer(
                name, gates.prices.of_work(name), 1 - (1 - own) * (1 - filled), own, filled,
                in_vain, season * eased, needs, apart[name], along, settles, service.undone or 0.0,
            )
        )  # fmt: skip
    return offers


@dataclass(frozen=True, slots=True, eq=False)
class _Dish:
    """One combination of the services of a group: price, needs and the harm it leaves."""

    names: Query
    price: float
    needs: frozenset[str]
    left: FloatArray
    lasts: FloatArray  # chance that a state that bears on the group is still there


class _Book:
    """Harms and prices of one car.

    Attributes:
        shape: tuple of (str, int); fault variables with their number of states.
        needs: Tests that some offers need, then their set-ups, in file order.
        curing, settling: Services that cure, and those that settle debts, what is shut included.

    ``stuck``: services that would settle a debt, shut by a stop.
    """

    def __init__(
        self,
        gates: Gates,
        offers: Sequence[Offer],
        repaired: Sequence[str],
        stuck: Sequence[Offer],
        complaint: Sequence[float],
    ) -> None:
        knowledge, prices = gates.knowledge, gates.prices
        faults = knowledge.of_kind("fault")
        self.shape = tuple((name, len(node.states)) for name, node in faults.items())
        self._variable = np.repeat(np.arange(len(self.shape)), [count for _, count in self.shape])
        self._starts = np.flatnonzero(np.diff(self._variable, prepend=-1))
        self._harm = harm_of(gates, repaired, complaint)
        self._lost = lost_in_vain(repaired, knowledge)
        self.curing = [offer for offer in offers if not offer.settles]
        self.settling = [*(offer for offer in offers if offer.settles), *stuck]
        self._stuck = {offer.name for offer in stuck}
        self._place = {offer.name: i for i, offer in enumerate(self.curing)}
        none = np.zeros((0, len(self._harm)))
        self._fails = np.vstack([none, *(1 - offer.own for offer in self.curing)])
        self._unfilled = np.vstack([none, *(1 - offer.filled for offer in self.curing)])
        self._eased = np.vstack([none, *(offer.eased for offer in self.curing)])
        self._bears = (self._fails < 1) | (self._unfilled < 1) | (self._eased > 0)
        alone, eased = self._outcome(np.arange(len(self.curing))[:, None])
        # harm that each service spares by curing and easing, shape (services, fault columns)
        self._spared = self._harm - alone[:, 0] * (self._harm - eased[:, 0])
        self._in_vain = np.vstack([none, *(offer.in_vain for offer in self.curing)])
        self._price = np.array([offer.price for offer in self.curing])
        # whether the second has to go along with some service because of the first
        along = [{*itertools.chain(*offer.with_one_of)} for offer in self.curing]
        self._along = np.array([[o.name in names for o in self.curing] for names in along])
        needed = frozenset[str]().union(*(offer.needs for offer in offers))
        tests, set_ups = (
            [name for name in known if name in needed]
            for known in (knowledge.tests, knowledge.set_ups)
        )
        self.needs = (*tests, *set_ups)
        self._bill = {name: prices.of_work(name) for name in tests}
        self._bill |= {name: gates.set_ups.price(name) for name in set_ups}
        self._once = {
            FILLING: prices.filling(gates.context.get("refrigerant")),
            OPENING: prices.opening,
        }

    def settings(self) -> Iterator[Setting]:
        """Every way to pay for the needs that several groups share, with all that it allows."""
        groups = self._groups()
        menus = [self.menu(group) for group in groups]
        users = Counter(
            need for group in groups for need in frozenset().union(*(o.needs for o in group))
        )
        shared = frozenset(need for need, count in users.items() if count > 1) | {*self._once}
        for paid in unions([offer.needs & shared for offer in self.curing]):
            yield from self._settings(menus, shared, paid)

    def _groups(self) -> list[list[Offer]]:
        """Services that bear on each other: a common fault, or one excludes or needs another."""
        groups: list[list[Offer]] = []
        for offer in self.curing:
            linked = [group for group in groups if any(self._linked(offer, o) for o in group)]
            for group in linked:
                groups.remove(group)
            groups.append([*itertools.chain(*linked), offer])
        return [sorted(group, key=lambda offer: self._place[offer.name]) for group in groups]

    def _linked(self, one: Offer, other: Offer) -> bool:
        ours, theirs = (self._variable[self._spared[self._place[o.name]] > 0] for o in (one, other))
        return bool({*ours} & {*theirs}) or other.name in one.named or one.name in other.named

    def _outcome(self, chosen: IntArray) -> tuple[FloatArray, FloatArray]:
        """Chance that each state outlasts some services, and the harm that they ease.

        ``chosen``, shape (sets, services), says by place which are in each set. Shape (sets,
        services + 1, fault columns): all of them together, then all without each in turn.
        """
        sets, count = chosen.shape
        pick = np.vstack([np.ones((1, count), dtype=bool), ~np.eye(count, dtype=bool)])[..., None]
        stays = np.ones((sets, count + 1, len(self._harm)))
        spared = np.zeros_like(stays)
        column = np.flatnonzero(self._bears[np.unique(chosen)].any(axis=0))
        fails, unfilled, eased = (
            part[:, column][chosen][:, None] for part in (self._fails, self._unfilled, self._eased)
        )
        stays[..., column] = np.where(pick, fails, 1.0).prod(axis=2)
        stays[..., column] *= np.where(pick, unfilled, 1.0).min(axis=2)
        spared[..., column] = np.where(pick, eased, 0.0).max(axis=2)
        return stays, spared

    def menu(self, group: Sequence[Offer]) -> list[_Dish]:
        """Combinations of which no service could be left out at no loss whatever is wrong.

        All of one size are worked out together. In the order of adding one service after another.
        """
        places = [self._place[offer.name] for offer in group]
        touched = np.isin(self._variable, self._variable[self._spared[places].max(axis=0) > 0])
        there = touched.astype(np.float64)
        level: list[tuple[int, ...]] = [()]
        dishes = {level[0]: _Dish((), 0.0, frozenset(), there * self._harm, there)}
        while tried := list(_longer(level, group)):
            level = []
            for start in range(0, len(tried), _AT_ONCE):
                some = tried[start : start + _AT_ONCE]
                chosen = np.array(places)[np.array(some)]
                stays, eased = self._outcome(chosen)
                pay = self._all_pay(chosen, stays, eased)
                kept = [one for one, pays in zip(some, pay.tolist(), strict=True) if pays]
                found = self._dishes(chosen[pay], touched, stays[pay, 0], eased[pay, 0])
                dishes |= dict(zip(kept, found, strict=True))
                level += kept
        return [
            dish
            for one, dish in sorted(dishes.items(), key=lambda item: item[0])
            if all(not along.isdisjoint(dish.names) for i in one for along in group[i].with_one_of)
        ]

    def _dishes(
        self, chosen: IntArray, touched: BoolArray, stays: FloatArray, eased: FloatArray
    ) -> Iterator[_Dish]:
        """Sets of services by place, with the outcome of each, shape (sets, fault columns)."""
        lasts = touched * stays
        # what two of them, or one and an earlier one, put in the loop is lost once
        lost = self._in_vain[chosen].max(axis=1)
        left = lasts * (self._harm - eased) + stays * np.maximum(lost - self._lost, 0)
        for places, harm, there in zip(chosen.tolist(), left, lasts, strict=True):
            offers = [self.curing[place] for place in places]
            needs = frozenset().union(*(offer.needs for offer in offers))
            names = tuple(offer.name for offer in offers)
            yield _Dish(names, sum(offer.price for offer in offers), needs, harm, there)

    def _all_pay(self, chosen: IntArray, stays: FloatArray, eased: FloatArray) -> BoolArray:
        """Whether each service saves more than its price in the worst case that it is there for.

        One that has to go along with others because of a guard always stays. Shape (sets,).
        """
        left = stays * (self._harm - eased)
        saved = np.maximum.reduceat(left[:, 1:] - left[:, :1], self._starts, axis=2).sum(axis=2)
        along = self._along[chosen[:, :, None], chosen[:, None, :]].any(axis=1)
        pay: BoolArray = ((saved > self._price[chosen]) | along).all(axis=1)
        return pay

    def _settings(
        self, menus: Sequence[Sequence[_Dish]], shared: frozenset[str], paid: frozenset[str]
    ) -> Iterator[Setting]:
        """Plans with the needs in ``paid``; a filling is paid for only where something needs it."""
        alone = self._untouched(menus)
        once = self._component([_Dish((), 0.0, paid, self._harm * alone, alone)])
        if FILLING not in paid:
            debts = [self._debt(number, paid) for number in range(len(self.settling))]
            yield Setting((once, *self._parts(menus, shared, paid), *debts))
            return
        for number, menu in enumerate(menus):
            filling = [dish for dish in menu if FILLING in dish.needs]
            if filling:
                some = [*menus[:number], filling, *menus[number + 1 :]]
                yield Setting((once, *self._parts(some, shared, paid)), filling=True)

    def _parts(
        self, menus: Sequence[Sequence[_Dish]], shared: frozenset[str], paid: frozenset[str]
    ) -> list[Component]:
        """What each menu offers once the needs in ``paid``, all the shared ones, are paid for."""
        paid_for = ([dish for dish in menu if dish.needs & shared <= paid] for menu in menus)
        return [self._component(dishes, shared) for dishes in paid_for]

    def _debt(self, number: int, paid: frozenset[str]) -> Component:
        """To settle a debt or not, where the loop is not filled anyhow."""
        offer = self.settling[number]
        nothing = np.zeros(len(self._harm))
        dishes = [
            _Dish((), 0.0, frozenset(), nothing, nothing),
            _Dish((offer.name,), offer.price, offer.needs - paid, nothing, nothing),
        ]
        part = self._component(dishes[:1] if offer.name in self._stuck else dishes)
        part.loss[0, len(self._harm) + len(self.needs) + number] = offer.undone
        return part

    def _untouched(self, menus: Sequence[Sequence[_Dish]]) -> FloatArray:
        """One for each state whose harm no service on offer bears on."""
        served = np.any([menu[0].left > 0 for menu in menus], axis=0) if menus else False
        return np.where(served, 0.0, np.ones_like(self._harm))

    def _component(self, dishes: Sequence[_Dish], paid: frozenset[str] = frozenset()) -> Component:
        """What some combinations come to, needs that are ``paid`` for already left out."""
        needs = [dish.needs - paid for dish in dishes]
        once = [sum(p for n, p in self._once.items() if n in own) for own in needs]
        constant = [dish.price + price for dish, price in zip(dishes, once, strict=True)]
        bills = [[self._bill[n] * (n in own) for n in self.needs] for own in needs]
        left = np.array([dish.left for dish in dishes])
        owed = np.zeros((len(dishes), len(self.settling)))
        loss = np.hstack([left, np.reshape(bills, (len(dishes), len(self.needs))), owed])
        lasts = np.array([dish.lasts for dish in dishes])
        return Component(tuple(dish.names for dish in dishes), np.array(constant), loss, lasts)

    def informed(self) -> FloatArray:
        """Cost of each fault state to someone who knows it, never too high, shape (columns,).

        The price of a service is split among the variables that it is there for, so that the
        parts of one plan add up to no more than it costs. A debt costs the service that settles
        it, or a filling where that is cheaper.
        """
        offers = self.curing
        relieved = [*self._spared]
        worst = [np.maximum.reduceat(spared, self._starts) for spared in relieved]
        saved = np.reshape(worst, (len(offers), len(self.shape)))
        split = saved / np.maximum(saved.sum(axis=1, keepdims=True), 1e-300)
        debts = [min(o.price, o.undone, self._once[FILLING]) for o in self.settling]
        least = np.array([0.0] * (len(self._harm) + len(self.needs)) + debts)
        for column, harm in enumerate(self._harm):
            spared = [relief[column] / (harm or 1.0) for relief in relieved]
            shares = zip(offers, split[:, self._variable[column]], spared, strict=True)
            useful = [
                (o.name, o.apart, o.price * share, 1 - relief)
                for o, share, relief in shares
                if relief > 0
            ]
            least[column] = least_cost(harm, useful)
        return least


def _longer(sets: Sequence[tuple[int, ...]], group: Sequence[Offer]) -> Iterator[tuple[int, ...]]:
    """Sets of services of a group, by place, with a later one that nothing excludes."""
    for one in sets:
        names = {group[i].name for i in one}
        for place in range(one[-1] + 1 if one else 0, len(group)):
            if names.isdisjoint(group[place].apart):
                yield (*one, place)
