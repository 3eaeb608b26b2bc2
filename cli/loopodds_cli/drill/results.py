"""Results of drills: one line a car in a CSV file, and the scoreboard of a class."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Collection, Iterable, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, NamedTuple, get_type_hints

from loopodds import SOUND, FileError, InspectionError, printable, safe_cell
from rich.text import Text

from loopodds_cli.screen.page import FAINT, STRONG, Cell, Page

if TYPE_CHECKING:
    from loopodds import Debrief, PracticeCar

COLUMNS = (
    "when", "name", "level", "seed", "car", "minutes", "tests", "score", "probability_points",
    "cost_points", "stated", "plan", "truth",
)  # fmt: skip
LONGEST_NAME = 40


class Result(NamedTuple):
    """One car of one trainee, as read back from the file."""

    name: str
    level: str
    seed: int
    car: int
    minutes: float
    score: float
    probability_points: float
    cost_points: float


class Standing(NamedTuple):
    """A trainee on the scoreboard of one deck; means over cars."""

    name: str
    cars: int
    score: float
    probability_points: float
    cost_points: float
    minutes: float


def trainee(name: str) -> str:
    """A name as it may stand in a table.

    Raises:
        InspectionError: if it is empty or long, or a spreadsheet would take it for a formula.
    """
    clean = printable(name.strip())
    if not clean or len(clean) > LONGEST_NAME or clean[0] in "=+-@" or safe_cell(clean) != clean:
        raise InspectionError(
            f"name {clean[:LONGEST_NAME]!r}: 1 to {LONGEST_NAME} characters, "
            "the first none of = + - @"
        )
    return clean


def append_result(
    path: str, name: str, deck: tuple[str, int], car: PracticeCar, result: Debrief
) -> None:
    """Add one line to a results file; a new file begins with the column names.

    ``deck`` is the level as it was asked for and the seed.

    Raises:
        InspectionError: if the file is no results file.
        OSError: if it cannot be written.
    """
    read_results(path, missing_is_empty=True)
    line = {
        "when": datetime.now(UTC).isoformat(timespec="seconds"),
        "name": name,
        "level": deck[0],
        "seed": deck[1],
        "car": car.number,
        "minutes": f"{result.own.minutes:.0f}",
        "tests": " ".join(result.own.tests),
        "score": f"{result.score:.2f}",
        "probability_points": f"{-result.probability_points:.2f}",
        "cost_points": f"{-result.cost_points:.2f}",
        "stated": " ".join(f"{n}:{p:g}" for n, p in result.stated.items()),
        "plan": " ".join(result.own.plan),
        "truth": " ".join(car.present) or SOUND,
    }
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    if not os.path.exists(path) or not os.path.getsize(path):
        writer.writeheader()
    writer.writerow(line)
    # one write a line, so that a class may share a file
    try:
        with open(path, "ab", buffering=0) as file:
            file.write(text.getvalue().encode())
    except OSError as error:
        raise FileError(f"{path}: cannot be written: {error.strerror}") from error


def read_results(path: str, missing_is_empty: bool = False) -> list[Result]:
    """Results from a file, in its order.

    Raises:
        InspectionError: naming file, line and column of what cannot be read.
        OSError: if the file cannot be opened.
    """
    if missing_is_empty and not os.path.exists(path):
        return []
    try:
        with open(path, encoding="utf-8", newline="") as file:
            reader = csv.DictReader(file)
            columns = reader.fieldnames or ()
            rows = list(reader)
    except (UnicodeDecodeError, csv.Error) as error:
        raise InspectionError(f"{path}: no results file: {error}") from error
    missing = [name for name in COLUMNS if name not in columns]
    if columns and missing:
        raise InspectionError(f"{path}: no results file: column {missing[0]!r} is missing")
    return [_result(row, path, number) for number, row in enumerate(rows, start=2)]


def _result(row: dict[str, str | None], path: str, number: int) -> Result:
    def value(column: str, kind: type) -> Any:
        text = row[column] or ""
        try:
            return printable(text) if kind is str else kind(text)
        except ValueError:
            shown = printable(str(row[column]))
            raise InspectionError(f"{path}:{number}: {column}: {shown!r} is no number") from None

    return Result(*(value(column, kind) for column, kind in get_type_hints(Result).items()))


def cars_played(results: Iterable[Result], name: str, deck: tuple[str, int]) -> set[int]:
    """Cars of a deck that a trainee has done."""
    return {r.car for r in results if r.name == name and (r.level, r.seed) == deck}


def standings(results: Sequence[Result]) -> dict[tuple[str, int], list[Standing]]:
    """Scoreboard of every deck, best mean first; of a car done twice the first time counts."""
    decks: dict[tuple[str, int], dict[str, dict[int, Result]]] = {}
    boards: dict[tuple[str, int], list[Standing]] = {}
    for result in results:
        players = decks.setdefault((result.level, result.seed), {})
        players.setdefault(result.name, {}).setdefault(result.car, result)
    for deck, players in decks.items():
        table = [_standing(name, cars.values()) for name, cars in players.items()]
        boards[deck] = sorted(table, key=lambda standing: (-standing.score, standing.name))
    return boards


def _standing(name: str, cars: Collection[Result]) -> Standing:
    means = (sum(getattr(car, key) for car in cars) / len(cars) for key in Standing._fields[2:])
    return Standing(name, len(cars), *means)


def print_scoreboard(boards: dict[tuple[str, int], list[Standing]]) -> None:
    """Every deck's scoreboard."""
    page = Page()
    if not boards:
        page.line("No result yet.")
    for (level, seed), table in boards.items():
        page.heading(f"Level {level}, seed {seed}", "means over cars; 100 is the network's own")
        head = ("", "", "cars", "score", "probabilities", "steps, plan", "minutes")
        rows: list[Sequence[Cell]] = [head]
        for place, s in enumerate(table, start=1):
            points = (f"{s.probability_points:+.1f}", f"{s.cost_points:+.1f}", f"{s.minutes:.0f}")
            rows.append((f"{place}", s.name, f"{s.cars}", Text(f"{s.score:.1f}", STRONG), *points))
        page.rows(rows, right=[0, 2, 3, 4, 5, 6])
        if len({s.cars for s in table}) > 1:
            page.line(Text("Not all have done the same number of cars.", FAINT))
