"""A scored archive says of each row what an assessment of that one car would say."""

from __future__ import annotations

import csv
import gzip
import json
import math
import subprocess
import sys
from pathlib import Path

import loopodds as lo
import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import pytest
from invented_archives import (
    SMALL,
    changed_knowledge,
    invented_rows,
    read_rows,
    table_of,
    write_archive,
)
from loopodds.archive.runner import score
from loopodds.base.errors import FileError, InspectionError
from loopodds.base.units import COLUMN_SUFFIXES, column_unit
from loopodds.diagnosis.diagnose import believe
from loopodds.diagnosis.model import Model
from loopodds.inspection.case_file import load_case
from loopodds.inspection.vocabulary import CHOICES, NUMBERS, names_in
from loopodds.knowledge.records import Knowledge
from shared import shipped

DEMO = Path(__file__).parents[2] / "data" / "loopodds_data" / "archive"
# the batch may sum in another order than a single case: a few units in the last place
SAME = 1e-12
SMALL_CONDITIONS = ("undercharge", "overcharge", "moisture")


def probabilities(rows: list[dict[str, str]], names: list[str]) -> np.ndarray:
    """Numbers of some columns, shape (rows, columns)."""
    return np.array([[float(row[name]) for name in names] for row in rows])


def case_text(row: dict[str, str], model: Model) -> str:
    """A row in our own style as the case file that a person would have written."""
    knowledge = model.knowledge
    sections: dict[str, list[str]] = {}
    keys = [key for key, _ in NUMBERS.values()]
    read = names_in("readings", knowledge)
    for name, cell in row.items():
        base, _, suffix = name.rpartition("_")
        if not cell:
            continue
        if name in CHOICES:
            section = "conditions" if name in ("setting", "recovery_machine") else "vehicle"
            sections.setdefault(section, []).append(f'{name} = "{cell}"')
        elif name in knowledge.of_kind("history"):
            sections.setdefault("history", []).append(f'{name} = "{cell}"')
        elif name in knowledge.of_kind("finding"):
            person = "looks.first" if row.get(f"second_{name}") else "findings"
            sections.setdefault(person, []).append(f'{name} = "{cell}"')
        elif name.removeprefix("second_") in knowledge.of_kind("finding"):
            sections.setdefault("looks.second", []).append(
                f'{name.removeprefix("second_")} = "{cell}"'
            )
        elif suffix in COLUMN_SUFFIXES and (base in keys or base in read):
            section = "readings" if base not in keys else "conditions"
            section = "vehicle" if base.startswith("nameplate") else section
            quantity = f"{cell} {column_unit(suffix).name}"
            sections.setdefault(section, []).append(f'{base} = "{quantity}"')
    return "\n".join(f"[{s}]\n" + "\n".join(lines) for s, lines in sections.items()) + "\n"


def test_a_row_says_what_the_single_case_says(tmp_path: Path) -> None:
    model = shipped()
    whole = gzip.decompress((DEMO / "metric.csv.gz").read_bytes()).split(b"\n")
    source = tmp_path / "some.csv"
    source.write_bytes(b"\n".join([*whole[:41], b""]))
    score(source, tmp_path / "scored.parquet")
    rows = pq.read_table(tmp_path / "scored.parquet").to_pylist()
    assert len(rows) > 30
    for row in rows:
        told = {k: v or "" for k, v in row.items() if not k.startswith("p_")}
        text = case_text(told, model)
        belief = believe(load_case(text, model.knowledge), model)
        for name in model.conditions:
            assert row[f"p_{name}"] == pytest.approx(belief.condition(name), abs=SAME)
        assert row["p_sound"] == pytest.approx(belief.p_sound, abs=SAME)
        assert row["log_evidence"] == pytest.approx(belief.log_evidence, abs=1e-11)
        assert row["top_condition"] == belief.ranking()[0].name


def test_every_input_column_passes_through_and_the_answer_stands_behind(tmp_path: Path) -> None:
    rows = invented_rows(40, 11)
    source = write_archive(rows, tmp_path / "in.csv")
    score(source, tmp_path / "out.csv", knowledge=SMALL)
    scored = read_rows(tmp_path / "out.csv")
    added = [*(f"p_{name}" for name in SMALL_CONDITIONS), "p_sound", "log_evidence"]
    assert list(scored[0]) == [*rows[0], *added, "top_condition", "stops"]
    assert [{name: row[name] for name in rows[0]} for row in scored] == rows
    values = probabilities(scored, added[:-1])
    assert ((values >= 0) & (values <= 1)).all()


@pytest.mark.parametrize("source", ["in.csv", "in.csv.gz", "in.parquet"])
@pytest.mark.parametrize("out", ["out.csv", "out.csv.gz", "out.parquet"])
def test_the_format_does_not_change_a_number(source: str, out: str, tmp_path: Path) -> None:
    rows = invented_rows(70, 12)
    score(write_archive(rows, tmp_path / "plain.csv"), tmp_path / "a.csv", knowledge=SMALL)
    score(
        write_archive(rows, tmp_path / source, group_rows=20),
        tmp_path / out,
        knowledge=SMALL,
        part_rows=16,
    )
    if out.endswith(".parquet"):
        table = pq.read_table(tmp_path / out)
        found = {name: table[name].to_pylist() for name in table.column_names}
    else:
        scored = read_rows(tmp_path / out)
        found = {name: [row[name] for row in scored] for name in scored[0]}
    for name, cells in found.items():
        plain = [row[name] for row in read_rows(tmp_path / "a.csv")]
        if name.startswith(("p_", "log")):
            digits = SAME if out.endswith("csv.gz") else 5e-5  # text has four digits
            assert np.array(cells, float) == pytest.approx(np.array(plain, float), abs=digits)
        elif name in ("order", "sample_specks", "remark", "confirmed_moisture", "top_condition"):
            assert [cell or "" for cell in cells] == plain
    assert len(found["order"]) == 70


def test_parquet_keeps_the_types_of_the_columns_that_pass_through(tmp_path: Path) -> None:
    table = table_of(invented_rows(30, 13))
    table = table.append_column("visits", pa.array([None, *range(29)], pa.int32()))
    table = table.append_column("parts", pa.array([["belt"]] * 30, pa.list_(pa.string())))
    table = table.append_column("fine", pa.array([True, None, False] * 10))
    pq.write_table(table, tmp_path / "in.parquet", row_group_size=7)
    score(tmp_path / "in.parquet", tmp_path / "out.parquet", knowledge=SMALL, part_rows=9)
    scored = pq.read_table(tmp_path / "out.parquet")
    assert scored.select(table.column_names).equals(table)
    assert scored.schema.field("p_moisture").type == pa.float64()
    with pytest.raises(InspectionError, match=r"column 'parts' holds list.*, which CSV cannot"):
        score(tmp_path / "in.parquet", tmp_path / "text.csv", knowledge=SMALL)


def test_chunk_size_and_workers_do_not_change_a_number(tmp_path: Path) -> None:
    source = write_archive(invented_rows(150, 14), tmp_path / "in.csv")
    outs = {}
    for rows, workers in ((1, 1), (64, 1), (64, 2), (1000, 1)):
        out = tmp_path / f"out{rows}_{workers}.csv"
        score(source, out, knowledge=SMALL, part_rows=rows, workers=workers)
        outs[rows, workers] = out
    assert outs[64, 1].read_bytes() == outs[64, 2].read_bytes()  # workers: to the last bit
    names = [f"p_{name}" for name in SMALL_CONDITIONS]
    reference = probabilities(read_rows(outs[1, 1]), names)
    for key in ((64, 1), (1000, 1)):
        found = probabilities(read_rows(outs[key]), names)
        assert found == pytest.approx(reference, abs=SAME)


MAP = """
[format]
delimiter = ";"
decimal = ","
not_observed = ["n/a"]

[columns]
vent_degF = "Luft F"

[columns.low_side]
from = "ND"
unit = "psi"

[columns.refrigerant]
from = "Mittel"
values = { "R-134a" = "R134a" }

[columns.sample_bubbles]
from = "Blasen"
values = { ja = "persisting", nein = "none", "?" = "" }

[columns.confirmed_moisture]
from = "Befund"
values = { Wasser = "wet" }
others = ""
"""


def test_the_same_cars_in_another_style_get_the_same_numbers(tmp_path: Path) -> None:
    ours = (
        "refrigerant,low_side_bar,vent_degC,sample_bubbles,cooling\n"
        "R134a,2.0684271879504,10,persisting,weak\nR134a,,,none,\nR134a,,,,\nR134a,,,,good\n"
    )
    theirs = (
        "Mittel;ND;Luft F;Blasen;Befund;cooling\n"
        "R-134a;30;50,0;ja;Wasser;weak\nR-134a;;n/a;nein;Riss;n/a\nR-134a;;;?;;\nR134a;;;;;good\n"
    )
    (tmp_path / "ours.csv").write_text(ours, encoding="utf-8")
    (tmp_path / "theirs.csv").write_text(theirs, encoding="utf-8")
    (tmp_path / "map.toml").write_text(MAP, encoding="utf-8")
    score(tmp_path / "ours.csv", tmp_path / "a.csv", knowledge=SMALL)
    score(
        tmp_path / "theirs.csv", tmp_path / "b.csv", knowledge=SMALL, columns=tmp_path / "map.toml"
    )
    with (tmp_path / "b.csv").open(encoding="utf-8", newline="") as file:
        theirs_scored = list(csv.DictReader(file, delimiter=";"))
    names = [*(f"p_{name}" for name in SMALL_CONDITIONS), "p_sound", "log_evidence"]
    expected = probabilities(read_rows(tmp_path / "a.csv"), names)
    # 30 psi is 206.84 kPa only to the digits written above
    assert probabilities(theirs_scored, names) == pytest.approx(expected, abs=1e-9)
    assert [row["Befund"] for row in theirs_scored] == ["Wasser", "Riss", "", ""]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            '[columns.low_side]\nfrom = "A"\nunit = "degC"',
            "unit: 'degC' is a temperature, low_side",
        ),
        ('[columns.low_sid]\nfrom = "A"\nunit = "psi"', "did you mean 'low_side'?"),
        ('[columns.sample_bubbles]\nfrom = "C"', "from: no column 'C'; the archive has: A, B"),
        (
            '[columns.sample_bubbles]\nfrom = "A"\nvalues = { y = "persist" }',
            "'persist' is no state",
        ),
        ('[columns.sample_bubbles]\nfrom = "A"\nvalue = {}', "unknown key 'value'; did you mean"),
        ('[columns.sample_bubles]\nfrom = "A"', "did you mean 'sample_bubbles'?"),
        ("[columns.sample_bubbles]\nfrom = 3", "from: 3 is not text"),
        ("[columns.sample_bubbles]\n", "needs from"),
        ('[format]\ndelimiter = ";"\ndecimal = ";"', "decimal: ';'; it can be '.', ','"),
        ('[format]\ndelimiter = ","\ndecimal = ","', "delimiter and decimal mark are both ','"),
        ("[colums]\n", "unknown key 'colums'; did you mean 'columns'?"),
        ("[columns", "not a column map"),
    ],
)
def test_a_column_map_that_cannot_be_meant_is_refused(
    text: str, message: str, tmp_path: Path
) -> None:
    (tmp_path / "in.csv").write_text("A,B\n1,2\n", encoding="utf-8")
    (tmp_path / "map.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InspectionError) as caught:
        score(
            tmp_path / "in.csv",
            tmp_path / "out.csv",
            knowledge=SMALL,
            columns=tmp_path / "map.toml",
        )
    assert message in str(caught.value)
    assert "map.toml" in str(caught.value)


HEADER = "order,refrigerant,sample_bubbles,low_side_bar,high_side_psi,ambient_degC,altitude_m\n"


@pytest.mark.parametrize(
    ("cells", "column", "value", "reason"),
    [
        ("1,R134a,persistng,,,,", "sample_bubbles", "persistng",
         "unknown state 'persistng'; did you mean 'persisting'?"),
        ("1,R134a,3,,,,", "sample_bubbles", "3",
         "unknown state '3'; known: none, persisting"),
        ("1,R22,none,,,,", "refrigerant", "R22",
         "unknown refrigerant 'R22'; supported: R134a, R1234yf"),
        ("1,r-134a,none,,,,", "refrigerant", "r-134a",
         "unknown refrigerant 'r-134a'; did you mean 'R134a'?"),
        ("1,R134a,none,2.1 bar,,,", "low_side_bar", "2.1 bar",
         "not a finite number; write it with the decimal mark '.' and no unit"),
        ("1,R134a,none,nan,,,", "low_side_bar", "nan",
         "not a finite number; write it with the decimal mark '.' and no unit"),
        ("1,R134a,none,1e999,,,", "low_side_bar", "1e999",
         "not a finite number; write it with the decimal mark '.' and no unit"),
        ("1,R134a,none,,,250,", "ambient_degC", "250",
         "air around a car is between -50 and 60 degC"),
        ("1,,none,2.0,,,", "", "", "no refrigerant stated: say R134a or R1234yf in column "
         "'refrigerant', or for all rows under [always] of a column map, or leave out the "
         "pressures of this row"),
        ("1,R134a,none,2.0,,,99999", "altitude_m", "99999", "roads lie between -500 and 6000 m"),
        ("1,R134a,none,,,", "", "1,R134a,none,,,", "6 cells, but the header has 7"),
        ('1,R134a,"none,,,,', "", '1,R134a,"none,,,,',
         "quotes that do not match: unexpected end of data"),
        ("1,R22,persist,,,,", "refrigerant", "R22",
         "unknown refrigerant 'R22'; supported: R134a, R1234yf; also sample_bubbles 'persist': "
         "unknown state 'persist'; did you mean 'persisting'?"),
    ],
)  # fmt: skip
def test_a_bad_row_is_set_aside_with_the_reason(
    cells: str, column: str, value: str, reason: str, tmp_path: Path
) -> None:
    (tmp_path / "in.csv").write_text(
        f"{HEADER}0,R134a,none,2.0,220,25,\n{cells}\n2,R134a,,,,,\n", encoding="utf-8"
    )
    summary = score(tmp_path / "in.csv", tmp_path / "out.csv", knowledge=SMALL)
    assert read_rows(tmp_path / "out.rejects.csv") == [
        {"row": "2", "column": column, "value": value, "reason": reason}
    ]
    assert [row["order"] for row in read_rows(tmp_path / "out.csv")] == ["0", "2"]
    assert (summary.tally.rows, summary.tally.scored, summary.tally.rejected) == (3, 2, 1)


def test_text_that_is_not_utf8_is_shown_but_not_scored(tmp_path: Path) -> None:
    (tmp_path / "in.csv").write_bytes(f"{HEADER}1,R134a,n".encode() + b"\xe9,,,,\n2,R134a,,,,,\n")
    score(tmp_path / "in.csv", tmp_path / "out.csv", knowledge=SMALL)
    assert read_rows(tmp_path / "out.rejects.csv") == [
        {
            "row": "1",
            "column": "",
            "value": "1,R134a,n\\xe9,,,,",
            "reason": "not UTF-8 text: byte 0xe9 at 10",
        }
    ]


def test_rows_may_hold_quotes_line_breaks_blank_lines_and_carriage_returns(tmp_path: Path) -> None:
    text = (
        '\ufefforder,sample_bubbles,remark\r\n1,none,"two\r\nlines, ""quoted"""\r\n\r\n'
        '2,persisting,5" hose\r\n\r\n'
    )
    (tmp_path / "in.csv").write_text(text, encoding="utf-8", newline="")
    summary = score(tmp_path / "in.csv", tmp_path / "out.csv", knowledge=SMALL)
    assert (summary.tally.rows, summary.tally.rejected) == (2, 0)
    remarks = [row["remark"] for row in read_rows(tmp_path / "out.csv")]
    assert remarks == ['two\r\nlines, "quoted"', '5" hose']


def test_findings_that_cannot_hold_together_are_named(tmp_path: Path) -> None:
    def never_equal(findings: str) -> str:
        return findings.replace("leak = { p = [0.99, 0.01] }", "leak = { p = [1.0, 0.0] }")

    knowledge = changed_knowledge(tmp_path / "knowledge", findings=never_equal)
    (tmp_path / "in.csv").write_text(
        "sample_bubbles,sides_equal\nnone,yes\nnone,no\n", encoding="utf-8"
    )
    summary = score(tmp_path / "in.csv", tmp_path / "out.csv", knowledge=knowledge)
    assert read_rows(tmp_path / "out.rejects.csv") == [
        {
            "row": "1",
            "column": "sides_equal",
            "value": "yes",
            "reason": "these cannot hold together: sides_equal",
        }
    ]
    assert summary.tally.rejected_by == {"cannot hold together": 1}


def test_a_column_may_be_given_in_two_units_if_they_agree(tmp_path: Path) -> None:
    (tmp_path / "in.csv").write_text(
        "refrigerant,low_side_bar,low_side_psi\nR134a,2.07,30\nR134a,,30\nR134a,2.07,60\n",
        encoding="utf-8",
    )
    score(tmp_path / "in.csv", tmp_path / "out.csv", knowledge=SMALL)
    (reject,) = read_rows(tmp_path / "out.rejects.csv")
    assert (reject["row"], reject["column"], reject["value"]) == ("3", "low_side_psi", "60")
    first, second = read_rows(tmp_path / "out.csv")
    # 2.07 bar and 30 psi differ by 0.1 %
    assert float(first["p_undercharge"]) == pytest.approx(float(second["p_undercharge"]), rel=0.02)


@pytest.mark.parametrize(
    ("data", "name", "message"),
    [
        (b"", "in.csv", "in.csv: empty; an archive starts with a header line"),
        (b"a,b\n1,2\n", "in.csv", "none of the 2 columns is a known finding"),
        (b"cooling,cooling\n", "in.csv", "two columns are called 'cooling'; rename one"),
        (b"cooling,p_sound\n", "in.csv", "this archive was scored before"),
        ("cooling,x\n".encode("utf-16"), "in.csv", "not UTF-8 text; save it as CSV in UTF-8"),
        (b"cooling\rweak\rweak\r", "in.csv", "its lines end with carriage returns"),
        (b"PAR1 and nothing more", "in.parquet", "in.parquet: not a readable Parquet file"),
        (
            gzip.compress(b"cooling\n" + b"weak\n" * 9999, mtime=0)[:-30],
            "in.csv.gz",
            "cut off or damaged",
        ),
        (b"low_side_Bar,ambient\n2,25\n", "in.csv", "unknown unit 'Bar'; did you mean 'bar'?"),
    ],
)
def test_an_archive_that_cannot_be_read_leaves_nothing_behind(
    data: bytes, name: str, message: str, tmp_path: Path
) -> None:
    (tmp_path / name).write_bytes(data)
    (tmp_path / "out.csv").write_text("from last week", encoding="utf-8")
    with pytest.raises(InspectionError) as caught:
        score(tmp_path / name, tmp_path / "out.csv", knowledge=SMALL, overwrite=True)
    assert message in str(caught.value)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([name, "out.csv"])
    assert (tmp_path / "out.csv").read_text(encoding="utf-8") == "from last week"


def test_a_parquet_file_that_was_cut_off_is_refused(tmp_path: Path) -> None:
    whole = write_archive(invented_rows(50, 15), tmp_path / "whole.parquet").read_bytes()
    (tmp_path / "in.parquet").write_bytes(whole[:-100])
    with pytest.raises(InspectionError, match=r"in.parquet: not a readable Parquet file .*again"):
        score(tmp_path / "in.parquet", tmp_path / "out.csv", knowledge=SMALL)


def test_outputs_never_overwrite_what_is_read(tmp_path: Path) -> None:
    source = write_archive(invented_rows(5, 16), tmp_path / "in.csv")
    with pytest.raises(FileError, match="would overwrite what is read"):
        score(source, source, knowledge=SMALL)
    with pytest.raises(FileError, match="would overwrite what is read"):
        score(source, tmp_path / "out.csv", rejects=source, knowledge=SMALL)
    with pytest.raises(InspectionError, match=r"end the name in \.csv, \.csv\.gz or \.parquet"):
        score(source, tmp_path / "out.xyz", knowledge=SMALL)
    with pytest.raises(InspectionError, match=r"none\.csv: cannot be read: No such file"):
        score(tmp_path / "none.csv", tmp_path / "out.csv", knowledge=SMALL)


def test_columns_that_look_like_a_slip_are_warned_about(tmp_path: Path) -> None:
    (tmp_path / "in.csv").write_text(
        "cooling,smple_bubbles,moisture,vent_K,suction_line,confirmed_by,workshop\nweak,,,,,,\n",
        encoding="utf-8",
    )
    warnings = score(tmp_path / "in.csv", tmp_path / "o.csv", knowledge=SMALL).warnings
    assert list(warnings) == [
        "column 'smple_bubbles' passes through unread: did you mean 'sample_bubbles'?",
        "column 'moisture' passes through unread: an outcome is called confirmed_moisture",
        "column 'vent_K' passes through unread: K is a difference, but vent is a temperature",
        "column 'suction_line' passes through unread: it has no unit; call it suction_line_degC "
        "or the like",
    ]


def test_the_summary_is_what_the_scored_rows_add_up_to(tmp_path: Path) -> None:
    rows = invented_rows(200, 17)
    rows[20]["sample_bubbles"] = "yes"
    source = write_archive(rows, tmp_path / "in.csv")
    summary = score(source, tmp_path / "out.csv", knowledge=SMALL, part_rows=32)
    tally, scored = summary.tally, read_rows(tmp_path / "out.csv")
    assert (tally.rows, tally.scored, tally.rejected) == (200, 199, 1)
    assert tally.rejected_by == {"unknown word in sample_bubbles": 1}
    for name in ("moisture", "overcharge", "sound"):
        total = math.fsum(float(row[f"p_{name}"]) for row in scored)
        assert tally.expected[name] == pytest.approx(total, abs=199 * 5e-5)  # four digits
    leads = [
        row["top_condition"]
        if float(row[f"p_{row['top_condition']}"]) > float(row["p_sound"])
        else "sound"
        for row in scored
    ]
    assert tally.top == {name: leads.count(name) for name in set(leads)}
    numbers = [n for n in range(1, 201) if n != 21]
    logs = sorted(zip((float(row["log_evidence"]) for row in scored), numbers, strict=True))
    assert [row for _, row in tally.least] == [row for _, row in logs[:10]]
    assert json.loads(json.dumps(summary.as_json()))["rejected"] == 1


def with_harms(_: str) -> str:
    grounds = 'source = "invented"\ngrade = "estimate"\nweight = 1\n'
    moisture = f"[moisture]\ndamp = 100\nwet = 1000\n{grounds}"
    return f"{moisture}[charge]\nvery_low = 500\nlow = 50\n{grounds}"


def test_what_the_outcome_leaves_out_is_worth_reopening(tmp_path: Path) -> None:
    knowledge = changed_knowledge(tmp_path / "knowledge", harms=with_harms)
    rows = [dict.fromkeys(invented_rows(1, 1)[0], "") for _ in range(60)]
    for number, row in enumerate(rows, start=1):
        row.update(order=f"T{number}", cooling="good", sample_bubbles="none")
    rows[6].update(sample_bubbles="persisting")  # wet, and nobody says so
    rows[30].update(sample_bubbles="persisting", confirmed_moisture="wet")  # wet, and recorded
    rows[41].update(sample_bubbles="persisting", confirmed_moisture="absent")  # ruled out
    source = write_archive(rows, tmp_path / "in.csv")
    summary = score(source, tmp_path / "out.csv", knowledge=knowledge, review=2, part_rows=16)
    first, second = summary.reopen
    assert (first.row, first.reason, first.missed[0].condition) == (7, "missed", "moisture")
    assert first.passed["order"] == "T7"
    # the expected cost by hand: P(wet | bubbles) from the leak and the cause in the small files
    bubbles = 0.9 * 0.02 + 0.06 * 0.02 + 0.04 * (1 - 0.98 * 0.3)
    damp, wet = 0.06 * 0.02 / bubbles, 0.04 * (1 - 0.98 * 0.3) / bubbles
    assert first.cost == pytest.approx(100 * damp + 1000 * wet + 0.1 * 500 + 0.1 * 50, rel=1e-9)
    # trusted but not blindly: one outcome in fifty is taken to be wrong
    doubt = (0.06 * 0.02 + 0.04 * (1 - 0.98 * 0.3)) * 0.02
    assert second.row == 42
    assert second.missed[0].condition != "moisture" or second.missed[0].probability < 0.05
    left = (100 * 0.06 * 0.02 + 1000 * 0.04 * (1 - 0.98 * 0.3)) * 0.02 / (0.9 * 0.02 + doubt)
    assert second.cost == pytest.approx(left + 55, rel=1e-9)


def test_findings_in_strong_conflict_are_worth_reopening(tmp_path: Path) -> None:
    def hardly_misread(readings: str) -> str:
        return readings.replace("share = 0.02", "share = 0.0002")

    knowledge = changed_knowledge(tmp_path / "knowledge", readings=hardly_misread)
    rows = [dict.fromkeys(invented_rows(1, 1)[0], "") for _ in range(30)]
    for row in rows:
        row.update(refrigerant="R134a", expansion="TXV", ambient_degC="25", low_side_bar="1.93")
    # the low side of a nearly empty loop, the high side of an overfull one
    rows[12].update(low_side_bar="0.6", high_side_psi="330")
    source = write_archive(rows, tmp_path / "in.csv")
    summary = score(source, tmp_path / "out.csv", knowledge=knowledge, review=4)
    (entry,) = summary.reopen
    assert (entry.row, entry.reason) == (13, "conflict")
    assert entry.conflict.bits > 5
    assert set(entry.conflict.between[0][:2]) == {"high_side", "low_side"}


def test_the_demo_archives_can_be_scored_but_for_their_planted_faults(tmp_path: Path) -> None:
    knowledge = Knowledge()
    for name, columns, rows in (("metric", None, 2400), ("us", "us.columns.toml", 1600)):
        summary = score(
            DEMO / f"{name}.csv.gz",
            tmp_path / f"{name}.parquet",
            columns=None if columns is None else DEMO / columns,
        )
        assert summary.tally.rows == rows
        assert 20 <= summary.tally.rejected <= 0.05 * rows
        assert not summary.warnings
        assert set(summary.tally.expected) == {*knowledge.conditions, "sound"}


# The peak of this program alone: ru_maxrss would carry over that of the process that started it.
PEAK = """
import re, sys
from loopodds.archive.runner import score
score(sys.argv[1], sys.argv[2], knowledge=sys.argv[3], overwrite=True)
print(int(re.search(r"VmHWM:\\s*(\\d+)", open("/proc/self/status").read())[1]) / 1024)
"""


@pytest.mark.slow
@pytest.mark.parametrize(("ending", "out"), [("parquet", "parquet"), ("csv", "csv.gz")])
def test_memory_does_not_grow_with_the_archive(ending: str, out: str, tmp_path: Path) -> None:
    table = table_of(invented_rows(2000, 18))
    peaks = []
    for times in (15, 60):
        source = tmp_path / f"in{times}.{ending}"
        rows = pa.concat_tables([table] * times)
        if ending == "parquet":
            pq.write_table(rows, source, row_group_size=len(rows))
        else:
            pyarrow.csv.write_csv(rows, source)
        command = [sys.executable, "-c", PEAK, str(source), str(tmp_path / f"out.{out}")]
        done = subprocess.run([*command, str(SMALL)], capture_output=True, text=True, check=True)
        peaks.append(float(done.stdout))
    # MiB; what the allocators keep for reuse varies by some chunks
    assert peaks[1] < peaks[0] + 60
    assert peaks[1] < 1024


def test_rows_in_which_nothing_was_seen_are_counted(tmp_path: Path) -> None:
    text = f"{HEADER}0,R134a,none,,,,\n1,,,,,,\n2,R134a,,,,25,\n"
    (tmp_path / "in.csv").write_text(text, encoding="utf-8")
    summary = score(tmp_path / "in.csv", tmp_path / "out.csv", knowledge=SMALL)
    assert (summary.tally.scored, summary.tally.blank) == (3, 2)


def test_a_gas_that_is_not_covered_is_refused_by_name_in_a_row_too(tmp_path: Path) -> None:
    source = tmp_path / "gases.csv"
    source.write_text("refrigerant,cooling\nR134a,weak\nR-744,weak\nR12,none\n", encoding="utf-8")
    score(source, tmp_path / "scored.csv", rejects=tmp_path / "rejects.csv")
    reasons = [row["reason"] for row in read_rows(tmp_path / "rejects.csv")]
    assert len(reasons) == 2
    assert "carbon dioxide" in reasons[0]
    assert "cars before about 1994" in reasons[1]


def test_a_finished_job_is_not_stopped_for_having_been_emptied(tmp_path: Path) -> None:
    """Its loop was filled again since; in the bay the same record stops the car."""
    source = tmp_path / "emptied.csv"
    source.write_text(
        "refrigerant,vacuum_hold,nitrogen_hold,cooling\nR134a,holds,,weak\nR134a,,holds,weak\n",
        encoding="utf-8",
    )
    score(source, tmp_path / "scored.csv")
    assert [row["stops"] for row in read_rows(tmp_path / "scored.csv")] == ["", ""]
    case = {"vehicle": {"refrigerant": "R134a"}, "findings": {"vacuum_hold": "holds"}}
    assert [stop.name for stop in lo.assess(lo.read_case(case)).stops] == ["charge_is_out"]


def test_columns_of_amounts_stop_what_their_words_stop(tmp_path: Path) -> None:
    source = tmp_path / "amounts.csv"
    source.write_text(
        "refrigerant,compressor,insulation_off_kohm,gas_r134a_pct,vacuum_end_hPa\n"
        "R134a,electric,200,,\nR134a,electric,500000,,\nR134a,fixed,,80,\nR134a,fixed,,,90\n",
        encoding="utf-8",
    )
    score(source, tmp_path / "scored.csv")
    stops = [row["stops"] for row in read_rows(tmp_path / "scored.csv")]
    assert stops == ["high_voltage", "", "foreign_gas", "loop_open"]
