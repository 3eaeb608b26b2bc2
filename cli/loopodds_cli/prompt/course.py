"""A case from its opening to its closing at the prompt: the questions of each step of the work."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any, Protocol

import click
from loopodds import (
    SOUND,
    Agreed,
    CaseError,
    assess,
    lowered,
    printable,
    sentence,
    title_of,
    with_state,
)

from loopodds_cli.book import closing
from loopodds_cli.book.list_page import is_closed, print_list
from loopodds_cli.pages.explain import print_explanation
from loopodds_cli.pages.next import print_next
from loopodds_cli.pages.plan import print_plan
from loopodds_cli.prompt.asking import Question
from loopodds_cli.prompt.observing import Bench
from loopodds_cli.prompt.telling import test_line
from loopodds_cli.prompt.words import Meaning, meaning
from loopodds_cli.screen.offers import KINDS
from loopodds_cli.screen.page import duration, money, percent, services_text, wrapped

if TYPE_CHECKING:
    from loopodds import Answer, Assessment, Knowledge

INTAKE = ("refrigerant", "compressor", "expansion", "setting", "cooling", "ambient", "age")
"""What is asked of a car that comes in, in this order; each may be passed over."""
NEW, OTHER, UNKNOWN = "new", "other", "unknown"
OUTCOMES_FROM, OUTCOMES = 0.02, 8
"""Least probability of a condition that is offered as what turned out, and how many."""
RECENT = 9
AGREE = "`agree back 2027-03-01`, `agree watch TEXT`, `agree no SERVICE WHY`"


class Dialogue(Bench, Protocol):
    """What the dialogue offers besides to those who lead through a case."""

    observing: Any
    telling: Any

    def begin(self, name: str) -> None:
        """Open a case and turn to it."""

    def turn_to(self, number: int) -> None:
        """Go on with another case."""


class Course:
    """The steps of a case, each asking for what it needs."""

    def __init__(self, bench: Dialogue) -> None:
        self._bench, self._asking = bench, bench.asking
        self._knowledge: Knowledge = bench.work.knowledge

    @property
    def verbs(self) -> dict[str, Callable[[list[str]], None]]:
        """Commands by name, each given the words behind it."""
        return {
            "open": self._open, "case": self._turn, "list": self._list, "look": self._look,
            "plan": self._plan, "why": self._why, "decide": self._decide, "agree": self._agree,
            "done": self._done, "repaired": self._repaired, "prove": self._prove,
            "close": self._close, "enough": lambda words: self._asking.enough(),
        }  # fmt: skip

    def which(self) -> None:
        """Let the person choose one of the open cases, or begin one."""
        cases = {
            str(e.case): f"case {e.case}" + f": {printable(e.name)}" * bool(e.name)
            for e in self._bench.work.book.ends()
            if e.last is not None and not e.problem and not is_closed(e.last)
        }
        recent = dict(sorted(cases.items(), key=lambda item: -int(item[0]))[:RECENT])
        if not recent:
            self._open([])
            return

        def chosen(option: str) -> None:
            if option == NEW:
                self._open([])
            else:
                self._bench.turn_to(int(option))

        titles = {**recent, NEW: "a car that comes in now"}
        self._asking.ask(Question("which", tuple(titles), chosen, titles=titles))

    def _open(self, words: list[str]) -> None:
        """Begin a case: its name, then what is to be known of the car."""
        if words:
            self._take_in(" ".join(words))
            return
        wrapped("what is the case called? a plate, a name; empty: none", "  ")
        unnamed = partial(self._take_in, "")
        self._asking.ask(Question("name", (), self._take_in, "text", dropped=unnamed))

    def _take_in(self, name: str) -> None:
        self._bench.begin(name)
        wrapped("about the car; an empty line passes over, `enough` ends the questions", "  ")
        known = self._bench.observing.names
        self._asking.later(
            *(partial(self._bench.observing.observe, n, []) for n in INTAKE if n in known)
        )

    def _turn(self, words: list[str]) -> None:
        if not words or not words[0].isascii() or not words[0].isdigit():
            raise CaseError("which case? write its number, as `case 3`; `list` shows them")
        self._bench.turn_to(int(words[0]))

    def _list(self, words: list[str]) -> None:
        print_list(self._bench.work.book.ends(), "all" in words, self._knowledge)

    def _result(self) -> tuple[Answer, Assessment]:
        answer = self._bench.work.show(self._bench.number)
        prices = self._bench.telling.prices
        return answer, assess(
            answer.inspection, answer.model, prices=prices, belief=answer.belief,
            done=answer.state.tests_done,
        )  # fmt: skip

    def _look(self, words: list[str]) -> None:
        """The next test with its reasons, then the list to pick the one that was done."""
        answer, result = self._result()
        print_next(result, brief=True)
        self._pick(answer)

    def _pick(self, answer: Answer) -> None:
        tests = {test.test: test for test in self._bench.telling.next_of(answer).tests}
        if not tests:
            wrapped("no test is left to do", "  ")
            return
        wrapped("which one was done?", "  ")
        titles = {name: test_line(test, self._knowledge) for name, test in tests.items()}
        self._asking.ask(Question("done", tuple(tests), self._showed, titles=titles))

    def _showed(self, test: str, asked: frozenset[str] = frozenset()) -> None:
        """What a test showed, one after the other until an empty line."""
        noted = self._bench.work.show(self._bench.number).state.noted
        shows = self._knowledge.tests[test].yields
        left = tuple(name for name in shows if name not in noted and name not in asked)
        if not left:
            click.echo("  all it shows is recorded")
            return
        dropped = partial(self._nothing_shown, test) if not asked else lambda: None

        def show(name: str) -> None:
            self._bench.observing.observe(name, [])
            if len(left) > 1:
                self._asking.later(partial(self._showed, test, asked | {name}))

        if len(left) == 1:
            self._bench.observing.observe(left[0], [], dropped)
            return
        more = "what else did it show? empty: nothing more" if asked else "what did it show?"
        wrapped(more, "  ")
        titles = self._bench.observing.titles
        self._asking.ask(Question("shown", left, show, titles=titles, dropped=dropped))

    def _nothing_shown(self, test: str) -> None:
        title = lowered(self._knowledge.tests[test].title)
        record = partial(self._record_done, (test,))
        self._asking.confirm(f"was it done all the same: {title}", record)

    def _record_done(self, tests: Sequence[str]) -> None:
        self._bench.step(lambda work, number: work.tests_done(number, tests))

    def _done(self, words: list[str]) -> None:
        """A test that was done, whatever it showed."""
        if not words:
            self._pick(self._bench.work.show(self._bench.number))
            return
        tests = self._knowledge.tests
        titles = {name: test.title for name, test in tests.items()}
        meant = _called("_".join(words), titles)
        hint = "is no test; `look` lists those to do next"
        self._asking.settle(" ".join(words), meant, self._showed_or_done, hint, titles)

    def _showed_or_done(self, test: str) -> None:
        self._record_done((test,))
        self._asking.later(partial(self._showed, test, frozenset(("",))))

    def _plan(self, words: list[str]) -> None:
        print_plan(self._result()[1], brief=True)

    def _why(self, words: list[str]) -> None:
        _, result = self._result()
        names = {c.name: title_of(c.name, self._knowledge) for c in result.conditions}
        names[SOUND] = title_of(SOUND, self._knowledge)

        def explain(name: str) -> None:
            print_explanation(result, result.explain(name), brief=True)

        if words:
            hint = "is no condition"
            self._asking.settle(
                " ".join(words), _called("_".join(words), names), explain, hint, names
            )
        else:
            explain("")

    def _decide(self, words: list[str]) -> None:
        """What will be done to the car: one of the plans offered, or services by name."""
        if words:
            self._choose(self._services(words))
            return
        _, result = self._result()
        plans = {}
        for place, offer in enumerate(result.offers):
            titles = sentence(services_text(offer.plan.services, self._knowledge))
            paid = f"{money(offer.plan.outlay, result.currency)}, {duration(offer.plan.minutes)}"
            kinds = ", ".join(KINDS[kind].lower() for kind in offer.kinds)
            plans[str(place)] = f"{titles}: {paid} ({kinds})"
        wrapped("what was decided on? a number, or `decide` and services by name", "  ")

        def chosen(place: str) -> None:
            self._choose(result.offers[int(place)].plan.services)

        self._asking.ask(Question("decided", tuple(plans), chosen, titles=plans))

    def _choose(self, services: Sequence[str]) -> None:
        self._bench.step(lambda work, number: work.choose_plan(number, services))
        wrapped(f"agreed besides: {AGREE}", "  ")
        wrapped("once it is done: `prove`", "  ")

    def _agree(self, words: list[str]) -> None:
        """What was agreed with the customer beside the services decided on."""
        state = self._bench.work.show(self._bench.number).state
        what, rest = (words[0].lower() if words else ""), words[1:]
        agreed: Agreed = state.agreed
        if what == "back" and rest:
            agreed = agreed._replace(back_by=rest[0])
        elif what == "watch" and rest:
            agreed = agreed._replace(watch=" ".join(rest))
        elif what in ("no", "refused") and rest:
            (service,) = self._services(rest[:1])
            agreed = agreed._replace(refused={**agreed.refused, service: " ".join(rest[1:])})
        else:
            raise CaseError(f"write one of {AGREE}")
        self._bench.step(lambda work, number: work.choose_plan(number, state.plan, agreed))

    def _services(self, words: Sequence[str]) -> list[str]:
        """Services by beginnings of their names; each word is one."""
        titles = {name: service.title for name, service in self._knowledge.services.items()}
        chosen = []
        for typed in words:
            meant = _called(typed, titles)
            if not meant.sure:
                options = " / ".join(lowered(titles[name]) for name in meant.options or titles)
                raise CaseError(f"{printable(typed)!r} is no clear service: {options}")
            chosen.append(meant.options[0])
        return chosen

    def _repaired(self, words: list[str]) -> None:
        """Services that were done; without any, those of the plan chosen."""
        services = self._services(words)
        self._bench.step(lambda work, number: work.repaired(number, services))

    def _prove(self, words: list[str]) -> None:
        """The repair as done, then the tests that prove it."""
        state = self._bench.work.show(self._bench.number).state
        if not state.plan:
            if not state.repairs:
                raise CaseError("nothing was decided on yet; `decide` does")
            self._look([])
            return
        done = services_text(state.plan, self._knowledge)

        def repaired() -> None:
            self._repaired([])
            self._asking.later(partial(self._look, []))

        self._asking.confirm(f"is it done: {done}", repaired)

    def _close(self, words: list[str]) -> None:
        """What turned out to be true, one after the other, then the closing."""
        answer, result = self._result()
        self._outcome(result, {}, as_it_came=bool(answer.state.repairs))

    def _outcome(self, result: Assessment, told: Mapping[str, str], as_it_came: bool) -> None:
        knowledge = self._knowledge
        cures = [knowledge.services[s].cures for r in result.repairs for s in r]
        mended = {fault for cured in cures for fault in cured}
        # what was cured is hardly likely any more, and most likely of the car as it came
        first = [c for c in result.conditions if c.variable in mended]
        likely = [c for c in result.conditions if c.probability >= OUTCOMES_FROM and c not in first]
        titles = {c.name: title_of(c.name, knowledge) for c in first}
        titles |= {c.name: f"{with_state(c, knowledge)}, {percent(c.probability)}" for c in likely}
        left = [(name, title) for name, title in titles.items() if name not in told]
        titles = dict(left[:OUTCOMES])
        came = " of the car as it came" if as_it_came else ""
        if told:
            titles[SOUND] = "that was all: nothing else was wrong"
            titles[UNKNOWN] = "close; whether more was wrong is not known"
        else:
            titles[SOUND] = "nothing was wrong"
            titles[UNKNOWN] = "it is not known: close without"

        def chosen(name: str) -> None:
            if name == UNKNOWN:
                self._end(told)
            elif name == SOUND:
                self._end({**told, SOUND: "present"})
            else:
                self._outcome(result, {**told, name: "present"}, as_it_came)

        def kept_open() -> None:
            click.echo("  not closed")

        def named(line: str) -> bool:
            fault, _, state = line.replace("=", " ").strip().partition(" ")
            faults = knowledge.of_kind("fault")
            which = _called(fault, {name: node.title for name, node in faults.items()})
            if which.sure and state:
                name = which.options[0]
                how = meaning("_".join(state.split()), (*faults[name].states, "present"))
                if how.sure:
                    self._outcome(result, {**told, name: how.options[0]}, as_it_came)
                    return True
            kept_open()
            return False

        wrapped(f"what {'else ' if told else ''}turned out to be true{came}?", "  ")
        wrapped("a number, or a fault with its state, as `moisture wet`; empty: not closed", "  ")
        self._asking.ask(
            Question("true", tuple(titles), chosen, "place", titles, kept_open, else_taken=named)
        )

    def _end(self, outcomes: Mapping[str, str], sure: bool = False) -> None:
        """Close the case; what is in doubt is asked about first."""
        work, number = self._bench.work, self._bench.number
        try:
            self._bench.step(lambda work, number: work.close(number, outcomes, sure))
        except CaseError as error:
            if error.remedy != "as it came":
                raise
            wrapped(f"! {printable(str(error))}", "  ")
            against = work.against(number, outcomes)

            def settled(choice: str) -> None:
                if choice == closing.ANEW:
                    self._close([])
                elif choice != closing.KEEP_OPEN:
                    self._end(closing.settled(choice, work, outcomes, against), sure=True)

            self._asking.ask(Question("which", closing.choices(against), settled))
            return
        wrapped("closed; `undo` opens it again, `open` begins the next", "  ")


def _called(typed: str, titles: Mapping[str, str]) -> Meaning:
    """What is meant among names that have titles: by the name, else by words of the title."""
    meant = meaning(typed, tuple(titles))
    if meant.sure:
        return meant
    words = typed.lower().split("_")
    by_title = tuple(
        name
        for name, title in titles.items()
        if all(any(part.startswith(word) for part in title.lower().split()) for word in words)
    )
    return Meaning(len(by_title) == 1, by_title) if by_title else meant
