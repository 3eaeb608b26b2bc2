"""Published readings are told as they were printed, and hang together as readings of loops do."""

from __future__ import annotations

import hashlib
import re
import shutil
import tomllib
from pathlib import Path

import numpy as np
import pytest
from loopodds.base.errors import KnowledgeError, UnknownName
from loopodds.physics.published import (
    EFFECTS,
    ROWS,
    TABLES,
    fault_effects,
    published_tables,
    read_effects,
    read_tables,
)

SHIPPED = Path(__file__).parents[2] / "data" / "loopodds_data" / "published"
CALENDAR = r"(19|20)\d\d"
CITATIONS = {
    "public-manual": r"TM [\d-]+",
    "service-manual": rf"service manual, ({CALENDAR}|undated)",
    "guideline": rf"maker's guideline, {CALENDAR}",
    "trade-page": rf"trade page, ({CALENDAR}|undated)",
    "paper": rf"(?:[A-Z][a-z]+, )*[A-Z][a-z]+(?: and [A-Z][a-z]+)? {CALENDAR}, [\w:()/., -]+"
    rf"|[A-Z][\w ]+ {CALENDAR}, [\w:()/., -]+|SAE paper [\d-]+",
}
CAPITALS = {"R134a", "R1234yf", "TM"}
"""Words with a capital that a remark may hold away from the start of a sentence."""


@pytest.fixture(params=published_tables().values(), ids=lambda table: table.name)
def table(request):
    return request.param


def middles(pairs):
    return pairs.mean(axis=1)


def test_the_files_count_what_they_hold():
    tables = published_tables().values()
    assert tomllib.loads((SHIPPED / TABLES).read_text("utf-8"))["counted"] == {
        "tables": len(tables),
        "trade_pages": sum(table.kind == "trade-page" for table in tables),
        "rows": sum(len(table.quantity) for table in tables),
    }


def test_every_table_says_where_it_comes_from_and_what_it_leaves_open(table):
    assert re.fullmatch(CITATIONS[table.kind], table.source)
    assert table.year is None or str(table.year) in table.source
    assert ("undated" in table.source) <= (table.year is None)
    assert table.unit
    assert table.remark
    if table.kind == "trade-page":
        assert "device" in table.missing
    assert set(table.missing) <= {
        *("refrigerant", "device", "compressor", "air", "doors", "windows", "bonnet", "blower"),
        *("rpm", "humidity"),
    }


def test_effects_are_cited_like_tables():
    for effect in fault_effects().values():
        assert any(re.fullmatch(form, effect.source) for form in CITATIONS.values()), effect.source
        assert effect.conditions
        assert (effect.fault == "none") <= (effect.kind == "reading")


@pytest.mark.parametrize("name", [TABLES, EFFECTS])
def test_no_maker_model_or_address_is_named(name):
    text = (SHIPPED / name).read_text("utf-8")
    assert not re.search(r"https?:|www\.|\.(?:com|org|net)\b", text)
    written = [
        str(entry.get(key, ""))
        for entry in tomllib.loads(text).values()
        for key in ("remark", "conditions", "size", "fault")
    ]
    inside = re.findall(r"(?<=[a-z0-9,;:] )[A-Z]\w*", "\n".join(written))
    assert set(inside) <= CAPITALS


def test_a_third_is_kept_out_of_calibration_by_a_rule_that_does_not_look_at_the_values():
    tables = published_tables().values()
    out = set()
    for trade in (True, False):
        sources = {t.name.split("/")[0] for t in tables if (t.kind == "trade-page") == trade}
        ordered = sorted(sources, key=lambda name: hashlib.sha256(name.encode()).hexdigest())
        out |= set(ordered[2::3])
    for table in tables:
        assert table.calibration == ("out" if table.name.split("/")[0] in out else "in")
    share = sum(table.calibration == "out" for table in tables) / len(tables)
    assert share == pytest.approx(1 / 3, abs=0.1)


def test_pressures_lie_on_the_saturation_line_with_heat_flowing_out_in_front_and_in_inside(table):
    # Bounds wide enough for every chart seen, narrow enough for a misplaced point or unit: 5 to
    # 55 K of lift, evaporating at -20 to 20 degC and below the air that is cooled.
    lift, evaporating = table.condensing_lift_k(), table.evaporating_c()
    assert ((lift > 5) & (lift < 55) | np.isnan(lift)).all()
    assert ((evaporating > -20) & (evaporating < 20) | np.isnan(evaporating)).all()
    assert (evaporating < table.air_c.max(axis=1, keepdims=True)).all(where=~np.isnan(evaporating))
    assert np.isfinite(lift[table.rows("high_side_bar")]).all()
    assert np.isfinite(evaporating[table.rows("low_side_bar")]).all()


def test_high_side_rises_with_the_air_and_low_side_does_not_fall(table):
    for quantity in ("high_side_bar", "low_side_bar"):
        rows = table.rows(quantity)
        rise = np.diff(table.limits[rows], axis=0)
        assert (np.diff(middles(table.air_c[rows])) > 0).all()
        assert (rise > 0).all() if quantity == "high_side_bar" else (rise >= 0).all()


def test_the_low_side_stands_below_the_high_side_at_every_air_temperature(table):
    high, low = table.rows("high_side_bar"), table.rows("low_side_bar")
    for air, limits in zip(table.air_c[low], table.limits[low], strict=True):
        met = (table.air_c[high] == air).all(axis=1)
        assert (limits[1] < table.limits[high][met][:, 0]).all()


def test_a_vent_is_colder_than_the_air_it_comes_from_and_warmer_in_warmer_air(table):
    rows = table.rows("vent_c")
    limits, air = table.limits[rows], table.air_c[rows]
    assert (limits[:, 1] < air[:, 1]).all()
    assert (limits >= 0).all(where=~np.isnan(limits))
    for humidity in np.unique(table.humidity[rows], axis=0):
        same = ((table.humidity[rows] == humidity) | np.isnan(humidity)).all(axis=1)
        assert (np.diff(limits[same][:, 1]) >= 0).all()


def test_numbers_stand_as_read_before_in_print():
    """TM 5-3805-291-23-1, table 1, and a maker's rule of 19 to 22 K, worked by hand."""
    lift = published_tables()["tm-5-3805-291/pressure"].condensing_lift_k()
    # Middle of the limits [MPa] as lift: 24, 22, 23, 21.5, 21 K; 1 K: the middle of two lifts is
    # not the lift of the middle pressure.
    np.testing.assert_allclose(middles(lift[::2]), [24.0, 22.0, 23.0, 21.5, 21.0], atol=1.0)
    assert published_tables()["manual-2006/lift"].condensing_lift_k().tolist() == [[19.0, 22.0]]


def test_a_table_without_refrigerant_has_no_saturation_temperature():
    with pytest.raises(UnknownName, match="unknown"):
        published_tables()["electric-2014/vent"].fluid()


@pytest.mark.parametrize(
    ("name", "old", "new", "message"),
    [
        (TABLES, 'compressor = "fixed"', 'compressor = "fixd"', "tm-5-3805-291/pressure: compre"),
        (TABLES, "blower =", "bower =", "tm-5-3805-291/pressure: key: 'bower' .* 'blower'"),
        (TABLES, "rpm = 1000", 'rpm = "fast"', "tm-5-3805-291/pressure: rpm: 'fast' is not"),
        (TABLES, "manual-1997/vent", "manual-1997", "manual-1997: the name must be SOURCE/TABLE"),
        (TABLES, "manual-1997/vent", "other/vent", "gauge_rows.csv: line .*table: 'manual-1997"),
        (TABLES, 'refrigerant = "R134a"', "", "5-3805-291/pressure: refrigerant: a table with"),
        (TABLES, "year = 2010", 'year = "old"', "manual-2010/pressure: year: 'old' is not"),
        (TABLES, 'unit = "kPa"', "unit = 7", "tm-5-3805-291/pressure: unit: needs a text"),
        (ROWS, "table,air", "chart,air", "gauge_rows.csv: the first line must be table,air_low_c"),
        (ROWS, ",8.2,13\n", ",8.2\n", "gauge_rows.csv: line 2: needs 8 cells"),
        (ROWS, ",8.2,13\n", ",13,8.2\n", "line 2: a lowest value above its highest"),
        (ROWS, ",8.2,13\n", ",8.2,x\n", "line 2: high: 'x' is not a number"),
        (ROWS, ",8.2,13\n", ",,\n", "line 2: needs both air_c and low or high"),
        (ROWS, "high_side_bar,8.2", "high_side_psi,8.2", "line 2: quantity: .*'high_side_bar'"),
        (EFFECTS, 'kind = "change"', 'kind = "chang"', "atik-2011-under: kind: .*'change'"),
        (EFFECTS, "low = -25.0", "low = 1.0", "atik-2011-under: needs 'low' or 'high'"),
    ],
)
def test_what_cannot_be_read_is_named_with_file_table_and_key(tmp_path, name, old, new, message):
    shutil.copytree(SHIPPED, tmp_path, dirs_exist_ok=True)
    text = (SHIPPED / name).read_text("utf-8")
    assert old in text
    (tmp_path / name).write_text(text.replace(old, new, 1), "utf-8")
    with pytest.raises(KnowledgeError, match=message):
        read_effects(tmp_path) if name == EFFECTS else read_tables(tmp_path)


def test_a_folder_without_the_files_is_told(tmp_path):
    with pytest.raises(KnowledgeError, match=rf"{TABLES}: cannot be read"):
        read_tables(tmp_path)
