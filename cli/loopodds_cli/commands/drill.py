"""``loopodds drill``: practice cars for trainees and their trainers."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from loopodds_cli.options import (
    WritingCommand,
    common_options,
    file_option,
    number_option,
    output_option,
    prices_option,
    print_json,
)

if TYPE_CHECKING:
    from loopodds import Deck, Exercise

LEVEL_NAMES = ("single", "masked", "two", "sound", "workshop", "mixed")
MOST_CARS = 500
MOST_CARS_ON_PAPER = 60
_LARGEST_SEED = 10_000


@click.command(cls=WritingCommand)
@click.option(
    "--level",
    type=click.Choice(LEVEL_NAMES),
    default="mixed",
    show_default=True,
    help="One fault; one that something hides; two faults; a sound car that looks bad; as they"
    " come into the workshop; or the first four mixed.",
)
@number_option("--seed", 0, None, "Number of the deck: the same gives the same cars.")
@number_option("--cars", 1, MOST_CARS, "How many cars.", default=3)
@number_option("--minutes", 1, 1000, "Budget of minutes for the tests on each car.", default=90)
@click.option("--name", default="trainee", show_default=True, help="Whose results these are.")
@output_option(
    "--results", "Add a line for each finished car to a CSV file; cars already in it are skipped."
)
@file_option(
    "--scoreboard",
    "Show the standings in a results file, of one --seed or of all. Several files are taken"
    " together: repeat the option.",
    exists=True,
    multiple=True,
)
@number_option(
    "--sheet",
    1,
    MOST_CARS_ON_PAPER,
    "Write a worksheet with N cars and a separate answer sheet, both HTML.",
    metavar="N",
)
@output_option("--out", "Worksheet to write; the answers go beside it.")
@prices_option
@common_options
def command(
    level: str,
    seed: int | None,
    cars: int,
    minutes: int,
    name: str,
    results: str | None,
    scoreboard: tuple[str, ...],
    sheet: int | None,
    out: str | None,
    prices: str | None,
    as_json: bool,
    knowledge: str | None,
) -> None:
    """Practise on cars drawn from the network.

    The driver tells what is wrong; you ask for tests within a budget of minutes, say how likely
    each condition is and what you would do. Then you see the truth, what each test was worth at
    that moment and where you parted from the best way. Saying what you really believe scores
    best. With --json the cars themselves are printed, answers included.

    \b
    Example:
      loopodds drill --level single --seed 7
      loopodds drill --seed 7 --cars 5 --name Kim --results class.csv
      loopodds drill --scoreboard class.csv
      loopodds drill --sheet 6 --seed 7 --out lesson.html
    """
    if scoreboard:
        if sheet is not None:
            raise click.UsageError("give only one of --scoreboard and --sheet")
        _show_scoreboard(scoreboard, seed, as_json)
        return
    if out is not None and sheet is None:
        raise click.UsageError("--out goes with --sheet")
    from loopodds import Exercise, load_prices, practice_cars

    from loopodds_cli.drill.results import trainee

    who = trainee(name)
    deck = _deck(level, seed, knowledge)
    if as_json:
        plain = [asdict(car) for car in practice_cars(deck, cars)]
        print_json({"level": deck.level, "seed": deck.seed, "cars": plain})
        return
    own = load_prices(prices, deck.model.knowledge)
    dealt = practice_cars(deck, sheet or cars)
    exercises = [Exercise(deck.model, car, minutes, own) for car in dealt]
    if sheet is not None:
        _write_sheets(deck, exercises, out)
    else:
        _play(deck, exercises, who, results)


def _deck(level: str, seed: int | None, folder: str | None) -> Deck:
    import secrets

    from loopodds import Deck, Knowledge, Model

    model = Model(Knowledge(folder), compiled=True)
    return Deck(model, level, secrets.randbelow(_LARGEST_SEED) if seed is None else seed)


def _show_scoreboard(paths: tuple[str, ...], seed: int | None, as_json: bool) -> None:
    from loopodds_cli.drill.results import print_scoreboard, read_results, standings

    results = [result for path in paths for result in read_results(path)]
    boards = standings([r for r in results if seed is None or r.seed == seed])
    if as_json:
        decks = [
            {"level": level, "seed": number, "standings": [s._asdict() for s in table]}
            for (level, number), table in boards.items()
        ]
        print_json({"decks": decks})
    else:
        print_scoreboard(boards)


def _play(deck: Deck, exercises: list[Exercise], name: str, results: str | None) -> None:
    from loopodds_cli.drill.dialogue import DrillDialogue, Leave, wait_for_next
    from loopodds_cli.drill.pages import print_car
    from loopodds_cli.drill.results import append_result, cars_played, read_results

    key = (deck.level, deck.seed)
    played: set[int] = set()
    if results is not None:
        played = cars_played(read_results(results, missing_is_empty=True), name, key)
    left = [exercise for exercise in exercises if exercise.car.number not in played]
    if len(left) < len(exercises):
        click.echo(f"{len(exercises) - len(left)} cars of this deck are in {results} already.")
    scores = []
    try:
        for exercise in left:
            place = f"Car {exercise.car.number} of {len(exercises)}"
            deal = f"level {deck.level}, seed {deck.seed}, {exercise.minutes:.0f} minutes"
            print_car(exercise, f"{place}   {deal}")
            click.echo("\nName a test to do it; t lists the tests, d when you know enough, ? help.")
            result = DrillDialogue(exercise).run()
            scores.append(result.score)
            if results is not None:
                append_result(results, name, key, exercise.car, result)
            if exercise is not left[-1]:
                wait_for_next()
    except Leave:
        click.echo("Left; a car that was not finished does not count.")
    if scores:
        mean = sum(scores) / len(scores)
        click.echo(f"{name}: {len(scores)} cars, mean score {mean:.0f} (seed {deck.seed})")


def _write_sheets(deck: Deck, exercises: list[Exercise], out: str | None) -> None:
    """The worksheet and, beside it, the answers."""
    from loopodds import answer_sheet, check_outputs, worksheet, write_whole

    sheet = Path(out or f"drill-{deck.level}-{deck.seed}.html")
    answers = sheet.with_name(f"{sheet.stem}-answers{sheet.suffix}")
    check_outputs({"the worksheet": sheet, "the answers": answers}, [])
    for path, text in ((sheet, worksheet), (answers, answer_sheet)):
        write_whole(path, text(deck, exercises))
        click.echo(path)
