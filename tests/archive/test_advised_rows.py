"""What scoring says to do with a row is what the single case says; the text of it is short."""

from __future__ import annotations

import gzip
from importlib import resources
from pathlib import Path

import loopodds as lo
import numpy as np
import pandas as pd
import pytest
from invented_archives import SMALL, invented_rows, write_archive
from loopodds.advice.batches import next_tests, plans_of
from loopodds.archive.outputs import written_chances
from loopodds.inspection.encoding import encode, inspection_at
from loopodds.inspection.inspection import batch_of
from shared import assessed, shipped

ROWS = range(0, 2300, 160)


def test_the_plan_of_every_row_is_the_plan_of_the_single_case() -> None:
    model = shipped()
    batch = next(lo.read_inspections("@metric", model.knowledge)).batch.take(np.array(ROWS))
    encoding = encode(batch, model.knowledge)
    beliefs = [model.believe(group.context, group.evidence) for group in encoding.groups]
    plans = plans_of(encoding, beliefs, model)
    for row in range(batch.rows):
        alone = lo.assess(inspection_at(batch, row, model.knowledge), model).plan
        assert alone is not None
        assert plans.services[row] == alone.services
        assert plans.cost[row] == pytest.approx(alone.cost, abs=1e-7)
    assert len({*plans.services}) > 4
    assert (plans.leaving >= 0).all()


@pytest.mark.slow
def test_demo_cases_as_rows_have_the_plan_and_the_next_test_of_the_cases() -> None:
    model = shipped()
    cases = [assessed(name) for name in lo.demo_cases()]
    whole = [case for case in cases if not case.repairs and not case.inspection.tests_done]
    batch = batch_of([case.inspection for case in whole], model.knowledge)
    encoding = encode(batch, model.knowledge)
    beliefs = [model.believe(group.context, group.evidence) for group in encoding.groups]
    plans = plans_of(encoding, beliefs, model)
    assert plans.services == [case.plan.services for case in whole if case.plan]
    assert plans.cost.tolist() == pytest.approx([case.plan.cost for case in whole if case.plan])
    some = batch.take(np.arange(1))
    logs = np.zeros(1)
    assert next_tests(encode(some, model.knowledge), logs, model) == [
        next(iter(case.to_test), "") for case in whole[:1]
    ]


@pytest.fixture(scope="module")
def some(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first rows of the demo archive, the same ones twice."""
    with resources.as_file(resources.files("loopodds_data") / "archive" / "metric.csv.gz") as whole:
        head, *rows = gzip.decompress(whole.read_bytes()).splitlines()[:3]
    path = tmp_path_factory.mktemp("some") / "in.csv"
    path.write_bytes(b"\n".join([head, *rows, *rows, b""]))
    return path


@pytest.mark.slow
def test_plans_and_tests_stand_behind_all_else_in_every_format(some: Path, tmp_path: Path) -> None:
    frame = lo.score(pd.read_csv(some, dtype=str), plan=True, next=True)
    added = ["plan", "plan_cost", "next_test"]
    assert list(frame.columns[-4:-1]) == added
    for out in ("out.csv", "out.parquet"):
        # equal rows are worked out once, so the second half is free
        lo.score(some, tmp_path / out, plan=True, next=True, part_rows=3, overwrite=True)
        read = pd.read_parquet if out.endswith("parquet") else pd.read_csv
        scored = read(tmp_path / out)
        assert list(scored.columns[-3:]) == added
        for name in ("plan", "next_test"):
            assert (
                scored[name].astype(object).fillna("").tolist() == frame[name].fillna("").tolist()
            )
        assert scored["plan_cost"].to_numpy() == pytest.approx(frame["plan_cost"], abs=0.005)


def test_a_price_file_changes_the_plans_of_an_archive(some: Path, tmp_path: Path) -> None:
    prices = tmp_path / "prices.toml"
    prices.write_text("labour_rate = 600\n", encoding="utf-8")
    frame = pd.read_csv(some, dtype=str, nrows=4)
    cheap = lo.score(frame, plan=True)["plan_cost"]
    dear = lo.score(frame, plan=True, prices=prices)["plan_cost"]
    assert (dear > cheap + 1).any()
    assert (dear >= cheap - 1e-9).all()


def test_a_file_that_is_there_is_not_replaced_unasked(tmp_path: Path) -> None:
    source = write_archive(invented_rows(5, 7), tmp_path / "in.csv")
    lo.score(source, tmp_path / "out.csv", knowledge=SMALL)
    before = (tmp_path / "out.csv").read_bytes()
    for resume in (False, True):
        with pytest.raises(lo.FileError, match="is there already") as caught:
            lo.score(source, tmp_path / "out.csv", knowledge=SMALL, review=2, resume=resume)
        assert caught.value.remedy == "overwrite"
    assert (tmp_path / "out.csv").read_bytes() == before
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "in.csv",
        "out.csv",
        "out.rejects.csv",
    ]
    lo.score(source, tmp_path / "out.csv", knowledge=SMALL, overwrite=True)


def test_a_probability_has_four_digits_of_what_is_nearer_none_or_all() -> None:
    rng = np.random.default_rng(3)
    chances = np.concatenate([[0.0, 1.0, 0.5, 3.21987e-19], 10.0 ** rng.uniform(-14, 0, 500)])
    for values in (chances, 1 - chances):
        written = written_chances(values)
        nearer = np.minimum(values, 1 - values)
        assert (np.abs(written - values) <= 0.5001e-3 * nearer + 4e-16).all()
        assert ((written >= 0) & (written <= 1)).all()
        assert ((written == 0) == (values == 0)).all()
    shown = [f"{value:.17g}" for value in written_chances(np.array([0.123456, 0.99998765432]))]
    assert [float(text) for text in shown] == [0.1235, 0.99998765]
