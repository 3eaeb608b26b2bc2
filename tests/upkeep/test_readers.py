"""People who look: a colour bias is found and corrected, and many looks stay one sample."""

from __future__ import annotations

import csv
import json
from itertools import permutations
from pathlib import Path

import loopodds as lo
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from loopodds.archive.encoded import Piece
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.simulation import hide_at_random, simulate
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.tables import as_the_trade, eyes_of, readers_text, seen_together
from loopodds.upkeep.confirmation import read_ways
from loopodds.upkeep.estimation import Learner
from loopodds.upkeep.readers import learnt_readers, seats_of, through_eyes
from loopodds_cli.main import main
from simulated_archives import contexts, write_words

FEW = {"expansion": ("TXV",), "compressor": ("fixed",), "weather": ("warm",),
       "age": ("to_10_years", "over_15_years")}  # fmt: skip
PEOPLE = ("anna", "ben", "carl", "dora")
SEATS = seats_of("who", {"who": PEOPLE})
DARKER = np.array([[0.45, 0.5, 0.05, 0], [0, 0.3, 0.6, 0.1], [0, 0, 0.5, 0.5], [0, 0, 0, 1.0]])
"""What the one with the bias says by the word of the trade: a step darker half of the time."""


def looked_at(seed: int, rows: int, biased: int | None) -> tuple[Model, list[Piece], list]:
    """Cars of which each sample was looked at by one of four; the biased one sees it darker."""
    rng, model, found, plain = np.random.default_rng(seed), Model(compiled=True), [], []
    for context in contexts(FEW):
        cars = simulate(model, context, rows // 2, rng)
        who = rng.integers(0, 4, rows // 2)
        code = cars.evidence.codes["sample_darkening"]
        plain.append(code.copy())
        if biased is not None:
            table = DARKER.cumsum(axis=1)
            said = (rng.random(len(code))[:, None] >= table[code][:, :3]).sum(axis=1)
            code[:] = np.where(who == biased, said, code)
        evidence = hide_at_random(cars.evidence, 0.5, rng)
        found.append(Piece(context, np.arange(rows // 2), evidence, {}, {"who": who}))
    return model, found, plain


@pytest.mark.slow
def test_a_planted_colour_bias_is_found_and_nobody_else_accused():
    model, pieces, _ = looked_at(3, 1600, biased=2)
    learner = Learner(model.knowledge, read_ways(None))
    lookers, readers = learnt_readers(learner, lambda: pieces, learner.start, SEATS)
    assert [(one.person, one.finding) for one in lookers if one.off] == [
        ("carl", "sample_darkening")
    ]
    first = lookers[0]
    assert first.steps == pytest.approx(0.6, abs=0.12)
    found = np.array(readers["carl"]["sample_darkening"].chances)
    assert np.abs(found - DARKER)[0].max() < 0.15
    others = np.array(readers["anna"]["sample_darkening"].chances)
    assert np.abs(others - as_the_trade(4)).max() < 0.15


@pytest.mark.slow
def test_what_is_believed_of_the_cars_of_a_biased_eye_is_put_right():
    """Mean distance of the probability that the compressor ran too hot from that with the words of
    the trade, over carl's cars: less than half of what it is with carl's words as they stand.
    """
    model, pieces, plain = looked_at(3, 1600, biased=2)
    learner = Learner(model.knowledge, read_ways(None))
    _, readers = learnt_readers(learner, lambda: pieces, learner.start, SEATS)
    far = {"said": [], "corrected": []}
    for piece, words in zip(pieces, plain, strict=True):
        tree = model.tree(piece.context)
        rows = (piece.tags["who"] == 2) & (piece.evidence.codes["sample_darkening"] >= 0)

        def hot(evidence: object, tree: object = tree) -> np.ndarray:
            query = [("compressor_overheating",)]
            return 1 - tree.propagate(evidence, query)[query[0]][:, 0]  # type: ignore[attr-defined]

        right = dict(piece.evidence.codes)
        right["sample_darkening"] = np.where(rows, words, right["sample_darkening"])
        truth = hot(type(piece.evidence)(piece.evidence.rows, right, {}, piece.evidence.numbers))
        seen = through_eyes(piece, model.knowledge, readers, SEATS)
        far["said"].append(np.abs(hot(piece.evidence) - truth)[rows])
        far["corrected"].append(np.abs(hot(seen.evidence) - truth)[rows])
    said, corrected = (np.concatenate(far[key]).mean() for key in ("said", "corrected"))
    assert said > 0.05
    assert corrected < 0.6 * said


@pytest.mark.slow
def test_nobody_is_accused_where_all_see_alike():
    accused = 0
    for seed in range(10, 16):
        model, pieces, _ = looked_at(seed, 500, biased=None)
        learner = Learner(model.knowledge, read_ways(None))
        lookers, _ = learnt_readers(learner, lambda p=pieces: p, learner.start, SEATS)
        accused += any(one.off for one in lookers)
    assert accused == 0


STRANGERS = eyes_of({}, (), "sample_darkening", 4)


def together(eyes: np.ndarray, who: list[int], words: list[int]) -> np.ndarray:
    """Likelihood of the word of the trade for one sample."""
    seen = seen_together(eyes, np.array([who]), np.array([words]))
    return seen.likelihood[0] if seen.open[0] else np.eye(eyes.shape[1])[seen.word[0]]


@given(st.lists(st.tuples(st.integers(-1, 1), st.integers(0, 3)), min_size=1, max_size=5))
@settings(max_examples=60, deadline=None)
def test_looks_at_one_sample_in_any_order_never_tell_more_than_its_true_word(
    looks: list[tuple[int, int]],
):
    """However many look, of whom something is known or nothing: at most what the word of the trade
    itself would tell of the compressor.
    """
    eyes = np.stack([DARKER + 0.01, as_the_trade(4)])
    eyes = np.stack([*(eyes / eyes.sum(axis=2, keepdims=True)), as_the_trade(4)])
    tree, query = _model().tree({"age": "to_10_years"}), [("compressor_overheating",)]
    told = together(eyes, *map(list, zip(*looks, strict=True)))
    for order in [*permutations(looks)][:6]:
        assert together(eyes, *map(list, zip(*order, strict=True))) == pytest.approx(told)
    now = tree.propagate(lo_evidence({"sample_darkening": told[None]}), query)[query[0]][0]
    ends = tree.propagate(lo_evidence({"sample_darkening": np.eye(4)}), query)[query[0]]
    assert (ends.min(axis=0) - 1e-9 <= now).all()
    assert (now <= ends.max(axis=0) + 1e-9).all()


def test_a_second_look_that_agrees_makes_surer_and_one_that_differs_leaves_both_open():
    known = np.stack([as_the_trade(4)] * 3)
    first, second = together(known, [0], [2]), together(known, [0, 1], [2, 2])
    assert second[2] == first[2] == 1.0
    assert (second[[0, 1, 3]] < first[[0, 1, 3]]).all()
    apart = together(known, [0, 1], [2, 1])
    assert apart[1] == pytest.approx(apart[2])
    assert together(STRANGERS, [-1, -1], [2, 2]).tolist() == [0, 0, 1, 0]


def test_two_readers_of_one_sample_are_no_two_samples():
    """A fault of prior .2, a test right in .9 and .85, readers right in .8: both say it is there.
    Worked by hand: .116 / .220; as two samples it would be .619.
    """
    eye = np.array([[0.8, 0.2], [0.2, 0.8]])
    told = together(np.stack([eye] * 3), [0, 1], [1, 1])
    fault, sound = 0.2 * (told @ [0.1, 0.9]), 0.8 * (told @ [0.85, 0.15])
    assert fault / (fault + sound) == pytest.approx(0.5272727, abs=1e-7)


@pytest.mark.slow
def test_second_looks_teach_more_of_an_eye():
    """Half as many cars, each looked at by the one with the bias and by somebody else."""
    rng, model = np.random.default_rng(4), Model(compiled=True)
    context = next(iter(contexts(FEW)))
    cars = simulate(model, context, 250, rng)
    plain = cars.evidence.codes["sample_darkening"].copy()
    said = (rng.random(250)[:, None] >= DARKER.cumsum(axis=1)[plain][:, :3]).sum(axis=1)
    cars.evidence.codes["sample_darkening"][:] = said
    evidence = hide_at_random(cars.evidence, 0.5, rng)
    tags = {"who": np.zeros(250, int), "second_who": np.zeros(250, int)}
    seats = seats_of("who", {"who": ["carl"], "second_who": ["anna"]})
    learner, far = Learner(model.knowledge, read_ways(None)), []
    for second in (np.full(250, -1), plain):
        piece = Piece(context, np.arange(250), evidence, {},
                      {**tags, "second_sample_darkening": second})  # fmt: skip
        _, readers = learnt_readers(learner, lambda p=piece: [p], learner.start, seats)
        found = np.array(readers["carl"]["sample_darkening"].chances)
        far.append(np.abs(found - DARKER)[0].sum())
    assert far[1] < far[0]


def lo_evidence(soft: dict[str, np.ndarray]):
    from loopodds.inference.network import Evidence

    return Evidence(len(next(iter(soft.values()))), {}, soft)


MODELS: list[Model] = []


def _model() -> Model:
    if not MODELS:
        MODELS.append(Model())
    return MODELS[0]


@pytest.fixture(scope="module")
def learnt(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict]:
    """An archive with a biased eye, learnt from by the command."""
    folder = tmp_path_factory.mktemp("eyes")
    model, rng = Model(), np.random.default_rng(9)
    cars = simulate(model, {}, 900, rng)
    who = rng.integers(0, 3, 900)
    code = cars.evidence.codes["sample_darkening"]
    said = (rng.random(900)[:, None] >= DARKER.cumsum(axis=1)[code][:, :3]).sum(axis=1)
    code[:] = np.where(who == 1, said, code)
    some = ("sample_darkening", "sample_cloudiness", "burnt_smell", "sample_bubbles")
    seen = {name: rng.random(900) < 0.8 for name in some}
    path = write_words(
        model, cars, folder / "a.csv", seen, {}, {"looked_by": [PEOPLE[i] for i in who]}
    )
    words = ["learn", str(path), "--out", str(folder / "new"), "--reader", "looked_by", "--json"]
    done = CliRunner().invoke(main, words)
    assert done.exit_code in (0, 1), done.output
    return folder, json.loads(done.stdout)


@pytest.mark.slow
def test_the_folder_learnt_knows_everybodys_eye(learnt):
    folder, told = learnt
    assert told["written"]
    assert told["readers"][0]["person"] == "ben"
    assert told["readers"][0]["off"]
    known = Knowledge(folder / "new").readers
    assert {*known} == set(PEOPLE[:3])
    assert known["ben"]["sample_darkening"].looks > 150


@pytest.mark.slow
def test_who_looked_counts_in_a_case_and_in_an_archive(learnt, tmp_path: Path):
    folder, _ = learnt
    knowledge = Knowledge(folder / "new")
    model = Model(knowledge)
    hot = {}
    for person in ("anna", "ben", "nobody_known"):
        case = lo.read_case(f'[looks.{person}]\nsample_darkening = "brown"\n', knowledge)
        hot[person] = 1 - lo.assess(case, model).belief.fault("compressor_overheating")["absent"]
    assert hot["ben"] < hot["anna"] - 0.02
    plain = lo.read_case('[findings]\nsample_darkening = "brown"\n', knowledge)
    assert (
        hot["nobody_known"]
        == 1 - lo.assess(plain, model).belief.fault("compressor_overheating")["absent"]
    )
    path = tmp_path / "two.csv"
    columns = "looked_by", "sample_darkening", "second_looked_by", "second_sample_darkening"
    rows = [
        ("anna", "brown", "", ""), ("ben", "brown", "", ""), ("nobody_known", "brown", "", ""),
        ("", "brown", "", ""), ("anna", "brown", "ben", "black"), ("ben", "black", "anna", "brown"),
    ]  # fmt: skip
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([columns, *rows])
    summary = lo.score(path, tmp_path / "scored.parquet", knowledge=folder / "new")
    assert summary.tally.rejected == 0
    frame = pd.read_parquet(tmp_path / "scored.parquet")
    scored = frame["p_compressor_overheating"].to_list()
    assert scored[1] < scored[0] - 0.02
    assert scored[2] == scored[3]
    assert scored[4] == scored[5]
    both = lo.read_case(
        '[looks.ben]\nsample_darkening = "black"\n[looks.anna]\nsample_darkening = "brown"\n',
        knowledge,
    )
    believed = lo.assess(both, model).belief.condition("compressor_overheating")
    assert scored[4] == pytest.approx(believed, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[looks.anna]\nsample_darkening = "brwn"', ["case.toml:1", "anna", "mean 'brown'"]),
        ('[looks.anna]\nline_bubbles = "none"', ["line_bubbles is not a finding judged by eye"]),
        (
            'findings = 3\n[looks.a]\nsample_darkening = "none"',
            ["[findings]", "a section with names"],
        ),
        ('[looks]\nsample_darkening = "brown"', ["findings below a name", "[looks.anna]"]),
        (
            '[findings]\nsample_darkening = "none"\n[looks.a]\nsample_darkening = "none"',
            ["case.toml:2", "stands in [looks] too"],
        ),
    ],
)
def test_looks_that_cannot_be_used_are_refused_by_name(text: str, words: list[str], tmp_path: Path):
    path = tmp_path / "case.toml"
    path.write_text(text + "\n", encoding="utf-8")
    refused = CliRunner().invoke(main, ["assess", str(path)])
    assert refused.exit_code == 1
    for word in words:
        assert word in refused.stderr


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("sample_darkening", "sample_darkenning"), "did you mean 'sample_darkening'"),
        (("brown", "braun"), "needs looks and a list for each of none, light_grey, brown, black"),
        (("looks = 40.0", "looks = -1"), "a number of looks"),
        (("0.97, ", "0.37, "), "chances above 0 that add up to one"),
    ],
)
def test_a_table_of_somebodys_eye_that_cannot_be_is_refused(change, words: str, tmp_path: Path):
    knowledge = Knowledge()
    table = tuple(tuple(row) for row in as_the_trade(4).tolist())
    text = readers_text({"anna": {"sample_darkening": lo_eye(40.0, table)}}, knowledge.nodes)
    assert change[0] in text
    texts = {**knowledge.texts, "readers.toml": text}
    assert Knowledge.of_texts(texts).readers["anna"]["sample_darkening"].looks == 40
    with pytest.raises(lo.LoopoddsError, match=r"readers\.toml: \[anna\.") as refused:
        Knowledge.of_texts({**texts, "readers.toml": text.replace(*change, 1)})
    assert words in str(refused.value)


def lo_eye(looks: float, table: tuple):
    from loopodds.knowledge.tables import Eye

    return Eye(looks, table)
