"""What the columns of an archive mean: which of them feed the network, and in which unit.

A column is recognised by its name: findings and history by their own, readings and conditions as
``<name>_<unit>``, outcomes as ``confirmed_<fault>``. Everything else passes through untouched.
"""

import difflib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from loopodds.base.errors import InspectionError, LoopoddsError
from loopodds.base.likeness import nearest
from loopodds.base.unit_table import COLUMNS
from loopodds.base.units import Dimension, Unit, column_unit, columns_of
from loopodds.inspection.column_map import ColumnMap, MappedColumn
from loopodds.inspection.entries import Entry, Place, outcome
from loopodds.inspection.vocabulary import (
    CHOICES,
    LOOKED_BY,
    NUMBERS,
    SECOND,
    heading_meant,
    names_in,
    outcome_words,
    reading_dimension,
    suggestion,
    unknown_word,
)
from loopodds.knowledge.records import SOUND, Knowledge

Kind = Literal["word", "choice", "confirmed", "reading", "number"]
CONFIRMED = "confirmed_"
ADDED = ("p_sound", "log_evidence", "top_condition", "stops")
INTERVALS, PLAN, NEXT = "intervals", "plan", "next"
ALSO: Mapping[str, tuple[str, ...]] = {PLAN: ("plan", "plan_cost"), NEXT: ("next_test",)}
"""What scoring adds when asked, besides intervals, with the columns of each."""
ALIKE = 0.85
"""A column this similar to a known name is taken for a slip and warned about."""


@dataclass(frozen=True, slots=True, eq=False)
class Feed:
    """One input column that feeds the network."""

    column: str  # as the archive calls it
    kind: Kind  # the mapping of :class:`InspectionBatch` that it fills; ``word`` fills ``codes``
    name: str  # key in that mapping
    case_name: str  # what a case file calls it
    options: tuple[str, ...] = ()  # words that a cell may hold; empty for numbers
    # of an outcome: for each option the states of the fault variable that remain possible
    states: tuple[tuple[bool, ...], ...] = ()
    unit: Unit | None = None  # of a number
    # what the archive's own words mean; an empty text is not observed
    values: Mapping[str, str] = field(default_factory=dict)
    others: str | None = None  # what every other word means; None: it has to be one of the options
    # what a column with numbers in place of words would be called; empty where none can be
    with_unit: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class ColumnPlan:
    """How to read the rows of one archive."""

    columns: tuple[str, ...]  # every input column, in order
    feeds: tuple[Feed, ...]  # those that feed the network
    not_observed: frozenset[str]  # cells that mean nothing was observed, besides empty ones
    decimal: str  # decimal mark
    # what was guessed of the format, and columns that look like a known one and pass through unread
    warnings: tuple[str, ...]
    alike: tuple[str, ...] = ()  # these columns
    always: Mapping[str, str] = field(default_factory=dict)  # choices of every row that is silent

    def looked_at(self, knowledge: Knowledge) -> frozenset[str]:
        """What of the network the rows can be about, as far as the headings tell: what words stand
        for, and with any number all gauges, of which many are read off two.
        """
        words = {feed.name for feed in self.feeds if feed.kind == "word"}
        read = any(feed.kind == "reading" for feed in self.feeds)
        return frozenset(words & knowledge.nodes.keys()).union(knowledge.gauges if read else ())

    @property
    def used(self) -> list[str]:
        """Columns that feed the network or say what was confirmed, in order."""
        fed = {feed.column for feed in self.feeds}
        return [column for column in self.columns if column in fed]

    @property
    def unused(self) -> list[str]:
        """The others."""
        fed = {feed.column for feed in self.feeds}
        return [column for column in self.columns if column not in fed]

    @property
    def word_columns(self) -> list[str]:
        """Columns whose text is one of a few words."""
        return [feed.column for feed in self.feeds if feed.options]

    @property
    def unread_columns(self) -> list[str]:
        """Columns whose cells may hold anything: unread, or read by words of the archive's own."""
        checked = {feed.column for feed in self.feeds if not feed.values and feed.others is None}
        return [column for column in self.columns if column not in checked]

    def columns_of(self, case_name: str) -> list[str]:
        """Input columns that feed a name of a case."""
        return [feed.column for feed in self.feeds if feed.case_name == case_name]


def plan_columns(
    columns: Sequence[str],
    knowledge: Knowledge,
    column_map: ColumnMap | None = None,
    also: Collection[str] = (),
) -> ColumnPlan:
    """Meaning of the columns of an archive.

    Args:
        columns: Header of the archive, in order.
        column_map: For an archive with its own names, words or units.
        also: What scoring will add besides: ``intervals``, ``plan``, ``next``.

    Raises:
        InspectionError: if two columns share a name, a column is one that scoring adds, the column
            map names a column that is not there or a target that does not exist, or no column is
            known at all.
    """
    mapping = column_map or ColumnMap()
    _refuse_unusable(columns, knowledge, also)
    feeds = [_mapped_feed(entry, columns, knowledge, mapping.name) for entry in mapping.columns]
    taken = {feed.column for feed in feeds}
    warnings, alike = [], []
    for column in columns:
        if column in taken:
            continue
        feed = recognise(column.strip(), knowledge, column)
        if feed is not None:
            feeds.append(feed)
        elif slip := _slip(column.strip(), knowledge):
            warnings.append(f"column {column!r} passes through unread: {slip}")
            alike.append(column)
    if not any(feed.kind in ("word", "reading") for feed in feeds):
        hint = f" ({warnings[0]})" if warnings else ""
        problem = f"none of the {len(columns)} columns is a known finding, history item or reading"
        found = f"; {'; '.join(mapping.notes)}" if mapping.notes else ""
        raise InspectionError(f"{problem}{hint}{found}").helped_by("map columns")
    order = {column: index for index, column in enumerate(columns)}
    feeds.sort(key=lambda feed: order[feed.column])
    return ColumnPlan(
        tuple(columns), tuple(feeds), mapping.not_observed, mapping.decimal,
        (*mapping.notes, *warnings), tuple(alike), mapping.always,
    )  # fmt: skip


def probability_columns(knowledge: Knowledge, also: Collection[str] = ()) -> tuple[str, ...]:
    """Those of them that are probabilities."""
    names = (*knowledge.conditions, SOUND)
    ends = [f"{end}_{name}" for name in names for end in ("low", "high")]
    return (*(f"p_{name}" for name in names), *(ends if INTERVALS in also else ()))


def added_columns(knowledge: Knowledge, also: Collection[str] = ()) -> tuple[str, ...]:
    """Columns that scoring adds, in order, with what it is asked for besides behind the others."""
    count = len(knowledge.conditions)
    chances = probability_columns(knowledge, also)
    more = [column for key, columns in ALSO.items() if key in also for column in columns]
    return (*chances[:count], *ADDED, *chances[count + 1 :], *more)


def _refuse_unusable(columns: Sequence[str], knowledge: Knowledge, also: Collection[str]) -> None:
    seen: set[str] = set()
    for column in columns:
        if column in seen:
            raise InspectionError(f"two columns are called {column!r}; rename one")
        seen.add(column)
    for column in added_columns(knowledge, also):
        if column in seen:
            raise InspectionError(
                f"column {column!r} is one that scoring adds: this archive was scored before; "
                "score the original, or rename or drop that column"
            )


def recognise(name: str, knowledge: Knowledge, column: str | None = None) -> Feed | None:
    """What a column name means; None when it means nothing here.

    Args:
        name: As it would be in an archive of ours, such as ``low_side_bar``.
        column: What the archive calls it, where that differs.

    Raises:
        UnknownName: if the knowledge lacks a name that it implies.
    """
    column = name if column is None else column
    if name in knowledge.of_kind("history", "finding", "gauge"):
        states = knowledge.node(name).states
        return Feed(column, "word", name, name, states, with_unit=_with_suffix(name, knowledge))
    if name in CHOICES:
        return Feed(column, "choice", name, name, CHOICES[name])
    plain = name.removeprefix(SECOND)
    if plain == LOOKED_BY and knowledge.readers:
        # somebody of whom nothing is known sees as the trade does
        people = {person: person for person in knowledge.readers}
        return Feed(column, "choice", name, name, tuple(people), values=people, others="")
    if plain != name and plain in knowledge.nodes and knowledge.nodes[plain].by_eye:
        return Feed(column, "choice", name, name, knowledge.nodes[plain].states)
    if name.startswith(CONFIRMED) and name.removeprefix(CONFIRMED) in _outcomes(knowledge):
        return _outcome(column, name.removeprefix(CONFIRMED), knowledge)
    base, _, suffix = name.rpartition("_")
    dimension = _dimension(base, knowledge)
    fitting = columns_of(dimension) if dimension else {}
    return _number(column, base, fitting[suffix]) if suffix in fitting else None


def _number(column: str, base: str, unit: Unit) -> Feed:
    for name, (key, _) in NUMBERS.items():
        if key == base:
            return Feed(column, "number", name, base, unit=unit)
    return Feed(column, "reading", base, base, unit=unit)


def _dimension(base: str, knowledge: Knowledge) -> Dimension | None:
    """Dimension of a reading or of a number of vehicle and conditions; None for other names."""
    if base in names_in("readings", knowledge):
        return reading_dimension(base, knowledge)
    return next((dimension for key, dimension in NUMBERS.values() if key == base), None)


def _with_suffix(name: str, knowledge: Knowledge) -> str:
    """A reading, number or first amount with a unit that fits; empty for what has none."""
    if name in knowledge.nodes and knowledge.nodes[name].amounts:
        name = next(iter(knowledge.nodes[name].amounts))
    fitting = _fitting(_dimension(name, knowledge))
    return f"{name}_{fitting[0]}" if fitting else ""


def _fitting(dimension: Dimension | None) -> list[str]:
    return list(columns_of(dimension)) if dimension else []


def _outcomes(knowledge: Knowledge) -> list[str]:
    return [*knowledge.of_kind("fault"), *knowledge.conditions]


def _outcome(column: str, name: str, knowledge: Knowledge) -> Feed:
    """Outcome column: the words of a case file, and the states that each leaves possible."""
    words = outcome_words(name, knowledge)
    said = [outcome(Entry("confirmed", name, word, Place(column)), knowledge) for word in words]
    variable, _ = said[0]
    states = knowledge.node(variable).states
    masks = tuple(tuple(state in possible for state in states) for _, possible in said)
    return Feed(column, "confirmed", variable, CONFIRMED + name, words, masks)


def _mapped_feed(
    entry: MappedColumn, columns: Sequence[str], knowledge: Knowledge, source: str
) -> Feed:
    where = f"{source}: [columns.{entry.name}]"
    if entry.column not in columns:
        hint = suggestion(entry.column, columns, "the archive has")
        raise InspectionError(f"{where} from: no column {entry.column!r}; {hint}")
    feed = (
        _with_unit(entry, knowledge, where)
        if entry.unit
        else recognise(entry.name, knowledge, entry.column)
    )
    if feed is None:
        slip = _slip(entry.name, knowledge) or "not a finding, history item, reading or outcome"
        raise InspectionError(f"{where}: {slip}")
    for said, meant in {**entry.values, "others": entry.others or ""}.items():
        if meant and feed.options and meant not in feed.options:
            hint = unknown_word(meant, feed.name, feed.options)
            raise InspectionError(f"{where} values: {said!r} = {meant!r} is no state; {hint}")
    others = feed.others if entry.others is None else entry.others
    return replace(feed, values=entry.values or feed.values, others=others)


def _with_unit(entry: MappedColumn, knowledge: Knowledge, where: str) -> Feed:
    dimension = _dimension(entry.name, knowledge)
    if dimension is None:
        close = nearest(entry.name, _numbers(knowledge))
        problem = f"{entry.name!r} is not a reading or condition that has a unit"
        hint = f"; did you mean {close!r}?" if close else ""
        raise InspectionError(f"{where} unit: {problem}{hint}")
    try:
        unit = column_unit(entry.unit, dimension)
    except LoopoddsError as error:
        raise InspectionError(f"{where} unit: {error}") from error
    if unit.dimension != dimension:
        raise InspectionError(
            f"{where} unit: {entry.unit!r} is a {unit.dimension}, {entry.name} a {dimension}"
        )
    return _number(entry.column, entry.name, unit)


def _numbers(knowledge: Knowledge) -> list[str]:
    return [*names_in("readings", knowledge), *(key for key, _ in NUMBERS.values())]


def _slip(name: str, knowledge: Knowledge) -> str:
    """What is probably wrong with a column name that means nothing; empty if nothing is."""
    base, _, suffix = name.rpartition("_")
    if (dimension := _dimension(base, knowledge)) is not None:
        if suffix in COLUMNS:
            return f"{suffix} is a {COLUMNS[suffix].dimension}, but {base} is a {dimension}"
        return f"unknown unit {suffix!r}; {suggestion(suffix, _fitting(dimension))}"
    if with_unit := _with_suffix(name, knowledge):
        return f"it has no unit; call it {with_unit} or the like"
    if name in _outcomes(knowledge):
        return f"an outcome is called {CONFIRMED}{name}"
    known = [
        *knowledge.of_kind("history", "finding", "gauge"),
        *CHOICES,
        *(f"{base}_{s}" for base in _numbers(knowledge)
          for s in _fitting(_dimension(base, knowledge))),
        *(CONFIRMED + name for name in _outcomes(knowledge)),
    ]  # fmt: skip
    close = difflib.get_close_matches(name, known, n=1, cutoff=ALIKE)
    if close:
        return f"did you mean {close[0]!r}?"
    meant = heading_meant(name)[0]
    return f"it looks like {meant}; a column map can say so" if meant else ""
