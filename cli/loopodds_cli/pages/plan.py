"""The page of ``loopodds plan``: what to do to the car, what it costs, how firm that is."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from loopodds import condition_title, sentence

from loopodds_cli.pages.assess import in_range
from loopodds_cli.screen.head import put_outlook, put_title
from loopodds_cli.screen.offers import gone_text, put_leaves, put_offers
from loopodds_cli.screen.page import (
    FAINT,
    Page,
    duration,
    fault_text,
    money,
    percent,
    plan_texts,
    services_text,
    signed,
    tests_text,
    unit_of,
)
from loopodds_cli.screen.stops import put_cautions, put_stops_further

if TYPE_CHECKING:
    from loopodds import Assessment, BreakEven, ServicePlan


def print_plan(result: Assessment, brief: bool = False) -> None:
    """Write the page to standard output; ``brief`` leaves out all but the plan and its dangers."""
    page, knowledge, best = Page(), result.knowledge, result.advice.best
    put_title(page, result)
    page.line("")
    if result.to_test:
        _test_first(page, result)
        page.line("")
        page.line("If it has to be decided now:")
    titles = services_text(best.services, knowledge)
    promised = next((gone_text(o) for o in result.offers if "best" in o.kinds), "")
    texts = [*plan_texts(best, result.currency), promised]
    page.headline(titles, *(text for text in texts if text))
    page.line("")
    put_outlook(page, result, "next", "plan")
    for text in (*_held_back(result), *_provisos(result), *_doubts(result)):
        page.line("")
        page.marked("!", text)
    if not brief:
        _steps(page, result, best)
    beware = result.beware_of((*best.first, *best.services), page.said)
    if any(beware):
        page.line("")
        put_cautions(page, beware)
    if brief:
        return
    put_stops_further(page, result.stops, knowledge)
    put_leaves(page, result, result.leaves)
    put_offers(page, result)
    worse = f"what each costs more on average, harm left included, {unit_of(result.currency)}"
    page.heading("Next best", worse)
    others = [
        (services_text(plan.services, knowledge), signed(plan.cost - best.cost))
        for plan in result.advice.others
    ]
    page.rows(others, right=[1])
    page.heading("How firm this is")
    for text in _firmness(result):
        page.marked("-", text, FAINT)


def _test_first(page: Page, result: Assessment) -> None:
    knowledge, best = result.knowledge, result.policy.best
    why = "it may lift the stop"
    if not result.settling and best is not None:
        saves = money(result.policy.saves, result.currency)
        why = f"worth {saves} after its cost"
        if len(best.move.steps) > 1:
            opened = tests_text([best.move.test], knowledge)
            why = f"opens {opened}: worth {saves} after their cost"
    title = f"Test first: {knowledge.tests[result.to_test[0]].title}"
    page.headline(title, f"{why}; how and why: loopodds next")


def _held_back(result: Assessment) -> Iterator[str]:
    """Work that waits for something to be looked for first."""
    for rule in result.held_back:
        because = "; ".join(rule.because)
        waiting = services_text(rule.shut_services, result.knowledge)
        text = f"{rule.title} ({because}). {rule.reason}"
        yield f"{text} Until then not: {waiting}. It takes: {rule.lifting}."


def _provisos(result: Assessment) -> Iterator[str]:
    """What the plan takes for granted though it may well not hold, and what would be done then."""
    knowledge = result.knowledge
    for proviso in result.advice.provisos:
        chance, then = percent(proviso.probability), ""
        if proviso.instead:
            services = result.advice.best.services
            apart = result.shop.offers[proviso.instead].apart.intersection(services)
            way = "in place of it" if apart else "before it"
            then = f" Then, {way}: {services_text([proviso.instead], knowledge)}."
        if proviso.guard:
            test = knowledge.tests[proviso.guard].title
            yield f"{test} may stop this plan: estimated {chance}.{then}"
        else:
            condition = condition_title(proviso.condition, knowledge)
            yield f"{condition}, {chance}: this plan takes its absence for granted.{then}"


def _doubts(result: Assessment) -> Iterator[str]:
    """An expensive service on thin evidence; work that only another workshop can do."""
    knowledge = result.knowledge
    for doubt in result.advice.doubts:
        kind = f"one kind of evidence ({doubt.kind})" if doubt.kind else "no look"
        text = f"{knowledge.services[doubt.service].title} rests on {kind}."
        if doubt.ask:
            text += f" Ask for another kind first: {tests_text([doubt.ask], knowledge)}."
        yield text
    elsewhere = result.advice.elsewhere
    if elsewhere is not None:
        titles = services_text(elsewhere.services, knowledge)
        outlay = money(elsewhere.outlay, result.currency)
        saves = money(result.advice.best.cost - elsewhere.cost, result.currency)
        yield (
            f"A workshop that can do everything would: {titles} ({outlay}); that saves {saves} "
            "on average."
        )


def _steps(page: Page, result: Assessment, plan: ServicePlan) -> None:
    """What to do, in order, each with its time and cost."""
    if not plan.services:
        return
    knowledge, prices = result.knowledge, result.shop.gates.prices
    page.heading("In this order", "the car proved after each")
    steps, left = [], list(plan.set_ups)
    for name in plan.first:
        due = [one for one in left if one in knowledge.tests[name].set_up]
        left = [one for one in left if one not in due]
        steps += [*(_set_up(one, result) for one in due), _work(name, result)]
    # what a test shared that is done already, the rest of the plan may need again
    steps += [_set_up(one, result) for one in left]
    steps += [_work(name, result) for name in plan.services]
    if plan.opening:
        steps.append(
            ("Open, seal and prove tight, counted once", prices.opening_minutes, prices.opening)
        )
    if plan.filling:
        filling = prices.filling(result.shop.gates.context.get("refrigerant"))
        steps.append(("Evacuate and charge, counted once", prices.filling_minutes, filling))
    rows = [
        (f"{number}", title, duration(minutes), money(cost, result.currency))
        for number, (title, minutes, cost) in enumerate(steps, start=1)
    ]
    page.rows(rows, right=[0, 2, 3])


def _work(name: str, result: Assessment) -> tuple[str, float, float]:
    """Title, minutes and cost of a test or service."""
    prices = result.shop.gates.prices
    return result.knowledge.title(name), prices.minutes[name], prices.of_work(name)


def _set_up(name: str, result: Assessment) -> tuple[str, float, float]:
    """The same of a set-up."""
    gates, title = result.shop.gates, f"{result.knowledge.title(name)}, counted once"
    return title, gates.prices.minutes[name], gates.set_ups.price(name)


def _firmness(result: Assessment) -> Iterator[str]:
    advice, currency, outlook = result.advice, result.currency, result.advice.outlook
    drawn = f", by {outlook.draws} draws" if outlook.draws else ""
    yield (
        "All tests that are left would leave this plan as it is with an estimated chance of "
        f"{percent(outlook.same)}{drawn}."
    )
    if result.plan_in_range is not None:
        yield f"{sentence(in_range(result.plan_in_range, result))}."
    if advice.break_even is not None:
        yield _threshold(result, advice.break_even)
    for name, stays in outlook.keeps.items():
        if stays < 0.95 and (advice.break_even is None or name != advice.break_even.service):
            yield f"{result.knowledge.services[name].title} {_staying(stays)}."
    yield (
        f"Not knowing better costs {money(advice.ignorance, currency)} on average; further tests "
        f"could save {money(outlook.saving, currency)} of it, their own cost not counted."
    )


def _threshold(result: Assessment, even: BreakEven) -> str:
    knowledge = result.knowledge
    title = knowledge.services[even.service].title
    condition = f"{fault_text(even.condition, knowledge)} (now {percent(even.probability)})"
    if even.threshold is None:
        return f"{title} would not pay at any probability of: {condition}."
    if even.threshold == 0:
        return f"{title} pays whatever the probability of: {condition}."
    stays = result.advice.outlook.keeps.get(even.service)
    text = f"{title} only above {percent(even.threshold)} for: {condition}"
    return f"{text}; it {_staying(stays)}." if stays is not None else f"{text}."


def _staying(share: float) -> str:
    return f"would still be in the plan after all these tests: estimated {percent(share)}"
