"""``calibrate`` from the archive to the page, and whether plans were right."""

from __future__ import annotations

import csv
import json
import re
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path

import loopodds as lo
import numpy as np
import pytest
from click.testing import CliRunner
from invented_archives import SMALL
from loopodds.archive.encoded import Piece
from loopodds.calibration.events import events_of
from loopodds.calibration.plans import plan_events
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.simulation import hide_at_random, simulate
from loopodds.knowledge.records import Knowledge
from loopodds.upkeep.confirmation import Rates, report_table
from loopodds_cli.main import main
from loopodds_cli.numbers.calibration_page import print_calibration
from simulated_archives import confirmations, write_words

RATES = {
    "opened_and_seen": Rates(0.03, 0.01, 0.05, 0.95, 0.4),
    "technicians_word": Rates(0.12, 0.05, 0.15, 0.85, 0.3),
}
CONTEXT = {"expansion": "TXV", "compressor": "fixed", "weather": "warm", "age": "to_10_years"}


def small_archive(path: Path, rows: int, seed: int, bubbles: float | None = None) -> Path:
    """Cars of the small knowledge, opened the oftener with bubbles in the sample.

    Args:
        bubbles: Share of the cars without bubbles of which some are written down all the same, as
            by a workshop that shakes the bottle.
    """
    rng, model = np.random.default_rng(seed), Model(Knowledge(SMALL))
    cars = simulate(model, {}, rows, rng)
    codes = cars.evidence.codes["sample_bubbles"]
    if bubbles is not None:
        codes[rng.random(rows) < bubbles] = 1
    opened = rng.random(rows) < np.where(codes > 0, 0.8, 0.3)
    confirmed = {}
    for name in model.faults:
        table = report_table(len(model.states(name)), RATES["opened_and_seen"]).cumsum(axis=1)
        said = (rng.random(rows)[:, None] >= table[cars.states[name]]).sum(axis=1)
        confirmed[name] = np.where(opened & (said < table.shape[1] - 1), said, -1)
    seen = {name: rng.random(rows) < 0.8 for name in cars.evidence.codes}
    seen["sample_bubbles"] = np.ones(rows, bool)
    way = ["opened_and_seen" if o else "" for o in opened]
    return write_words(model, cars, path, seen, confirmed, {"confirmed_by": way})


def run(*words: object):
    return CliRunner().invoke(main, ["calibrate", *map(str, words), "--knowledge", str(SMALL)])


@pytest.fixture(scope="module")
def honest(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict]:
    folder = tmp_path_factory.mktemp("calibrate")
    path = small_archive(folder / "a.csv", 2000, 5)
    with path.open("a", encoding="utf-8") as file:
        columns = path.read_text(encoding="utf-8").splitlines()[0].split(",")
        file.write(",".join("froth" if c == "sample_bubbles" else "" for c in columns) + "\n")
    done = run(path, "--json", "--picture", folder / "r.svg", "--rejects", folder / "aside.csv")
    assert done.exit_code == 0, done.output
    return path, json.loads(done.stdout)


def claims(told: dict) -> dict[str, dict]:
    return {claim["name"]: claim for claim in told["claims"]}


@pytest.mark.slow
def test_cars_drawn_from_the_knowledge_happen_as_stated(honest):
    _, told = honest
    found = claims(told)
    assert {"leading_fault", "nothing_wrong", "moisture", "charge"} <= found.keys()
    for claim in found.values():
        assert not claim["far_off"]
        assert claim["stated"] == pytest.approx(claim["happened"], abs=0.05)
        log = claim["log_score"]
        assert log["score"] == pytest.approx(
            log["miscalibration"] - log["discrimination"] + log["uncertainty"]
        )
    assert told["confirmed"] == found["charge"]["cars"]
    assert told["effective_cars"] < told["confirmed"]


@pytest.mark.slow
def test_a_workshop_that_shakes_the_bottle_is_found_out(tmp_path: Path):
    told = json.loads(run(small_archive(tmp_path / "b.csv", 700, 6, bubbles=0.5), "--json").stdout)
    moisture = claims(told)["moisture"]
    assert moisture["far_off"]
    assert moisture["happened"] < moisture["stated"]
    assert moisture["outside"]


@pytest.mark.slow
def test_rows_that_cannot_be_used_are_set_aside_with_their_reason(honest):
    path, told = honest
    assert told["rejected"] == 1
    assert told["set_aside"][0]["column"] == "sample_bubbles"
    with (path.parent / "aside.csv").open(encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    assert row["row"] == "2001"
    assert "froth" in row["value"]


@pytest.mark.slow
def test_the_page_fits_the_screen_and_the_picture_says_what_it_shows(honest):
    path, told = honest
    result = lo.calibrate(path, knowledge=SMALL)
    with redirect_stdout(StringIO()) as printed:
        print_calibration(result)
    page = printed.getvalue()
    assert all(len(line) <= 80 for line in page.splitlines())
    assert re.search(r"The leading fault .* fits", page)
    assert "row 2001: sample_bubbles 'froth'" in page
    svg = (path.parent / "r.svg").read_text(encoding="utf-8")
    assert svg.startswith("<?xml")
    assert "within chance" in lo.reliability_picture(result).alt
    assert json.loads(json.dumps(result.as_json()))["claims"] == told["claims"]


def test_an_archive_without_outcomes_is_refused_and_says_what_to_write(tmp_path: Path):
    path = tmp_path / "none.csv"
    path.write_text("sample_bubbles\nnone\npersisting\n", encoding="utf-8")
    refused = run(path)
    assert refused.exit_code == 1
    assert "none.csv: no car of it has an outcome" in refused.stderr
    assert "confirmed_<fault>" in refused.stderr


def test_few_outcomes_are_too_few_to_say(tmp_path: Path):
    lines = ["sample_bubbles,confirmed_moisture", *["none,absent"] * 4, *["persisting,wet"] * 3]
    path = tmp_path / "few.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    done = run(path)
    assert done.exit_code == 0
    assert "TOO FEW TO SAY ANYTHING" in done.output.upper()
    assert "few outcome columns" in " ".join(done.output.split())


@pytest.fixture(scope="module")
def opened() -> tuple[Model, Piece]:
    """Sixty cars of the shipped knowledge, all opened."""
    model, rng = Model(compiled=True), np.random.default_rng(8)
    cars = simulate(model, CONTEXT, 60, rng)
    evidence = hide_at_random(cars.evidence, 0.5, rng)
    rates = RATES["opened_and_seen"]
    confirmed = {}
    for name in model.faults:
        states = len(model.states(name))
        table = report_table(states, rates).cumsum(axis=1)
        said = (rng.random(60)[:, None] >= table[cars.states[name]][:, :-1]).sum(axis=1)
        confirmed[name] = np.vstack([np.eye(states, dtype=bool), np.ones(states, bool)])[said]
    tags = {"confirmed_by": np.zeros(60, np.int64)}
    return model, Piece(CONTEXT, np.arange(1, 61), evidence, confirmed, tags)


@pytest.mark.slow
def test_plans_are_right_as_often_as_is_foretold(opened):
    model, piece = opened
    rng = np.random.default_rng(3)
    (plans,) = plan_events([(piece, np.arange(0, 60, 4))], model, RATES, rng)
    foretold = plans.least + (plans.most - plans.least) * plans.stated
    doubt = np.sqrt((foretold * (1 - foretold)).sum())
    assert len(plans.rows) > 10
    assert abs(plans.said.sum() - foretold.sum()) < 2.6 * doubt


@pytest.mark.slow
def test_silence_of_all_columns_is_as_likely_as_draws_of_reports_say(opened):
    """The exact chance that no fault is reported, against a thousand cars with reports drawn."""
    model, _ = opened
    rng, count = np.random.default_rng(5), 1500
    cars = simulate(model, CONTEXT, count, rng)
    known = np.ones(count, bool)
    confirmed = confirmations(model, cars, known, Rates(0.12, 0.05, 0.1, 1.0, 1.0), rng)
    told = Piece(
        CONTEXT, np.arange(count), hide_at_random(cars.evidence, 0.0, rng), confirmed,
        {"confirmed_by": np.ones(count, np.int64)},
    )  # fmt: skip
    rates = {**RATES, "technicians_word": Rates(0.12, 0.05, 0.1, 1.0, 1.0)}
    beliefs = model.believe(CONTEXT, told.evidence)
    none = events_of(told, beliefs, model, rates)["nothing_wrong"]
    foretold = none.least + (none.most - none.least) * none.stated
    assert none.said.mean() == pytest.approx(foretold[0], abs=0.025)
    assert none.stated[0] == pytest.approx(float(beliefs.p_sound[0]))


def test_a_way_of_confirming_without_any_outcome_tells_nothing(tmp_path: Path):
    path = tmp_path / "none.csv"
    path.write_text("sample_bubbles,confirmed_by\nnone,opened_and_seen\n", encoding="utf-8")
    assert "no car of it has an outcome" in run(path).stderr


def test_a_column_that_is_not_known_in_the_map_is_named(tmp_path: Path):
    path, mapping = tmp_path / "a.csv", tmp_path / "map.toml"
    path.write_text("bubbles\nnone\n", encoding="utf-8")
    mapping.write_text('[columns.sample_bubles]\nfrom = "bubbles"\n', encoding="utf-8")
    refused = run(path, "--columns", mapping)
    assert refused.exit_code == 1
    assert "map.toml: [columns.sample_bubles]" in refused.stderr
