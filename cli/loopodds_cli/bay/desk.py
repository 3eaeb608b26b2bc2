"""The case book behind the page: entries taken in, cases and advice handed out, photos kept."""

from __future__ import annotations

import base64
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Any

from loopodds import (
    Assessment,
    CaseBook,
    Casework,
    Entry,
    Intake,
    LoopoddsError,
    Model,
    Reading,
    Shelf,
    assess,
    enter_photo,
    glass_of,
    load_prices,
    marked_picture,
    open_picture,
    photo_likelihoods,
    photo_of_case,
    read_picture,
    unsettled,
)

LARGEST_PHOTO = 6_000_000
"""Bytes of one photo."""
RECENT = 30


def now() -> str:
    """This moment, UTC, as the case book writes it."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


class Desk:
    """Everything that the page asks of the book; of one thread only, as the book is.

    Args:
        book: File of the case book; the user's own when left out.
        prices: Price file of the workshop, if it has one.
        who: Name written beside every event.
    """

    def __init__(
        self, model: Model, book: str | None = None, prices: str | None = None, who: str = ""
    ) -> None:
        self.model = model
        self.book = CaseBook(book)
        self.prices = load_prices(prices, model.knowledge)
        self.work = Casework(self.book, model, who)
        self.intake = Intake(self.work)
        self.shelf = Shelf(self.book.path, LARGEST_PHOTO)
        self._told: dict[tuple[str, int], tuple[int, dict[str, Any]]] = {}
        self._assessed: tuple[int, int, Assessment] | None = None

    def close(self) -> None:
        """Let go of the book."""
        self.book.close()

    def take(self, entries: Sequence[Entry]) -> dict[str, Any]:
        """Take entries in; what became of each, and every case that they belong to."""
        outcomes = self.intake.take(entries)
        numbers = dict.fromkeys(outcome.case for outcome in outcomes if outcome.case)
        return {
            "outcomes": [outcome._asdict() for outcome in outcomes],
            "cases": [self.case(number) for number in numbers],
        }

    def cases(self) -> dict[str, Any]:
        """The newest cases, open ones first."""
        told = []
        for ends in self.book.ends():
            closed = ends.last is not None and ends.last.kind == "closed"
            last = ends.last.time if ends.last else ends.opened
            told.append(
                {"case": ends.case, "name": ends.name, "opened": ends.opened, "last": last,
                 "closed": closed, "problem": ends.problem}
            )  # fmt: skip
        told.sort(key=lambda one: (not one["closed"], one["last"]), reverse=True)
        return {"cases": told[:RECENT], "knowledge": self.model.knowledge.digest, "at": now()}

    def number(self, case: str) -> int:
        """Number of a case by its number or the id of its opening; UnknownName if there is none."""
        return self.intake.number_of(case)

    def case(self, number: int) -> dict[str, Any]:
        """One case: its events as they stand in the book, what is to be settled, its photos."""
        events = self.book.events(number)
        return {
            "case": number,
            "knowledge": self.model.knowledge.digest,
            "key": events[0].content.get("tap", {}).get("id", str(number)),
            "events": [
                {"position": e.position, "kind": e.kind, "content": dict(e.content),
                 "time": e.time, "who": e.who}
                for e in events
            ],
            "unsettled": {name: list(values) for name, values in unsettled(events).items()},
            "photos": self.photos(number),
        }  # fmt: skip

    def advice(self, number: int) -> dict[str, Any]:
        """What to think of a case and what to test, with the time and the events it is made of."""
        return self._worked_out(number, "advice", _advice)

    def offers(self, number: int) -> dict[str, Any]:
        """What may be done to the car of a case, likewise."""
        return self._worked_out(number, "offers", _offers)

    def _worked_out(
        self, number: int, what: str, tell: Callable[[Assessment], dict[str, Any]]
    ) -> dict[str, Any]:
        """What is told of a case, once for each state of it."""
        count = len(self.book.events(number))
        if self._told.get((what, number), (0, {}))[0] != count:
            told = {"case": number, "events": count, "at": now()}
            try:
                told |= tell(self._assessment(number, count))
            except LoopoddsError as error:
                told["problem"] = str(error)
            self._told[what, number] = count, told
        return self._told[what, number][1]

    def _assessment(self, number: int, count: int) -> Assessment:
        """The assessment of a case as it stands; that of the case asked about last is kept."""
        if self._assessed is None or self._assessed[:2] != (number, count):
            answer = self.work.show(number)
            made = assess(answer.inspection, self.model, prices=self.prices, belief=answer.belief)
            self._assessed = number, count, made
        return self._assessed[2]

    def photos(self, number: int) -> list[str]:
        """Names of the pictures of a case."""
        return [photo.name for photo in self.shelf.photos(number)]

    def keep_photo(self, number: int, about: str, content: bytes) -> str:
        """Keep a picture with a case, without metadata; its name."""
        self.book.events(number)
        return self.shelf.keep(number, about, content).name

    def photo(self, number: int, name: str) -> bytes:
        """A picture of a case."""
        return self.shelf.read(number, name)

    def reading(self, number: int, name: str, path: str) -> dict[str, Any]:
        """What a photo of a case says, or why it is no evidence."""
        reading = self._read(number, name, path)
        told = photo_likelihoods(reading, self.model.knowledge)
        marked = marked_picture(reading)
        return {
            **reading.as_json(),
            "likelihoods": told,
            "marked": base64.b64encode(marked).decode() if marked else None,
        }

    def accept(self, number: int, name: str, path: str) -> dict[str, Any]:
        """Enter what a photo of a case says; the case."""
        enter_photo(
            self.work, number, self._read(number, name, path), self.shelf.read(number, name)
        )
        return self.case(number)

    def _read(self, number: int, name: str, path: str) -> Reading:
        content = self.shelf.read(number, name)
        reading = read_picture(open_picture(content), glass_of(path))
        return photo_of_case(reading, content, number, self.work)


def _advice(result: Assessment) -> dict[str, Any]:
    intervals = result.doubts.intervals
    ends = {name: {"low": one.low, "high": one.high} for name, one in intervals.items()}
    return {
        "conditions": [
            {"name": c.name, "probability": c.probability, **ends.get(c.name, {})}
            for c in result.conditions
        ],
        "p_sound": result.p_sound,
        **result.stops_json(),
        "warnings": list(result.warnings),
        "currency": result.currency,
        "next": next(iter(result.to_test), None),
        "stop": result.policy.best is None and not result.settling,
        "tests": [test.as_json() for test in result.tests],
    }


def _offers(result: Assessment) -> dict[str, Any]:
    return {
        "currency": result.currency,
        "offers": [offer.as_json() for offer in result.offers],
        "held_back": [rule.as_json() for rule in result.held_back],
    }
