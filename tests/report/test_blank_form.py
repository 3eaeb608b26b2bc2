"""The blank form reads as an empty case, takes every word that it names, and names are found."""

from __future__ import annotations

import re

import pytest
from loopodds.base.errors import InspectionError
from loopodds.diagnosis.model import Model
from loopodds.inspection.case_file import load_case
from loopodds.inspection.vocabulary import SECTIONS, names_in
from loopodds.knowledge.records import Knowledge
from loopodds.report.blank_form import blank_case, names_with

ENTRY = re.compile(r'^#(\w+) = "(| [^"]+)"(?:  # (.*))?$')
AMOUNTS = {
    "nameplate_oil": 150.0, "drained_oil": 150.0, "age": 5.0, "engine_speed": 1500.0,
    "altitude": 300.0, "running_for": 10.0, "vacuum_start": 3.0, "vacuum_end": 3.0,
}  # fmt: skip
"""Numbers that mean something in the unit of the form, where 20 does not; invented."""


def entries(knowledge: Knowledge) -> list[tuple[int, str, str, str]]:
    """Line, name, unit and rest of every entry of the form."""
    lines = blank_case(knowledge).splitlines()
    matches = ((number, ENTRY.match(line)) for number, line in enumerate(lines))
    return [(n, m[1], m[2], m[3] or "") for n, m in matches if m]


def filled(number: int, line: str, knowledge: Knowledge) -> str:
    """The form with one line put in, and the heading above it where that is a comment too.

    A pressure gets the refrigerant, without which it says nothing.
    """
    lines = blank_case(knowledge).splitlines()
    lines[number] = line
    above = next(i for i in range(number, 0, -1) if re.match(r"#?\[", lines[i]))
    lines[above] = lines[above].removeprefix("#")
    text = "\n".join(lines)
    return text.replace('#refrigerant = ""', 'refrigerant = "R134a"') if " bar" in line else text


def test_the_form_as_it_is_printed_is_an_empty_case(model: Model) -> None:
    case = load_case(blank_case(model.knowledge))
    assert not any(getattr(case, section) for section in SECTIONS)
    assert not case.repairs


def test_the_form_has_every_name_of_every_section(model: Model) -> None:
    known = model.knowledge
    held = [name for _, name, _, _ in entries(known)]
    eyes = [name for name, node in known.nodes.items() if node.by_eye]
    assert held == [n for section in SECTIONS for n in names_in(section, known)] + eyes
    assert all(f"#   {name}: " in blank_case(known) for name in known.services)


def test_every_line_is_accepted_with_each_of_its_words_or_a_number(model: Model) -> None:
    known = model.knowledge
    for number, name, unit, rest in entries(known):
        values = [f"{AMOUNTS.get(name, 20.0):g}{unit}"] if unit else rest.split(", ")
        for value in values:
            case = load_case(filled(number, f'{name} = "{value}"', known), known)
            said = {**case.vehicle, **case.conditions, **case.history, **case.findings}
            assert name in {**said, **case.readings} or case.confirmed, (name, value)


def test_a_repair_of_the_form_is_accepted_with_each_service(model: Model) -> None:
    known = model.knowledge
    number = blank_case(known).splitlines().index('#services = [""]')
    for service in known.services:
        case = load_case(filled(number, f'services = ["{service}"]', known), known)
        assert [repair.services for repair in case.repairs] == [(service,)]


def test_a_line_taken_up_and_left_blank_is_refused_by_name(model: Model) -> None:
    known = model.knowledge
    for number, name, unit, _ in [e for e in entries(known) if e[1] in ("line_bubbles", "vent")]:
        with pytest.raises(InspectionError, match=rf"{name}: (blank|cannot read)"):
            load_case(filled(number, f'{name} = "{unit}"', known), known)


@pytest.mark.parametrize(
    ("words", "name", "kind", "written"),
    [
        ("sight glass bubbles", "line_bubbles", "finding", "[findings] line_bubbles = "),
        ("134", "refrigerant", "context", '[vehicle] refrigerant = "R134a"'),
        ("drain oil", "drain_oil", "test", ""),
        ("dry loop", "dry_the_loop", "service", '[[repaired]] services = ["dry_the_loop"]'),
        ("low side pressure", "low_side", "reading", '[readings] low_side = "... bar"'),
        ("universal oil", "universal_oil_used", "history", "[history] universal_oil_used"),
        ("moistrue", "moisture", "fault", '[confirmed] moisture = "absent"'),
        ("vent never", "never_vent", "caution", ""),
    ],
)
def test_names_are_found_with_what_they_are_and_how_a_case_file_says_them(
    model: Model, words: str, name: str, kind: str, written: str
) -> None:
    found = {(one.name, one.kind): one for one in names_with(words, model.knowledge)}
    lines = found[name, kind].written
    assert lines[0].startswith(written) if written else not lines


def test_the_name_itself_stands_before_what_only_speaks_of_it(model: Model) -> None:
    for name in ("line_bubbles", "moisture", "low_side", "vent"):
        assert names_with(name, model.knowledge)[0].name == name
    assert names_with("swimming pool", model.knowledge) == []
