"""What the customer's page says, language by language: read from a text file, checked by name.

A file holds the sentences of the page and, by the names of the knowledge, plain words for
conditions, services, tests, stops, complaints and results. What a language does not say is said in
English, and what English does not say in the words of the knowledge, so that a page is never
without; :func:`wording_slips` names all that is missing.
"""

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from loopodds.base.errors import KnowledgeError, meant_or_known, unknown_name
from loopodds.base.phrases import filled_in, holes_of, lowered
from loopodds.diagnosis.belief import condition_title, groups_of
from loopodds.knowledge.guards import Slip
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.shapes import read_record
from loopodds.report.figures import ENGLISH_DOTS, DotWords

ENGLISH = "en"
FOLDER = "languages"
_UNITS = {"degC": "°C", "degF": "°F", "deltaF": "°F", "Mohm": "MΩ", "kohm": "kΩ", "Gohm": "GΩ"}
CHANCES = (
    (0.95, "certain"), (0.80, "very_likely"), (0.60, "likely"), (0.40, "even"), (0.15, "possible"),
    (0.05, "unlikely"), (0.0, "no"),
)  # fmt: skip
"""Lowest probability that still deserves the words."""
SURE = ((0.95, "certain"), (0.80, "very_likely"), (0.60, "likely"), (0.0, "best"))


class PlainCondition(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A condition to people who know nothing of the trade."""

    title: str
    is_: str = msgspec.field(name="is")  # what it is
    left: str  # what becomes of the car if nothing is done


class Words(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One language file as it stands."""

    name: str
    decimal: str = "."
    thousands: str = ","
    date: str = "{day}.{month}.{year}"
    months: tuple[str, ...] = ()
    page: Mapping[str, str] = {}
    dots: Mapping[str, str] = {}
    sure: Mapping[str, str] = {}
    chances: Mapping[str, str] = {}
    money: Mapping[str, tuple[str, str]] = {}  # by currency: of one, of many
    conditions: Mapping[str, PlainCondition] = {}
    services: Mapping[str, str] = {}
    tests: Mapping[str, str] = {}
    stops: Mapping[str, str] = {}  # empty: no business of the customer
    complaints: Mapping[str, Mapping[str, str]] = {}
    checks: Mapping[str, str] = {}
    bad: Mapping[str, Mapping[str, str]] = {}
    good: Mapping[str, Mapping[str, str]] = {}


class Sign(NamedTuple):
    """What a result means to the customer."""

    text: str
    good: bool


class Wording:
    """The words of one language for one knowledge.

    Args:
        code: As the page says it is written in, such as ``de``.
        layers: Files from the first to be asked to the last.
    """

    def __init__(self, code: str, layers: Sequence[Words], knowledge: Knowledge) -> None:
        self.code = code
        self.knowledge = knowledge
        self._layers = layers
        self.own = layers[0]

    def _said(self, section: str, key: str) -> Any:
        """What stands under a key of a section; None where no layer has it."""
        found = (getattr(layer, section).get(key) for layer in self._layers)
        return next((text for text in found if text is not None), None)

    def page(self, key: str, **filled: str) -> str:
        """A sentence of the page, its holes filled; what is filled in is text and nothing more."""
        return filled_in(self._said("page", key), filled)

    def sure(self, probability: float) -> str:
        """How sure one may be, in a sentence."""
        return str(self._said("sure", _scaled(probability, SURE)))

    @property
    def dots(self) -> DotWords:
        """What twenty dots say to whoever does not see them."""
        words = {key: self._said("dots", key) for key in DotWords._fields}
        return ENGLISH_DOTS._replace(**{key: text for key, text in words.items() if text})

    def chance(self, probability: float) -> str:
        """A chance in a few words."""
        return str(self._said("chances", _scaled(probability, CHANCES)))

    def condition(self, name: str) -> PlainCondition:
        """A condition, or what the knowledge calls it where no language has words for it."""
        known = self._said("conditions", name)
        title = condition_title(name, self.knowledge)
        about = self.knowledge.node(self.knowledge.condition(name).variable).about
        return known or PlainCondition(title, about, "")

    def service(self, name: str) -> str:
        """A service, in the words of the customer."""
        known = self.knowledge.services
        return self._said("services", name) or (known[name].title if name in known else name)

    def test(self, name: str) -> str:
        """A test, to go on in a sentence."""
        return self._said("tests", name) or lowered(self.knowledge.tests[name].title)

    def check(self, group: str) -> str:
        """A group of things to look at."""
        return self._said("checks", group) or group

    def stop(self, name: str) -> str:
        """What a stop asks of the customer; empty where it is the workshop's business alone."""
        said = self._said("stops", name)
        return self.knowledge.stops[name].title if said is None else str(said)

    def complaint(self, name: str, state: str) -> str:
        """What the driver said, as a sentence; empty where that is nothing to complain of."""
        return str((self._said("complaints", name) or {}).get(state, ""))

    def sign(self, name: str, state: str) -> Sign | None:
        """What a result means; None where it tells the customer nothing."""
        for section, good in (("bad", False), ("good", True)):
            text = (self._said(section, name) or {}).get(state)
            if text:
                return Sign(text, good)
        return None

    def money(self, amount: float, currency: str) -> str:
        """An amount to the whole unit.

        In German ``1.234 Einheiten``; a currency that the file does not know stands as it is.
        """
        one, many = self._said("money", currency) or (currency, currency)
        return f"{self.number(amount, 0)} {one if round(amount) == 1 else many}"

    def work(self, minutes: float) -> str:
        """How long work takes: below an hour and a half in minutes."""
        if minutes < 90:
            return self.page("minutes_of_work", number=self.number(minutes, 0))
        return self.page("hours_of_work", number=self.number(minutes / 60, 1))

    def number(self, value: float, decimals: int) -> str:
        """A number with the marks of the language."""
        text = f"{value:,.{decimals}f}"
        marks = {",": self.own.thousands, ".": self.own.decimal}
        return "".join(marks.get(sign, sign) for sign in text)

    def amount(self, text: str) -> str:
        """A quantity as a person wrote it, its unit as on an instrument, its decimal mark ours."""
        words = [_UNITS.get(word, word) for word in text.split(" ")]
        return " ".join(words).replace(".", self.own.decimal)

    def day(self, day: date) -> str:
        """A date in words."""
        month = self.own.months[day.month - 1] if self.own.months else str(day.month)
        parts = {"day": str(day.day), "month": month, "year": str(day.year)}
        return filled_in(self.own.date, parts)


def _scaled(probability: float, scale: Sequence[tuple[float, str]]) -> str:
    return next(words for lowest, words in scale if probability >= lowest)


def languages(folder: str | Path | None = None) -> list[str]:
    """Codes of the languages there are: shipped, and in the folder of a knowledge of one's own."""
    return sorted({code for root in _roots(folder) for code in _files(root)})


def read_wording(language: str, knowledge: Knowledge, folder: str | Path | None = None) -> Wording:
    """The words of a language.

    Args:
        language: A code such as ``de``, or the path of a language file (``.toml``).
        folder: Of the knowledge, where that is not the shipped one: its own ``languages`` come
            first.

    Raises:
        UnknownName: if there is no such language.
        KnowledgeError: if its file cannot be read.
    """
    roots = _roots(folder)
    if language.endswith(".toml"):
        path = Path(language)
        layers = [_read(path, language)]
        code = path.stem
    else:
        code = language
        layers = [
            _read(_files(r)[code], f"{FOLDER}/{code}.toml") for r in roots if code in _files(r)
        ]
    if not layers:
        raise unknown_name("language", language, languages(folder))
    english = [_files(root)[ENGLISH] for root in roots if ENGLISH in _files(root)]
    if code != ENGLISH or language.endswith(".toml"):
        layers += [_read(file, f"{FOLDER}/{ENGLISH}.toml") for file in english]
    return Wording(code, layers, knowledge)


def _roots(folder: str | Path | None) -> list[Traversable]:
    shipped = resources.files("loopodds_data").joinpath(FOLDER)
    own = [Path(folder) / FOLDER] if folder else []
    return [*(path for path in own if path.is_dir()), shipped]


def _files(root: Traversable) -> dict[str, Traversable]:
    return {f.name.removesuffix(".toml"): f for f in root.iterdir() if f.name.endswith(".toml")}


def _read(file: Traversable, name: str) -> Words:
    try:
        table = tomllib.loads(file.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise KnowledgeError(f"{name}: cannot be read: {error}") from error
    return read_record(Words, table, name, "the file")


def wording_slips(knowledge: Knowledge, folder: str | Path | None = None) -> list[Slip]:
    """What the language files beside a knowledge leave out, or name though it is not there.

    Those of a folder of one's own are checked where it has any, else the shipped ones against the
    shipped knowledge only: what is missing there is said in the words of the knowledge.
    """
    roots = _roots(folder)
    if folder and len(roots) == 1:
        return []
    reference = _read(_files(roots[-1])[ENGLISH], f"{FOLDER}/{ENGLISH}.toml")
    slips: list[Slip] = []
    for code, file in sorted(_files(roots[0]).items()):
        name = f"{FOLDER}/{code}.toml"
        try:
            words = _read(file, name)
        except KnowledgeError as error:
            slips.append(Slip(name, "the file", str(error).removeprefix(f"{name}: ")))
            continue
        slips += _slips(name, words, reference, knowledge)
    return slips


def _slips(file: str, words: Words, reference: Words, knowledge: Knowledge) -> Iterator[Slip]:
    for section, wanted in _wanted(reference, knowledge).items():
        said = dict(_flat(getattr(words, section)))
        for key in wanted:
            if key not in said:
                text = "is missing; it is said in English or in the words of the knowledge"
                yield Slip(file, f"{section}.{key}", text, warning=True)
        for key in said:
            if key not in wanted:
                yield Slip(file, f"{section}.{key}", f"no such name; {meant_or_known(key, wanted)}")
    for section in ("page", "dots"):
        own, english = getattr(words, section), getattr(reference, section)
        for key, text in own.items():
            holes, meant = holes_of(text), holes_of(english.get(key, text))
            if holes != meant:
                said_of = f"has {_listed(holes)} in braces, needs {_listed(meant)}"
                yield Slip(file, f"{section}.{key}", said_of)
    if words.months and len(words.months) != 12:
        yield Slip(file, "months", f"a year has twelve, not {len(words.months)}")


def _wanted(reference: Words, knowledge: Knowledge) -> dict[str, list[str]]:
    """Keys that every language has, by section: names of the knowledge, or what English says."""
    complaints = {n: node.complaint for n, node in knowledge.of_kind("finding").items()}
    states = {name: {*node.states} for name, node in knowledge.of_kind("finding", "gauge").items()}
    wanted = {
        "conditions": list(knowledge.conditions),
        "services": list(knowledge.services),
        "tests": list(knowledge.tests),
        "stops": list(knowledge.stops),
        "checks": list(groups_of(knowledge)),
    }
    for section in ("page", "dots", "sure", "chances", "money"):
        wanted[section] = list(getattr(reference, section))
    for section in ("bad", "good", "complaints"):
        said = [key for key, _ in _flat(getattr(reference, section))]
        wanted[section] = [key for key in said if key.split(".")[1] in states[key.split(".")[0]]]
    told = [f"{name}.{state}" for name, bad in complaints.items() for state in bad]
    wanted["complaints"] = list(dict.fromkeys([*wanted["complaints"], *told]))
    return wanted


def _flat(section: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    """Keys of a section, those of tables within it as ``table.key``."""
    for key, value in section.items():
        if isinstance(value, Mapping):
            yield from ((f"{key}.{inner}", text) for inner, text in value.items())
        else:
            yield key, value


def _listed(names: set[str]) -> str:
    return ", ".join(sorted(names)) or "nothing"
