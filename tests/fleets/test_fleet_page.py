"""The owner's page: its numbers are those of the scored rows, and nothing in it runs."""

from __future__ import annotations

import base64
import csv
import gzip
import io
import json
import re
from collections import Counter
from importlib import resources
from pathlib import Path

import loopodds as lo
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result
from loopodds_cli.main import main

ROWS = 48
NASTY = '=HYPERLINK("x")<script>alert(1)</script>'


def run(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def demo_rows(count: int) -> pd.DataFrame:
    with resources.as_file(resources.files("loopodds_data") / "archive" / "metric.csv.gz") as path:
        lines = gzip.decompress(path.read_bytes()).splitlines()
    return pd.read_csv(io.BytesIO(b"\n".join(lines[: count + 1])), dtype=str)


@pytest.fixture(scope="module")
def cars() -> pd.DataFrame:
    """Demo cars with dates and a workshop whose name would do harm."""
    rows = demo_rows(ROWS)
    rows["date"] = [f"{1 + i % 28:02d}.{1 + i % 3:02d}.2026" for i in range(len(rows))]
    rows["workshop"] = [NASTY if i % 2 else "B & C" for i in range(len(rows))]
    rows["order"] = ["@SUM(1)" + order for order in rows["order"]]
    return rows


@pytest.fixture(scope="module")
def made(cars: pd.DataFrame) -> lo.Fleet:
    return lo.fleet(cars)


@pytest.fixture(scope="module")
def page(cars: pd.DataFrame, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fleet")
    cars.to_csv(folder / "in.csv", index=False)
    told = run("fleet", folder / "in.csv", "--out", folder / "page.html", "--json")
    assert told.exit_code == 0, told.output
    (folder / "said.json").write_text(told.stdout, encoding="utf-8")
    return folder / "page.html"


def test_the_sums_are_those_of_the_scored_rows(cars: pd.DataFrame, made: lo.Fleet) -> None:
    scored = lo.score(cars, plan=True)
    good = scored[scored["reject"].isna()]
    for row in made.by_condition:
        assert row["expected"] == pytest.approx(good[f"p_{row['condition']}"].sum(), rel=1e-9)
        assert row["low"] <= row["expected"] + 1
        assert row["high"] >= row["expected"] - 1
    planned = Counter(name for plan in good["plan"] for name in plan.split())
    assert {row["service"]: row["cars"] for row in made.by_service} == planned
    assert made.whole.planned == pytest.approx(good["plan_cost"].sum(), rel=1e-9)
    assert made.whole.stopped == (good["stops"] != "").sum()
    by_workshop = good.groupby("workshop")["p_leak"].sum()
    for row in made.by_group["workshop"]:
        assert row["leak"] == pytest.approx(by_workshop[row["value"]], rel=1e-9)


def test_columns_to_compare_by_are_found_and_dates_become_months(made: lo.Fleet) -> None:
    assert list(made.by_group) == ["workshop", "date", "refrigerant"]
    assert [row["value"] for row in made.by_group["date"]] == ["2026-01", "2026-02", "2026-03"]


def test_looking_again_never_costs_more_than_leaving_and_only_told_cars_count(
    made: lo.Fleet, cars: pd.DataFrame
) -> None:
    outcomes = cars.filter(regex="^confirmed_(?!by)")
    for row in made.misses:
        assert row["plan_cost"] + row["saves"] == pytest.approx(row["leaving"])
        assert row["saves"] > 0
        assert outcomes.iloc[row["row"] - 1].notna().any()


def test_cars_to_look_at_again_are_of_many_kinds_and_none_twice(made: lo.Fleet) -> None:
    rows = [entry["row"] for entry in made.again]
    assert len(rows) == len({*rows}) > 5
    kinds = {re.split(r"\(| and |;", entry["why"])[0] for entry in made.again}
    assert len(kinds) > 2


def test_frames_hold_every_table(made: lo.Fleet) -> None:
    frames = made.frames()
    assert {*frames} == {*made.tables()}
    assert frames["conditions"]["expected"].sum() == pytest.approx(
        sum(row["expected"] for row in made.by_condition)
    )


def test_small_groups_are_counted_and_not_judged(made: lo.Fleet) -> None:
    few = lo.fleet(demo_rows(5), by=["workshop"])
    assert not any(row["enough"] for row in few.by_group["workshop"])
    assert all(row["enough"] for row in made.by_group["workshop"])


def test_the_page_is_whole_and_holds_the_same_numbers_as_the_json(page: Path) -> None:
    text, said = page.read_text("utf-8"), json.loads(page.with_name("said.json").read_text("utf-8"))
    assert f"{said['whole']['faulty']:,.0f} of {said['whole']['cars']:,} cars" in text
    assert said["rows"] == said["scored"] + said["rejected"] == ROWS
    names = re.findall(r'download="([^"]+)" href="data:text/csv;charset=utf-8;base64,', text)
    assert {"conditions.csv", "services.csv", "by_workshop.csv", "look_again.csv"} <= {*names}
    assert not re.search(r"<(script|iframe|object|link|form)\b|\son\w+=|javascript:", text)
    assert not re.search(r'(src|href)="(?!data:)', text)


def test_markup_and_formulas_of_an_archive_are_inert_in_page_and_files(page: Path) -> None:
    text = page.read_text("utf-8")
    assert "&lt;script&gt;alert" in text
    for data in re.findall(r"base64,([A-Za-z0-9+/=]+)\"[^>]*>[^<]+\.csv<", text):
        table = base64.b64decode(data).decode("utf-8-sig")
        for row in csv.reader(io.StringIO(table)):
            assert not [c for c in row if c[:1] in ("=", "@", "+") and not c[1:2].isdigit()], row


def test_a_page_is_not_replaced_unasked_and_a_slip_in_a_column_is_named(page: Path) -> None:
    archive = page.with_name("in.csv")
    again = run("fleet", archive, "--out", page)
    assert again.exit_code == 1
    assert "--overwrite" in again.output
    slip = run("fleet", archive, "--out", page.with_name("o.html"), "--by", "workshp")
    assert slip.exit_code == 1
    assert "did you mean 'workshop'" in slip.output
    assert not page.with_name("o.html").exists()


def test_the_screen_says_the_main_numbers(cars: pd.DataFrame, tmp_path: Path) -> None:
    cars.head(6).to_csv(tmp_path / "in.csv", index=False)
    told = run("fleet", tmp_path / "in.csv", "--out", tmp_path / "p.html", "--by", "workshop")
    assert told.exit_code == 0
    for words in ("6 ROWS READ", "too few to say", "cars, not people", "left as they are"):
        assert words in told.output


def test_rows_of_one_car_sum_to_that_car() -> None:
    one = demo_rows(1)
    made = lo.fleet(pd.concat([one] * 3), by=[])
    assert made.whole.cars == 3
    assert np.allclose(made.whole.odds.mean, 3 * lo.fleet(one).whole.odds.mean)


def test_archives_with_nothing_in_them_end_in_a_page_or_a_message(tmp_path: Path) -> None:
    path, page = tmp_path / "in.csv", tmp_path / "p.html"
    path.write_text("sample_bubbles,date\n", encoding="utf-8")
    with pytest.raises(lo.InspectionError, match="no row below the header"):
        lo.fleet(path, page)
    assert [p.name for p in tmp_path.iterdir()] == ["in.csv"]
    path.write_text("sample_bubbles,date\nfoo,2026-01-01\n", encoding="utf-8")
    assert lo.fleet(path, page).whole.cars == 0
    assert "No row of it can be used" in page.read_text("utf-8")
