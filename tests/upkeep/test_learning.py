"""Learning: what moves and how far, that nothing falls, what is refused, what is written."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import loopodds as lo
import numpy as np
import pytest
from click.testing import CliRunner
from invented_archives import SMALL, csv_text, invented_rows
from loopodds.archive.encoded import Piece
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.simulation import hide_at_random, simulate
from loopodds.doubt.numbers import Numbers, numbers_of, with_numbers
from loopodds.doubt.updating import log_prior, updated
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.shapes import Grounds
from loopodds.upkeep.confirmation import Rates, read_ways, report_table
from loopodds.upkeep.estimation import Learner
from loopodds.upkeep.held_out import kept_back
from loopodds_cli.main import main
from scipy.optimize import minimize

CONTEXT = {"expansion": "TXV", "compressor": "fixed", "weather": "warm", "age": "to_10_years"}


def held(kind: str, *values: float, weight: float = 30, noise: float = 0.0) -> Numbers:
    grounds = Grounds("estimate", "estimate", weight)
    return Numbers("n", ("p",), kind, np.array(values), grounds, ("b",), noise)  # type: ignore[arg-type]


def test_a_number_of_weight_thirty_moves_by_n_over_n_plus_thirty():
    before = held("levels", 0.9, 0.1)
    counts = np.array([4.0, 16.0])
    after = updated(before, before.values, counts / before.values)
    assert after == pytest.approx([0.9 - (0.9 - 0.2) * 20 / 50, 0.1 + (0.8 - 0.1) * 20 / 50])


def test_what_is_certain_stays_certain():
    before = held("levels", 0.7, 0.3, 0.0)
    assert updated(before, before.values, np.array([5.0, 9.0, 50.0]))[2] == 0.0


def test_a_shift_takes_the_numbers_that_fit_readings_and_weight_best():
    """Readings that are all due to one state: the best of mean and variance by scipy's search."""
    rng = np.random.default_rng(1)
    readings, prior = rng.normal(7.0, 3.0, 40), held("shift", 4.0, 2.0, weight=20)
    now = prior.values
    for _ in range(60):
        gap, variance = readings - now[0], now[1] ** 2
        slopes = gap.sum() / variance, ((gap**2 / variance - 1) / (2 * variance)).sum()
        now = updated(prior, now, np.array([40.0, *slopes]))

    def loss(x: np.ndarray) -> float:
        fit = -20.0 * x[1] * 2 - ((readings - x[0]) ** 2).sum() / (2 * np.exp(2 * x[1]))
        return -(fit + log_prior(prior, np.array([x[0], np.exp(x[1])])))

    best = minimize(loss, [4.0, 0.7], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-9})
    assert now == pytest.approx([best.x[0], np.exp(best.x[1])], abs=1e-4)


@pytest.fixture(scope="module")
def shipped() -> Model:
    return Model(compiled=True)


def piece_of(model: Model, rows: int, seed: int, context: dict[str, str], seen: float) -> Piece:
    rng = np.random.default_rng(seed)
    evidence = hide_at_random(simulate(model, context, rows, rng).evidence, seen, rng)
    return Piece(context, np.arange(1, rows + 1), evidence, {}, {})


@pytest.mark.slow
def test_the_log_likelihood_with_the_weights_never_falls(shipped: Model):
    """Also where contexts are left open, so that gauges keep two moments of a mixture."""
    pieces = [piece_of(shipped, 150, 3, CONTEXT, 0.4), piece_of(shipped, 150, 4, {}, 0.6)]
    learner = Learner(shipped.knowledge, read_ways(None))
    _, heights = learner.climb(lambda: pieces, learner.start, passes=6)
    assert (np.diff(heights) >= -1e-6).all()
    assert heights[-1] > heights[0] + 1


@pytest.mark.slow
def test_what_a_cause_alone_produces_is_recovered_from_simulated_cars(shipped: Model):
    """The chance that solvent left behind makes a sample milky is another one in the world that the
    cars come from; which cars have it is known, other causes hide. More than half the way is learnt
    (some sixty cars against a weight of twenty).
    """
    node = shipped.knowledge.node("sample_cloudiness")
    path = ("causes", 0, "effects", "present")
    truth = np.array([0.60, 0.30, 0.10])
    faults = shipped.knowledge.node("flush_residue")
    often = {p: np.array([0.7, 0.3]) for p, n in numbers_of(faults).items() if len(n.values) == 2}
    world = shipped.knowledge.changed(
        nodes={
            **shipped.knowledge.nodes,
            node.name: with_numbers(node, {path: truth}),
            faults.name: with_numbers(faults, often),
        }
    )
    rng = np.random.default_rng(5)
    drawn = simulate(Model(world, compiled=True), CONTEXT, 350, rng)
    evidence = hide_at_random(drawn.evidence, 0.6, rng)
    known = {**evidence.codes, "flush_residue": drawn.states["flush_residue"]}
    told = replace(evidence, codes=known)
    cars = [Piece(CONTEXT, np.arange(1, 351), told, {}, {})]
    learner = Learner(shipped.knowledge, read_ways(None))
    top, _ = learner.climb(lambda: cars, learner.start, passes=8)
    learnt, before = top.values["sample_cloudiness", path], numbers_of(node)[path].values
    assert np.abs(learnt - truth).max() < 0.5 * np.abs(before - truth).max()


@pytest.mark.slow
def test_what_is_written_down_oftener_than_its_absence_is_learnt_along(shipped: Model):
    """A workshop that notes nine faults in ten and one absence in seven: found within .04, and the
    share of leaks does not rise as it would if only what is written counted.
    """
    rng = np.random.default_rng(6)
    cars = simulate(shipped, CONTEXT, 500, rng)
    evidence, confirmed = hide_at_random(cars.evidence, 0.4, rng), {}
    for name in shipped.faults:
        states = len(shipped.states(name))
        table = report_table(states, Rates(0.02, 0.01, 0.02, 0.9, 1 / 7)).cumsum(axis=1)
        drawn = (rng.random(500)[:, None] >= table[cars.states[name]][:, :-1]).sum(axis=1)
        said = np.vstack([np.eye(states, dtype=bool), np.ones(states, bool)])
        confirmed[name] = said[drawn]
    tags = {"confirmed_by": np.zeros(500, np.int64)}
    pieces = [Piece(CONTEXT, np.arange(1, 501), evidence, confirmed, tags)]
    learner = Learner(shipped.knowledge, read_ways(None))
    top, _ = learner.climb(lambda: pieces, learner.start, passes=8)
    rates = top.rates["opened_and_seen"]
    assert rates.noted_fault == pytest.approx(0.9, abs=0.05)
    assert rates.noted_sound == pytest.approx(1 / 7, abs=0.04)
    leak = next(v for (n, p), v in top.values.items() if n == "leak" and p == ("rows", 4, "p"))
    assert leak[0] == pytest.approx(0.88, abs=0.06)


def archive(folder: Path, rows: list[dict[str, str]]) -> Path:
    path = folder / "a.csv"
    path.write_text(csv_text(rows), encoding="utf-8")
    return path


def learn(*words: object):
    return CliRunner().invoke(main, ["learn", *map(str, words), "--knowledge", str(SMALL)])


@pytest.fixture(scope="module")
def learnt(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, object]]:
    folder = tmp_path_factory.mktemp("learnt")
    rows = invented_rows(200, 3)
    for number, row in enumerate(rows):
        row["confirmed_by"] = ("opened and seen", "technicians_word", "", "hearsay")[number % 4]
        row["workshop"] = f"w{number % 2}"
    run = learn(archive(folder, rows), "--out", folder / "new", "--by", "workshop", "--json")
    assert run.exit_code == 0, run.output
    return folder / "new", json.loads(run.stdout)


def test_every_row_is_learnt_from_or_set_aside_with_its_reason(learnt):
    folder, told = learnt
    rejects = (folder.parent / "new.rejects.csv").read_text(encoding="utf-8")
    assert told["rows"] + told["rejected"] == 200
    assert told["rejected"] == 50
    assert rejects.count("confirmed_by") >= 50
    assert "hearsay" in rejects


def test_the_folder_is_read_as_knowledge_and_differs_only_in_numbers(learnt):
    folder, told = learnt
    old, new = Knowledge(SMALL), Knowledge(folder)
    changes = lo.changes_between(old, new)
    places = {change["place"] for change in told["changes"]}
    moved = [c for c in changes if not np.array_equal(c.before.values, c.after)]
    assert {c.as_json()["place"] for c in moved} <= places
    assert all(c.weight >= c.before.grounds.weight for c in changes)
    for name in ("faults.toml", "findings.toml"):
        comments = [line for line in old.texts[name].splitlines() if line.startswith("#")]
        assert [x for x in new.texts[name].splitlines() if x.startswith("#")] == comments
    compared = CliRunner().invoke(
        main, ["network", "--knowledge", str(SMALL), "--compare", str(folder), "--json"]
    )
    assert len(json.loads(compared.stdout)["changes"]) == len(changes)


def test_every_workshop_is_drawn_towards_all(learnt):
    _, told = learnt
    assert {entry["group"] for entry in told["by"]} == {"w0", "w1"}
    for entry in told["by"]:
        inside = sorted((entry["own"], entry["learnt"]))
        assert inside[0] - 1e-9 <= entry["shrunk"] <= inside[1] + 1e-9


def test_a_folder_that_is_there_is_left_alone(learnt, tmp_path: Path):
    folder, _ = learnt
    run = learn(archive(tmp_path, invented_rows(60, 1)), "--out", folder)
    assert run.exit_code == 1
    assert "is there already" in run.output


@pytest.mark.parametrize("place", [".", ".."])
def test_a_place_without_a_name_is_no_new_folder(
    place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.chdir(tmp_path)
    Path("a.csv").write_text(csv_text(invented_rows(5, 1)), encoding="utf-8")
    run = CliRunner().invoke(main, ["learn", "a.csv", "--out", place])
    assert run.exit_code == 1
    assert "is there already; choose another name" in run.output
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv"]


def test_nothing_is_written_where_rows_kept_back_are_foretold_worse(tmp_path: Path):
    """Rows that teach see bubbles in every sample, rows that judge in none."""
    numbers = np.arange(1, 301)
    judging = kept_back(Piece({}, numbers, None, {}, {}))  # type: ignore[arg-type]
    assert judging.mean() == pytest.approx(0.2, abs=0.05)
    rows = [
        {"sample_bubbles": "none" if judge else "persisting", "refrigerant": "R134a"}
        for judge in judging
    ]
    run = learn(archive(tmp_path, rows), "--out", tmp_path / "new")
    assert run.exit_code == 1
    assert "foretold worse than before" in run.stderr
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(("stage", "passes"), [("learning", 2), ("learning from all rows", 1)])
def test_a_killed_run_goes_on_to_the_same_folder(stage: str, passes: int, tmp_path: Path):
    path = archive(tmp_path, invented_rows(150, 4))

    class Killed(Exception):
        pass

    def kill(run: lo.LearnProgress) -> None:
        if (run.stage, run.passes) == (stage, passes):
            raise Killed

    with pytest.raises(Killed):
        lo.learn(path, tmp_path / "killed-run", knowledge=SMALL, progress=kill)
    stages = []
    lo.learn(path, tmp_path / "killed-run", knowledge=SMALL, resume=True, progress=stages.append)
    assert "reading" not in {run.stage for run in stages}
    lo.learn(path, tmp_path / "whole-run", knowledge=SMALL)
    one, two = (
        {file.name: file.read_bytes().replace(name.encode(), b"") for file in folder.iterdir()}
        for name, folder in ((name, tmp_path / name) for name in ("killed-run", "whole-run"))
    )
    assert one == two


def test_a_folder_that_no_run_made_is_not_removed(tmp_path: Path):
    (tmp_path / "n.learning").mkdir()
    (tmp_path / "n.learning" / "mine.txt").write_text("kept", encoding="utf-8")
    run = learn(archive(tmp_path, invented_rows(60, 2)), "--out", tmp_path / "n")
    assert "is in the way" in run.output
    assert (tmp_path / "n.learning" / "mine.txt").is_file()


def test_too_few_rows_and_unknown_names_are_refused(tmp_path: Path):
    path = archive(tmp_path, invented_rows(30, 2))
    assert "at least 50 are needed" in learn(path, "--out", tmp_path / "n").output
    assert "no column 'shop'" in learn(path, "--out", tmp_path / "n", "--by", "shop").output
    assert learn(path, "--out", tmp_path / "n", "--anyway", "nothing").exit_code == 1
