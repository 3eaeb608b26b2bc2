"""What moved is named with since when, by how much and by whom; what has not is left alone."""

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
from loopodds.diagnosis.simulation import hide, simulate
from loopodds.doubt.numbers import numbers_of, with_numbers
from loopodds.drift.bets import Stake, threshold, word_bets, word_ratios
from loopodds.drift.looks import looks_of
from loopodds_cli.main import main
from watched_archives import Rows, drawn_rows, seen_by

COUNT = 2400
SUMMER = (0.4, 0.7)


def summer(at: np.ndarray) -> np.ndarray:
    """Mild, but for a very hot time."""
    return np.where((at > SUMMER[0]) & (at < SUMMER[1]), 36.0, 20.0)


@pytest.fixture(scope="module")
def model() -> Model:
    return Model(compiled=True)


@pytest.fixture(scope="module")
def drawn(model: Model) -> Rows:
    """A year's cars, a hot summer in it, seen by six gauges and six technicians."""
    rng = np.random.default_rng(3)
    rows = drawn_rows(model, COUNT, rng, summer, 0.06, ("low_side", "sample_greenness"), True)
    rows.more = seen_by(COUNT, rng, days=360, technicians=6)
    return rows


@pytest.mark.slow
def test_a_hot_summer_does_not_alarm(drawn: Rows, tmp_path: Path):
    """Conditions are given: three times as hot, and what follows of it, is no drift."""
    found = lo.watch(drawn.write(tmp_path / "a.parquet"), by=["gauge", "technician"])
    assert found.rows == COUNT
    assert found.alarms == ()
    assert found.least_p > found.needed


@pytest.mark.slow
def test_a_gauge_and_a_reader_of_colours_are_named_since_when(drawn: Rows, tmp_path: Path):
    """Gauge 3 reads 0.4 bar high since June; technician T5 says half of all shades a step deeper.

    Through the hot summer, and nothing else is named.
    """
    rng = np.random.default_rng(4)
    moved = replace(drawn, words=dict(drawn.words), readings=dict(drawn.readings))
    dates, gauges = np.array(drawn.more["date"]), np.array(drawn.more["gauge"])
    wrong = (gauges == "gauge 3") & (dates >= "2026-06-01")
    moved.readings["low_side"] = drawn.readings["low_side"] + 40.0 * wrong
    shade = drawn.words["sample_greenness"].copy()
    deeper = (np.array(drawn.more["technician"]) == "T5") & (shade >= 0)
    deeper &= (shade < len(drawn.model.states("sample_greenness")) - 1) & (rng.random(COUNT) < 0.5)
    moved.words["sample_greenness"] = shade + deeper
    found = lo.watch(moved.write(tmp_path / "a.csv"), by=["gauge", "technician"])
    told = {(a.name, a.group.word if a.group else ""): a for a in found.alarms}
    # that all looks of T5 together are odd follows
    follows = {who for who, alarm in told.items() if alarm.follows}
    assert follows <= {("inspections", "T5")}
    assert set(told) - follows == {("low_side", "gauge 3"), ("sample_greenness", "T5")}
    gauge = told["low_side", "gauge 3"]
    assert gauge.offset is not None
    assert gauge.offset.unit == "bar"
    assert abs(gauge.offset.amount - 0.4) < 3 * gauge.offset.error
    assert gauge.earliest.date <= "2026-06-03"
    assert gauge.latest.date >= "2026-05-28"
    assert "2026-05-01" < gauge.since.date < "2026-07-01"
    assert gauge.group.alone  # type: ignore[union-attr]
    reader = told["sample_greenness", "T5"]
    assert reader.from_start
    # a step deeper leaves fewer at one end and more at the other
    few, many = reader.seen < 0.6 * reader.expected, reader.seen > 1.6 * reader.expected
    assert {"none": few, "deep": many}[reader.state]


@pytest.mark.parametrize(("name", "where"), [("sample_bubbles", "none"), ("sample_foam", "none")])
def test_a_tenth_of_a_table_that_moves_is_found_within_two_thousand_looks(
    model: Model, name: str, where: str
):
    """One look in ten says the next state: sooner than two thousand of them, by the line of 120."""
    rng = np.random.default_rng(6)
    context = {"expansion": "TXV", "compressor": "fixed", "weather": "warm"}
    cars = simulate(model, context, 6000, rng)
    hiding = {"sample_darkening", "sample_cloudiness", name}
    shown = hide(cars.evidence, {n: np.full(6000, n in hiding) for n in cars.evidence.names_held})
    first = model.states(name).index(where)
    said = shown.codes[name].copy()
    chance = 0.1 / (said == first).mean()
    late = (np.arange(6000) >= 3000) & (said == first) & (rng.random(6000) < chance)
    said[late] = first + 1
    piece = Piece(
        context, np.arange(1, 6001), replace(shown, codes={**shown.codes, name: said}), {}, {}
    )
    order = ("sample_darkening", "sample_cloudiness", name)
    looks = next(looks_of(piece, model.tree(context), model.knowledge, order, {name}, rng))
    ratios = word_ratios(looks.foretold, looks.seen, word_bets(looks.foretold.shape[1]))
    path = Stake(len(ratios), ratios.shape[1]).follow(ratios)
    before = int((looks.rows < 3000).sum())
    needed = threshold(np.zeros(120).tolist())
    raised = np.flatnonzero(path >= needed)
    assert path[:before].max() < needed
    assert len(raised)
    assert raised[0] - before < 2000


@pytest.mark.slow
def test_the_number_of_the_knowledge_that_differs_is_named(model: Model, tmp_path: Path):
    """Cars of a knowledge in which one list is another, watched by the shipped one."""
    node = model.knowledge.node("sample_foam")
    shipped = numbers_of(node)["leak", "p"].values
    changed = with_numbers(node, {("leak", "p"): shipped + np.array([-0.1, 0.1, 0.0])})
    other = model.knowledge.changed(nodes={**model.knowledge.nodes, "sample_foam": changed})
    rng = np.random.default_rng(2)
    rows = drawn_rows(
        Model(other, compiled=True), COUNT, rng, seen=0.06, keep=("sample_foam",), alike=True
    )
    found = lo.watch(rows.write(tmp_path / "a.parquet"))
    [alarm] = found.alarms
    assert (alarm.name, alarm.group, alarm.from_start) == ("sample_foam", None, True)
    best = alarm.explained[0]
    moved = (best.state == node.states[1]) == best.more  # the second state more, or another less
    assert (best.place, moved) == ("sample_foam.leak.p", True)


def test_p_values_of_looks_are_uniform_whatever_is_looked_at(model: Model):
    """All words and readings of 2,000 cars; Kolmogorov's bound at one in ten thousand."""
    rng = np.random.default_rng(12)
    context = {"expansion": "orifice", "compressor": "fixed", "weather": "warm"}
    cars, nodes = simulate(model, context, 2000, rng), model.knowledge.nodes
    hiding = {h for node in nodes.values() for h in (*node.masked_by, *node.veiled_by)}
    seen = {n: (rng.random(2000) < 0.1) | (n in hiding) for n in cars.evidence.names_held}
    piece = Piece(context, np.arange(1, 2001), hide(cars.evidence, seen), {}, {})
    order = tuple(dict.fromkeys([*hiding, *cars.evidence.names_held]))
    judged = set(order) - hiding
    tree = model.tree(context)
    found = [*looks_of(piece, tree, model.knowledge, order, judged, rng)]
    p_value = np.sort(np.concatenate([looks.p_value for looks in found]))
    at = (np.arange(len(p_value)) + 0.5) / len(p_value)
    assert len(p_value) > 15_000
    assert np.abs(p_value - at).max() < 2.23 / np.sqrt(len(p_value))


def test_tests_that_are_chosen_because_of_what_was_seen_are_no_drift(model: Model):
    """The vacuum is held only where oil or dye was seen: leaks are common there, and foretold so.

    That it is so is not foretold by the network without those looks: the same bets on that win.
    """
    rng = np.random.default_rng(8)
    context = {"expansion": "TXV", "compressor": "fixed", "weather": "warm"}
    count = 4000
    cars = simulate(model, context, count, rng)
    told = cars.evidence
    odd = told.codes["oily_dirt"] > 0
    seen = {n: np.zeros(count, bool) for n in told.names_held}
    seen |= {"oily_dirt": np.ones(count, bool), "vacuum_hold": odd | (rng.random(count) < 0.05)}
    piece = Piece(context, np.arange(1, count + 1), hide(told, seen), {}, {})

    def highest(order: tuple[str, ...]) -> float:
        tree = model.tree(context)
        [looks] = looks_of(piece, tree, model.knowledge, order, {"vacuum_hold"}, rng)
        ratios = word_ratios(looks.foretold, looks.seen, word_bets(looks.foretold.shape[1]))
        stake = Stake(len(ratios), ratios.shape[1])
        stake.follow(ratios)
        return stake.highest

    assert highest(("oily_dirt", "vacuum_hold")) < threshold([0.0])
    assert highest(("vacuum_hold", "oily_dirt")) > threshold(np.zeros(120).tolist())


# ---------------------------------------------------------------- the small knowledge


def small(path: Path, rows: int = 300, seed: int = 5, **more: list[str]) -> Path:
    """Rows that no network foretold, some of which cannot be used."""
    invented = invented_rows(rows, seed)
    for name, cells in more.items():
        for row, cell in zip(invented, cells, strict=True):
            row[name] = cell
    path.write_text(csv_text(invented), encoding="utf-8")
    return path


def run(*words: object):
    return CliRunner().invoke(main, ["watch", *map(str, words), "--knowledge", str(SMALL)])


def test_a_killed_watch_goes_on_where_it_was_and_says_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("loopodds.drift.watching.PIECE_ROWS", 40)
    monkeypatch.setattr("loopodds.drift.watching.NOTED_EVERY_S", 0.0)
    archive = small(tmp_path / "a.csv")
    told: list[lo.WatchProgress] = []
    whole = lo.watch(archive, knowledge=SMALL, progress=told.append)
    stages = [one for one in told if one.stage == "foretelling"]
    assert len(stages) > 5

    for kill_at in (1, 3, 5):
        count = 0

        def killed(now: lo.WatchProgress, last: int = kill_at) -> None:
            nonlocal count
            count += now.stage == "foretelling"
            if count == last:
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            lo.watch(archive, knowledge=SMALL, keep=tmp_path / "kept", progress=killed)
    again: list[lo.WatchProgress] = []
    taken_up = lo.watch(archive, knowledge=SMALL, keep=tmp_path / "kept", progress=again.append)
    assert len([one for one in again if one.stage == "foretelling"]) < len(stages)
    assert taken_up.as_json() == whole.as_json()


def test_a_folder_of_another_job_is_refused(tmp_path: Path):
    kept = tmp_path / "kept"
    assert run(small(tmp_path / "a.csv"), "--keep", kept).exit_code in (0, 3)
    other = run(small(tmp_path / "b.csv", seed=6), "--keep", kept)
    assert other.exit_code == 1
    assert "is of another archive, knowledge or choice" in other.stderr
    (kept / "state.json").write_text("{", encoding="utf-8")
    assert "is damaged; remove" in run(tmp_path / "a.csv", "--keep", kept).stderr
    foreign = tmp_path / "mine"
    foreign.mkdir()
    (foreign / "letter.txt").write_text("dear")
    assert "no watch made it" in run(tmp_path / "a.csv", "--keep", foreign).stderr


def test_looks_that_were_lost_are_not_made_up(tmp_path: Path):
    archive, kept = small(tmp_path / "a.csv"), tmp_path / "kept"
    run(archive, "--keep", kept)
    largest = max((kept / "looks").iterdir(), key=lambda path: path.stat().st_size)
    largest.write_bytes(largest.read_bytes()[:-1])
    again = run(archive, "--keep", kept)
    assert again.exit_code == 1
    assert f"{largest.name}: is cut off; remove" in again.stderr


def test_csv_and_parquet_of_the_same_rows_say_the_same(tmp_path: Path):
    from invented_archives import write_archive

    rows = invented_rows(200, 9)
    one, other = (write_archive(rows, tmp_path / name) for name in ("a.csv", "a.parquet"))
    assert lo.watch(one, knowledge=SMALL).as_json() == lo.watch(other, knowledge=SMALL).as_json()


def test_rows_stand_in_the_order_of_their_dates(tmp_path: Path):
    days = [f"2026-{12 - i // 30:02d}-{28 - i % 28:02d}" for i in range(300)]
    found = lo.watch(small(tmp_path / "a.csv", date=days), knowledge=SMALL)
    assert found.ordered_by == "date"
    assert (found.first.date, found.last.date) == (min(days), max(days))
    assert found.first.row > found.last.row
    plain = lo.watch(small(tmp_path / "b.csv"), knowledge=SMALL)
    assert (plain.ordered_by, plain.first.row) == ("", 1)


def test_rows_without_a_date_are_told_of(tmp_path: Path):
    days = ["2026-03-17"] * 300
    days[6], days[9] = "17/3/2026", ""
    found = lo.watch(small(tmp_path / "a.csv", date=days), knowledge=SMALL)
    assert any("2 rows without a date" in w and "row 7, '17/3/2026'" in w for w in found.warnings)
    assert found.rows == lo.watch(small(tmp_path / "b.csv"), knowledge=SMALL).rows - 2
    none = run(small(tmp_path / "c.csv", date=["soon"] * 300))
    assert none.exit_code == 1
    assert "column 'date': no row has a date such as 2026-03-17 (row 1: 'soon')" in none.stderr


def test_rows_that_cannot_be_used_are_counted_and_written_down(tmp_path: Path):
    archive, rejects = small(tmp_path / "a.csv"), tmp_path / "rejects.csv"
    lines = archive.read_text(encoding="utf-8").splitlines()
    lines[7] = lines[7].replace("R134a", "R999")
    archive.write_text("\n".join(lines), encoding="utf-8")
    told = json.loads(run(archive, "--rejects", rejects, "--json").output)
    written = rejects.read_text(encoding="utf-8").splitlines()
    assert told["rows"] + told["rejected"] == 300
    assert len(written) == 1 + told["rejected"]
    assert any(line.startswith("7,refrigerant,R999,") for line in written)


def test_a_misspelt_column_is_answered_with_the_nearest(tmp_path: Path):
    archive = small(tmp_path / "a.csv")
    for option in ("--by", "--date"):
        refused = run(archive, option, "remarc")
        assert refused.exit_code == 1
        assert "did you mean 'remark'?" in refused.stderr


@pytest.mark.slow
def test_an_alarm_has_a_page_of_eighty_columns_a_picture_and_an_exit_code(tmp_path: Path):
    archive, picture = small(tmp_path / "a.csv", 1500), tmp_path / "watch.svg"
    shown = run(archive, "--picture", picture)
    assert shown.exit_code == 3
    assert "NOT AS FORETOLD" in shown.output
    assert max(map(len, shown.output.splitlines())) <= 80
    assert picture.read_text(encoding="utf-8").startswith("<?xml")
    told = json.loads(run(archive, "--json").output)
    first = told["alarms"][0]
    assert first["p_value"] <= told["needed"]
    assert {"since", "expected", "seen", "offset", "carried_by", "explained"} <= first.keys()
    assert all(alarm["name"] in shown.output or alarm["kind"] for alarm in told["alarms"])


def test_a_book_is_watched_by_its_closed_cases(tmp_path: Path):
    book = tmp_path / "cases.db"

    def case(*words: str):
        own = ["--book", str(book), "--knowledge", str(SMALL)]
        done = CliRunner().invoke(main, ["case", words[0], *own, *words[1:]])
        assert done.exit_code == 0, done.output

    case("open", "sample_bubbles=persisting")
    empty = run(book)
    assert empty.exit_code == 1
    assert "no case of the book is closed" in empty.stderr
    case("close", "1", "--unconfirmed")
    found = lo.watch(book, knowledge=SMALL)
    assert (found.rows, found.ordered_by, found.alarms) == (1, "opened", ())
    shown = run(book)
    assert shown.exit_code == 0
    assert "TOO FEW LOOKS TO SAY" in shown.output
    assert "too few to draw" in run(book, "--picture", tmp_path / "a.svg").stderr


@pytest.mark.slow
def test_the_demo_archives_are_as_the_knowledge_says() -> None:
    for archive in ("@metric", "@us"):
        result = lo.watch(archive)
        assert not result.alarms, [alarm.name for alarm in result.alarms]
        assert result.least_p > 10 * result.needed
