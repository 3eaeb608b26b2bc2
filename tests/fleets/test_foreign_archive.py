"""Who has only a CSV with headings of another language gets from it to the page."""

from __future__ import annotations

import re
import shlex
import tomllib
from importlib import resources
from pathlib import Path

import loopodds as lo
import pandas as pd
import pytest
from click.testing import CliRunner, Result
from loopodds.archive.csv_rows import guessed_format
from loopodds.inspection.columns import recognise
from loopodds.inspection.vocabulary import CHOICES
from loopodds_cli.main import main

HEAD = (
    "Auftrag;Datum;Werkstatt;Kältemittel;Verdichter;Anlass;Außentemperatur [°C];Niederdruck [bar];"
    "Hochdruck [bar];Füllmenge (g);Absaugmenge g;Blasen;Ölfarbe;Kühlleistung\n"
)
ROWS = (
    "1;03.05.2026;Nord;R134a;fest;Beanstandung;27,5;1,2;9,8;520;310,5;keine;klar;schwach\n"
    "2;04.05.2026;Süd;R 134a;fest;Wartung;24,0;2,1;14,2;520;515;keine;braun;gut\n"
    "3;04.06.2026;Nord;R1234yf;variabel;Beanstandung;31,0;2,9;22,5;480;-;ja;schwarz;keine\n"
    "4;05.06.2026;Nord;;fest;Wartung;22,0;2,0;13,1;500;498;keine;klar;gut\n"
)


@pytest.fixture
def cars(tmp_path: Path) -> Path:
    path = tmp_path / "meine autos.csv"
    path.write_text(HEAD + ROWS, encoding="utf-8")
    return path


def run(command: str) -> Result:
    words = shlex.split(command)
    assert words[0] == "loopodds"
    return CliRunner().invoke(main, words[1:])


def test_three_commands_lead_from_the_file_to_the_page_each_told_by_the_one_before(
    cars: Path,
) -> None:
    first = run(f"loopodds fleet {shlex.quote(str(cars))} --out x.html")
    assert first.exit_code == 1
    assert "semicolons" in first.output
    assert "decimal comma" in first.output
    (told,) = re.findall(r"`(loopodds [^`]+)`", first.output)
    second = run(told)
    assert second.exit_code == 0, second.output
    assert "11 headings understood" in second.output
    (told,) = re.findall(r"^ *(loopodds fleet .+)$", second.output, re.MULTILINE)
    told = told.replace(" --out '", f" --out '{cars.parent}/").replace(
        " --out meine", f" --out {cars.parent}/meine"
    )
    third = run(told)
    assert third.exit_code == 0, third.output
    (page,) = cars.parent.glob("*.html")
    text = page.read_text("utf-8")
    assert "By month" in text
    assert "By Werkstatt" in text
    assert "no refrigerant stated" in text
    assert "Auftrag" in text
    rejects = next(cars.parent.glob("*.rejects.csv")).read_text("utf-8")
    assert "4,,,\"no refrigerant stated: say R134a or R1234yf in column 'Kältemittel'," in rejects


def test_the_map_reads_units_commas_and_words_as_they_were_meant(
    cars: Path, tmp_path: Path
) -> None:
    known = lo.Knowledge()
    made = lo.starter_map(cars, known)
    (tmp_path / "map.toml").write_text(made.text, encoding="utf-8")
    batch = next(lo.read_inspections(cars, known, tmp_path / "map.toml")).batch
    assert batch.numbers["ambient_c"].tolist() == [27.5, 24.0, 31.0]
    assert batch.readings["low_side"][0] == pytest.approx(120 + 101.325)
    assert [known.node("cooling").states[c] for c in batch.codes["cooling"]] == [
        "weak", "good", "none",
    ]  # fmt: skip
    assert made.unread == ("Auftrag", "Datum", "Werkstatt")


def test_a_map_that_is_there_is_not_replaced_unasked(cars: Path) -> None:
    command = f"loopodds score --starter-map {shlex.quote(str(cars))}"
    assert run(command).exit_code == 0
    again = run(command)
    assert again.exit_code == 1
    assert "--overwrite" in again.output
    assert run(f"{command} --overwrite").exit_code == 0


def test_an_archive_of_which_nothing_is_known_says_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "x.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    told = run(f"loopodds score --starter-map {tmp_path / 'x.csv'}")
    assert told.exit_code == 1
    assert "loopodds help owner" in told.output


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("a,b\n1.5,2\n", (",", ".")),
        ("a;b\n1,5;2\n", (";", ",")),
        ("a;b\n1.5;2\n", (";", ".")),
        ("a\tb\n1,5\t2,5\n", ("\t", ",")),
        ("a|b\n1|2\n", ("|", ".")),
        ('"a;b",c\n1,2\n', (",", ".")),
        ("", (",", ".")),
    ],
)
def test_the_format_is_as_the_file_shows_it(
    text: str, wanted: tuple[str, str], tmp_path: Path
) -> None:
    (tmp_path / "x.csv").write_text(text, encoding="utf-8")
    assert guessed_format(tmp_path / "x.csv", ())[:2] == wanted


def test_headings_that_are_read_and_those_that_are_not_are_told(tmp_path: Path) -> None:
    frame = pd.DataFrame({"sample_bubbles": ["none"], "Niederdruck": ["2"], "order": ["7"]})
    with pytest.warns(UserWarning, match="looks like low_side"):
        summary = lo.score(frame).attrs["summary"]
    assert summary["columns_used"] == ["sample_bubbles"]
    assert summary["columns_unused"] == ["Niederdruck", "order"]
    assert summary["columns_alike"] == ["Niederdruck"]


@pytest.mark.parametrize("said", ["-", "n/a", "k.A.", "unbekannt"])
def test_a_refrigerant_that_is_not_stated_is_told_as_that(said: str) -> None:
    frame = pd.DataFrame(
        {"refrigerant": [said, None], "low_side_bar": ["2", "2"], "cooling": ["weak", "weak"]}
    )
    rejects = lo.score(frame)["reject"]
    assert all("no refrigerant stated" in reject for reject in rejects)
    assert all("R134a or R1234yf" in reject for reject in rejects)


def test_every_heading_and_word_that_is_guessed_is_one_of_the_knowledge() -> None:
    known = lo.Knowledge()
    text = resources.files("loopodds_data").joinpath("headings.toml").read_text("utf-8")
    content = tomllib.loads(text)
    units = ("", "_bar", "_degC", "_K", "_g", "_pct", "_km", "_years", "_m")
    for name in content["names"]:
        assert any(recognise(name + unit, known) for unit in units), name
    words = {state for node in known.nodes.values() for state in node.states}
    words |= {word for choice in CHOICES.values() for word in choice}
    assert {*content["words"]} <= words


def test_headings_and_words_of_any_kind_leave_the_map_one_that_can_be_read(tmp_path: Path) -> None:
    head = '"Nieder""druck\n[bar]";"a\x01b";Blasen;"x=""1""";"] [columns.cooling]"\n'
    path = tmp_path / "in.csv"
    path.write_text(f'{head}2;3;"ja\n""x""";5;6\n', encoding="utf-8")
    made = lo.starter_map(path, lo.Knowledge())
    content = tomllib.loads(made.text)
    assert {*content["columns"]} == {*made.guessed.values()} == {"low_side", "sample_bubbles"}
    assert content["columns"]["sample_bubbles"]["values"] == {'ja\n"x"': ""}


def test_a_refrigerant_that_no_column_states_can_be_stated_for_all(tmp_path: Path) -> None:
    path, mapped = tmp_path / "in.csv", tmp_path / "map.toml"
    path.write_text("Niederdruck [bar],Kühlleistung\n2.0,gut\n1.1,schwach\n", encoding="utf-8")
    text = lo.starter_map(path, lo.Knowledge()).text
    mapped.write_text(text, encoding="utf-8")
    told = lo.score(path, tmp_path / "a.csv", columns=mapped)
    assert told.tally.rejected_by == {"no refrigerant stated": 2}
    assert "[always]" in (tmp_path / "a.rejects.csv").read_text("utf-8")
    mapped.write_text(text.replace("# [always]", "[always]").replace("# refr", "refr"), "utf-8")
    assert lo.score(path, tmp_path / "b.csv", columns=mapped).tally.scored == 2
    mapped.write_text('[always]\nrefrigerant = "R12"\n', "utf-8")
    with pytest.raises(lo.InspectionError, match=r"\[always\] refrigerant: 'R12'"):
        lo.score(path, tmp_path / "c.csv", columns=mapped)
