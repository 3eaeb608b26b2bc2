"""A pandas frame is scored row by row as the same rows in a file are; nothing of it is lost."""

from __future__ import annotations

from pathlib import Path

import loopodds as lo
import numpy as np
import pandas as pd
import pytest
from invented_archives import NUMBERS, SMALL, changed_knowledge, invented_rows


@pytest.fixture
def frame() -> pd.DataFrame:
    """Sixty rows under their order numbers, two of which cannot be scored."""
    cars = pd.DataFrame(invented_rows(60, 51)).replace("", None)
    cars = cars.astype(dict.fromkeys(NUMBERS, float)).set_index("order", drop=False)
    cars.loc["T000004", "sample_specks"] = "gritty"
    cars.loc["T000031", "ambient_degC"] = 250.0
    return cars


@pytest.mark.parametrize("how", [{}, {"part_rows": 7}, {"part_rows": 20, "workers": 2}])
def test_a_frame_is_scored_as_the_file_that_holds_the_same_rows(
    how: dict[str, int], frame: pd.DataFrame, tmp_path: Path
) -> None:
    frame.to_parquet(tmp_path / "in.parquet", index=False)
    summary = lo.score(tmp_path / "in.parquet", tmp_path / "out.parquet", knowledge=SMALL)
    scored = lo.score(frame, knowledge=SMALL, **how)
    good = scored[scored["reject"].isna()].drop(columns="reject").reset_index(drop=True)
    file = pd.read_parquet(tmp_path / "out.parquet")
    # parts are cut elsewhere, so sums may run in another order
    pd.testing.assert_frame_equal(good, file, rtol=0, atol=1e-12, check_dtype=False)
    counted = scored.attrs["summary"]
    assert (counted["rows"], counted["scored"], counted["rejected"]) == (60, 58, 2)
    assert counted["rejected_by"] == summary.tally.rejected_by
    assert counted["expected"] == pytest.approx(summary.tally.expected, abs=1e-9)


def test_intervals_stand_behind_all_else_alike_in_every_form(
    frame: pd.DataFrame, tmp_path: Path
) -> None:
    known, how = lo.Knowledge(SMALL), {"knowledge": SMALL, "intervals": True}
    scored = lo.score(frame, **how)
    good = scored[scored["reject"].isna()].drop(columns="reject").reset_index(drop=True)
    ends = [f"{e}_{name}" for name in (*known.conditions, "sound") for e in ("low", "high")]
    assert list(good.columns[-len(ends) :]) == ends
    plain = lo.score(frame, knowledge=SMALL).drop(columns="reject")
    assert list(good.columns[: -len(ends)]) == list(plain.columns)
    for name in ("moisture", "sound"):
        assert (good[f"low_{name}"] <= good[f"p_{name}"]).all()
        assert (good[f"p_{name}"] <= good[f"high_{name}"]).all()
    frame.to_parquet(tmp_path / "in.parquet", index=False)
    frame.to_csv(tmp_path / "in.csv", index=False)
    for source in ("in.parquet", "in.csv"):
        for out in ("out.parquet", "out.csv"):
            lo.score(tmp_path / source, tmp_path / out, part_rows=11, overwrite=True, **how)
            read = pd.read_csv if out.endswith("csv") else pd.read_parquet
            there, digits = read(tmp_path / out), 5e-5 if out.endswith("csv") else 1e-12
            assert there[ends].to_numpy() == pytest.approx(good[ends].to_numpy(), abs=digits)
    with pytest.raises(lo.InspectionError, match="'low_moisture' is one that scoring adds"):
        lo.score(frame.assign(low_moisture=0.5), **how)
    assert (lo.score(frame.assign(low_moisture=0.5), knowledge=SMALL)["low_moisture"] == 0.5).all()


def test_every_row_and_column_of_the_frame_comes_back_as_it_was(frame: pd.DataFrame) -> None:
    frame["seen"] = pd.date_range("2031-01-01", periods=60)
    frame["kind"] = pd.Categorical(["van", "bus"] * 30)
    frame.attrs["year"] = 2031
    before = frame.copy(deep=True)
    scored = lo.score(frame, knowledge=SMALL)
    pd.testing.assert_frame_equal(frame, before)
    pd.testing.assert_frame_equal(scored[list(frame.columns)], frame)
    assert scored.attrs["year"] == 2031
    assert list(scored.columns[-5:]) == [
        "p_sound", "log_evidence", "top_condition", "stops", "reject",
    ]  # fmt: skip


def test_a_row_that_cannot_be_scored_says_why_and_has_no_numbers(frame: pd.DataFrame) -> None:
    scored = lo.score(frame, knowledge=SMALL)
    bad = scored[scored["reject"].notna()]
    assert bad["reject"].to_dict() == {
        "T000004": "sample_specks 'gritty': unknown state 'gritty'; did you mean 'grit'?",
        "T000031": "ambient_degC '250.0': air around a car is between -50 and 60 degC",
    }
    assert bad.filter(regex="^(p_|log_|top_)").isna().all(axis=None)
    assert scored.drop(index=bad.index).filter(regex="^(p_|log_|top_)").notna().all(axis=None)


def test_frames_with_few_rows_or_none(frame: pd.DataFrame) -> None:
    none = lo.score(frame.iloc[:0], knowledge=SMALL)
    assert len(none) == 0
    assert "p_moisture" in none
    bad = lo.score(frame.loc[["T000004", "T000004"]], knowledge=SMALL)
    assert bad["reject"].notna().all()
    assert bad["p_sound"].dtype == np.float64


def test_a_column_that_looks_like_a_slip_is_warned_about(frame: pd.DataFrame) -> None:
    frame["smple_bubbles"] = "none"
    with pytest.warns(UserWarning, match="did you mean 'sample_bubbles'"):
        scored = lo.score(frame, knowledge=SMALL)
    assert "did you mean 'sample_bubbles'" in scored.attrs["summary"]["warnings"][0]


HARMS = '[moisture]\ndamp = 100\nwet = 1000\nsource = "invented"\ngrade = "estimate"\nweight = 1\n'


def test_inspections_worth_reopening_are_listed_with_the_frame(
    frame: pd.DataFrame, tmp_path: Path
) -> None:
    knowledge = changed_knowledge(tmp_path / "knowledge", harms=lambda _: HARMS)
    review = lo.score(frame, knowledge=knowledge, review=3).attrs["summary"]["review"]
    assert len(review) == 3
    assert {entry["columns"]["order"] for entry in review} <= {*frame["order"]}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda f: f.rename(columns={"remark": "cooling"}), "two columns are called 'cooling'"),
        (lambda f: f.rename(columns={"remark": "reject"}), "column 'reject' is one that scoring"),
        (lambda f: f.rename(columns={"remark": "p_sound"}), "was scored before"),
        (lambda f: f.rename(columns={"remark": 7}), "column 7 has no name"),
        (lambda f: f.assign(remark=[1, "two"] * 30), "column remark"),
        (lambda f: f[["remark"]], "none of the 1 columns is a known finding"),
        (lambda f: f.to_dict(), "dict: neither a path nor a pandas frame"),
    ],
)
def test_a_frame_that_cannot_be_read_is_refused(change, message: str, frame: pd.DataFrame) -> None:
    with pytest.raises(lo.InspectionError) as caught:
        lo.score(change(frame), knowledge=SMALL)
    assert message in str(caught.value)


def test_a_frame_goes_to_a_frame_and_a_file_to_a_file(frame: pd.DataFrame, tmp_path: Path) -> None:
    for files in ({"out": tmp_path / "out.csv"}, {"rejects": "bad.csv"}, {"resume": True}):
        with pytest.raises(lo.InspectionError, match="a frame is scored into a frame"):
            lo.score(frame, knowledge=SMALL, **files)
    with pytest.raises(lo.InspectionError, match="name the file that the scored rows go to"):
        lo.score(tmp_path / "in.csv", knowledge=SMALL)
