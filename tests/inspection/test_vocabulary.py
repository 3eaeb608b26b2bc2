"""One vocabulary: what one door takes or understands all do, and what one refuses all do."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loopodds.base.errors import InspectionError
from loopodds.inspection.assignments import observation, parse_assignment
from loopodds.inspection.cells import read_cells
from loopodds.inspection.column_map import ColumnMap, MappedColumn
from loopodds.inspection.columns import plan_columns
from loopodds.inspection.inspection import InspectionBatch, batch_of
from loopodds.inspection.sections import inspection_from
from loopodds.inspection.vocabulary import (
    CHOICES,
    observable_names,
    sections_of_name,
    unknown_word,
    words_of,
)
from loopodds.knowledge.records import Knowledge

KNOWLEDGE = Knowledge()
NAMES = [name for name in observable_names(KNOWLEDGE) if words_of(name, KNOWLEDGE)]


def said(name: str, batch: InspectionBatch) -> str:
    """The word that a batch of one holds under a name."""
    codes = batch.choices if name in CHOICES else batch.codes
    return words_of(name, KNOWLEDGE)[int(codes[name][0])]


def case_file(name: str, word: str) -> str:
    section = sections_of_name(name, KNOWLEDGE)[0]
    return said(name, batch_of([inspection_from({section: {name: word}}, KNOWLEDGE)], KNOWLEDGE))


def assignment(name: str, word: str) -> str:
    observed = observation(*parse_assignment(f"{name}={word}"), KNOWLEDGE)
    case = {observed.section: {observed.name: observed.value}}
    return said(name, batch_of([inspection_from(case, KNOWLEDGE)], KNOWLEDGE))


def archive_cell(name: str, word: str) -> str:
    return cell(name, word, ColumnMap())


def column_map(name: str, word: str) -> str:
    theirs = MappedColumn(name, "theirs", "", {"our word for it": word}, None)
    return cell("theirs", "our word for it", ColumnMap("map", (theirs,)), name)


def cell(column: str, text: str, mapping: ColumnMap, name: str = "") -> str:
    # an archive needs a finding, whatever else it has
    seen = "sample_bubbles" if "sample_bubbles" not in (column, name) else "sample_specks"
    table = pa.table({column: [text], seen: [""]})
    batch, problems = read_cells(table, plan_columns([column, seen], KNOWLEDGE, mapping), KNOWLEDGE)
    if problems:
        raise InspectionError(problems[0].reason)
    return said(name or column, batch)


DOORS: tuple[Callable[[str, str], str], ...] = (case_file, assignment, archive_cell, column_map)


def through(door: Callable[[str, str], str], name: str, word: str) -> str:
    """The word taken, or the hint with which it is refused."""
    try:
        return door(name, word)
    except InspectionError as error:
        return re.sub(r"^.*; (?=did you mean|supported|known)", "", str(error))


@st.composite
def spelt(draw: st.DrawFn) -> tuple[str, str, str]:
    """A name, one of its words, and that word in some spelling, perhaps its own."""
    name = draw(st.sampled_from(NAMES))
    word = draw(st.sampled_from(words_of(name, KNOWLEDGE)))
    joint = draw(st.sampled_from(("_", " ", "-")))
    capitals = draw(st.lists(st.booleans(), min_size=len(word), max_size=len(word)))
    letters = [c.upper() if up else c.lower() for c, up in zip(word, capitals, strict=True)]
    return name, word, "".join(letters).replace("_", joint)


@settings(deadline=None)  # the first example reads the knowledge and compiles nothing after it
@given(spelt())
def test_every_door_knows_what_a_word_in_another_spelling_means(case: tuple[str, str, str]) -> None:
    name, word, text = case
    answer = word if text == word else f"did you mean {word!r}?"
    assert [through(door, name, text) for door in DOORS] == [answer] * len(DOORS)


@pytest.mark.parametrize(
    ("text", "answer"),
    [
        ("HFC134a", "did you mean 'R134a'?"),
        ("hfc-134A", "did you mean 'R134a'?"),
        ("134a", "did you mean 'R134a'?"),
        ("HFO-1234yf", "did you mean 'R1234yf'?"),
        ("R1234ze", "supported: R134a, R1234yf"),
        ("R134", "supported: R134a, R1234yf"),
    ],
)
def test_no_door_takes_one_refrigerant_for_another(text: str, answer: str) -> None:
    assert [through(door, "refrigerant", text) for door in DOORS] == [answer] * len(DOORS)


def test_no_two_words_of_a_name_are_the_same_but_for_spelling() -> None:
    for name in NAMES:
        words = words_of(name, KNOWLEDGE)
        for word, other in itertools.permutations(words, 2):
            assert unknown_word(word.upper(), name, words) != f"did you mean {other!r}?"
