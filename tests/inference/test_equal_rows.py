"""Equal rows are worked out once, and a row's answer does not hang on the rows beside it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from loopodds.base.equal_rows import Answers, Room, distinct, words_of
from loopodds.diagnosis import model as model_module
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.simulation import hide_at_random, simulate
from loopodds.inference.flat_tree import LoopTree
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Evidence
from random_networks import random_evidence, random_network
from shared import CONTEXT, TWELVE_WORDS

tables = arrays(
    np.int32, st.tuples(st.integers(0, 60), st.integers(0, 4)), elements=st.integers(-1, 2)
)
often = settings(max_examples=80, deadline=None, derandomize=True)


def everything(tree: JunctionTree, evidence: Evidence) -> np.ndarray:
    found = tree.propagate(evidence, [(name,) for name in tree.network.hidden])
    return np.column_stack([found.log_evidence, *(found[name] for name in tree.network.hidden)])


@often
@given(tables)
def test_distinct_rows_are_those_numpy_finds(table):
    first, place = distinct(table)
    assert (table[first][place] == table).all()
    assert len(first) == (len(np.unique(table, axis=0)) if table.size else min(len(table), 1))
    assert (np.diff(first) > 0).all()


def test_words_tell_floats_apart_by_their_bits_and_take_missing_for_equal():
    numbers = np.array([[1.0], [1.0 + 2**-52], [np.nan], [np.nan]])
    first, place = distinct(words_of([np.zeros((4, 1), np.int32), numbers]))
    assert first.tolist() == [0, 1, 2]
    assert place.tolist() == [0, 1, 2, 2]


@often
@given(
    st.lists(tables.filter(lambda table: table.shape[1] == 3), max_size=6), st.integers(0, 10**6)
)
def test_kept_answers_are_those_worked_out_whatever_room_there_is(batches, room):
    met, asked = Answers(Room(room), 3, 2), 0
    for table in batches:
        first, _ = distinct(table)
        rows = table[first]

        def work(new, rows=rows):
            nonlocal asked
            asked += len(new)
            return np.column_stack([rows[new].sum(axis=1), rows[new] @ [1, 10, 100]])

        found = met.of(rows, work)
        assert (found == np.column_stack([rows.sum(axis=1), rows @ [1, 10, 100]])).all()
    every = sum(len(distinct(table)[0]) for table in batches)
    assert asked <= every
    if room > 500_000:
        assert asked == len({tuple(row) for table in batches for row in table.tolist()})


def test_threads_may_share_answers():
    met, rng = Answers(Room(2**24), 2, 1), np.random.default_rng(0)
    batches = [rng.integers(0, 60, (500, 2)).astype(np.int32) for _ in range(60)]

    def right(table):
        rows = table[distinct(table)[0]]
        return (met.of(rows, lambda new: rows[new] @ [[1.0], [100.0]]) == rows @ [[1], [100]]).all()

    with ThreadPoolExecutor(4) as threads:
        assert all(threads.map(right, batches))


@pytest.mark.parametrize("seed", range(12))
def test_a_row_is_answered_to_the_bit_alike_in_whatever_company(seed):
    rng = np.random.default_rng(seed)
    network = random_network(rng)
    tree, evidence = JunctionTree(network, True), random_evidence(network, rng, 90)
    whole = everything(tree, evidence)
    for some in (rng.permutation(90), rng.choice(90, 70), np.arange(3, 8), np.array([11])):
        np.testing.assert_array_equal(everything(tree, evidence.take(some)), whole[some])


def test_so_is_a_car_of_the_shipped_network_whose_neighbours_saw_other_things():
    model, rng = Model(compiled=True), np.random.default_rng(3)
    tree = model.tree(CONTEXT)
    evidence = hide_at_random(simulate(model, CONTEXT, 400, rng).evidence, 0.3, rng)
    whole = everything(tree, evidence)
    some = rng.permutation(400)
    np.testing.assert_array_equal(everything(tree, evidence.take(some)), whole[some])
    np.testing.assert_array_equal(everything(tree, evidence.take(slice(7, 8))), whole[7:8])


@pytest.mark.parametrize("room", [0, 60_000, 2**26])
def test_rows_met_in_an_earlier_batch_are_not_worked_out_again(room, monkeypatch):
    monkeypatch.setattr(model_module, "MOST_REMEMBERED", room)
    worked, run = [], LoopTree.propagate

    def counted(self, names, queries, order, *rest):
        worked.append(len(order))
        run(self, names, queries, order, *rest)

    columns, rng = frozenset(TWELVE_WORDS[:4]), np.random.default_rng(room)

    def model() -> Model:
        return Model(compiled=True, looked_at=columns)

    met = model()
    batches = [
        Evidence(3000, {name: rng.integers(-1, len(met.states(name)), 3000) for name in columns})
        for _ in range(3)
    ]
    fresh = [model().believe(CONTEXT, batch) for batch in batches]
    monkeypatch.setattr(LoopTree, "propagate", counted)
    for batch, expected in zip(batches, fresh, strict=True):
        found = met.believe(CONTEXT, batch)
        np.testing.assert_array_equal(found.table(), expected.table())
        assert found.distinct == expected.distinct
    kinds = int(np.prod([len(met.states(name)) + 1 for name in columns]))
    # once for all faults and once for none at all
    assert sum(worked) <= 2 * kinds if room > 2**20 else sum(worked) > 2 * kinds
