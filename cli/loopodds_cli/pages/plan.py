"""The page of ``loopodds plan``: what to do to the car, what it costs, how firm that is."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from loopodds import condition_title, lowered
from rich.text import Text

from loopodds_cli.pages.page import CAUTION, FAINT, STRONG, Page, percent
from loopodds_cli.pages.wording import duration, money, services_text, signed

if TYPE_CHECKING:
    from loopodds import Assessment, BreakEven, Move, ServicePlan


def print_plan(result: Assessment) -> None:
    """Write the whole page to standard output."""
    page = Page()
    advice = result.advice
    page.line(Text(result.case, STRONG))
    page.line("")
    best = result.policy.best
    if best is not None:
        _test_first(page, result, best.move)
        page.line("")
        page.line("If it has to be decided now:")
    _best(page, result, advice.best)
    for text in (*_provisos(result), *_doubts(result)):
        page.line("")
        page.marked("!", text)
    _steps(page, result, advice.best)
    _others(page, result)
    page.heading("How firm this is")
    for text in _firmness(result):
        page.marked("-", text, FAINT)
    _cautions(page, result)


def _test_first(page: Page, result: Assessment, move: Move) -> None:
    tests = result.knowledge.tests
    saves = money(result.policy.saves, result.currency)
    worth = f"worth {saves} after its cost"
    if len(move.steps) > 1:
        worth = f"opens {lowered(tests[move.test].title)}: worth {saves} after their cost"
    title = f"Test first: {tests[move.steps[0].test].title}"
    page.headline(title, f"{worth}; how and why: loopodds next")


def _best(page: Page, result: Assessment, plan: ServicePlan) -> None:
    currency = result.currency
    titles = services_text(plan.services, result.knowledge)
    spent = f"{money(plan.outlay, currency)}, {duration(plan.minutes)}" if plan.services else ""
    left = f"harm left for a season, on average: {money(plan.harm, currency)}"
    page.headline(titles, *([spent] if spent else []), left)


def _provisos(result: Assessment) -> Iterator[str]:
    """What the plan takes for granted though it may well not hold, and what would be done then."""
    knowledge = result.knowledge
    for proviso in result.advice.provisos:
        chance, then = percent(proviso.probability), ""
        if proviso.instead:
            services = result.advice.best.services
            apart = result.shop.offers[proviso.instead].apart.intersection(services)
            way = "in place of it" if apart else "before it"
            then = f" Then, {way}: {lowered(knowledge.services[proviso.instead].title)}."
        if proviso.guard:
            test = knowledge.tests[proviso.guard].title
            yield f"{test} may stop this plan, in {chance} of such cars.{then}"
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
            text += f" Ask for another kind first: {lowered(knowledge.tests[doubt.ask].title)}."
        yield text
    elsewhere = result.advice.elsewhere
    if elsewhere is not None:
        titles = services_text(elsewhere.services, knowledge)
        saves = result.advice.best.cost - elsewhere.cost
        yield (
            f"A workshop that can do everything would: {titles} "
            f"({money(elsewhere.outlay, result.currency)}); that saves "
            f"{money(saves, result.currency)} on average."
        )


def _steps(page: Page, result: Assessment, plan: ServicePlan) -> None:
    """What to do, in order, each with its time and cost."""
    if not plan.services:
        return
    knowledge, prices = result.knowledge, result.shop.gates.prices
    page.heading("In this order", "the car proved after each")
    work = [(knowledge.tests[name].title, name) for name in plan.first]
    work += [(knowledge.services[name].title, name) for name in plan.services]
    steps = [(title, prices.minutes[name], prices.of_work(name)) for title, name in work]
    if plan.filling:
        filling = prices.filling(result.shop.gates.context.get("refrigerant"))
        steps.append(("Evacuate and charge, counted once", prices.filling_minutes, filling))
    page.rows(
        [
            (f"{number}", title, duration(minutes), money(cost, result.currency))
            for number, (title, minutes, cost) in enumerate(steps, start=1)
        ],
        right=[0, 2, 3],
    )


def _others(page: Page, result: Assessment) -> None:
    knowledge, best = result.knowledge, result.advice.best
    page.heading("Next best", "what each costs more on average, harm left included")
    rows = [
        (services_text(plan.services, knowledge), signed(plan.cost - best.cost))
        for plan in result.advice.others
    ]
    page.rows(rows, right=[1])


def _firmness(result: Assessment) -> Iterator[str]:
    advice, currency = result.advice, result.currency
    knowledge = result.knowledge
    outlook = advice.outlook
    drawn = f", by {outlook.draws} draws" if outlook.draws else ""
    yield (
        "All tests that are left would leave this plan as it is in "
        f"{percent(outlook.same)} of such cars{drawn}."
    )
    if advice.break_even is not None:
        yield _threshold(result, advice.break_even)
    for name, stays in outlook.keeps.items():
        if stays < 0.95 and (advice.break_even is None or name != advice.break_even.service):
            yield f"{knowledge.services[name].title} {_staying(stays)}."
    yield (
        f"Not knowing better costs {money(advice.ignorance, currency)} on average; further tests "
        f"could save {money(outlook.saving, currency)} of it, their own cost not counted."
    )


def _threshold(result: Assessment, even: BreakEven) -> str:
    knowledge = result.knowledge
    title = knowledge.services[even.service].title
    condition = condition_title(even.condition, knowledge).lower()
    now = percent(even.probability)
    if even.threshold is None:
        return f"{title} would not pay at any probability of: {condition} (now {now})."
    if even.threshold == 0:
        return f"{title} pays whatever the probability of: {condition} (now {now})."
    stays = result.advice.outlook.keeps.get(even.service)
    text = f"{title} only above {percent(even.threshold)} for: {condition} (now {now})"
    return f"{text}; it {_staying(stays)}." if stays is not None else f"{text}."


def _staying(share: float) -> str:
    return f"would still be in the plan after all these tests in {percent(share)} of such cars"


def _cautions(page: Page, result: Assessment) -> None:
    plan = result.advice.best
    texts = result.cautions_of((*plan.first, *plan.services))
    if not texts:
        return
    page.heading("Beware")
    for text in texts:
        page.marked("!", text, CAUTION)
