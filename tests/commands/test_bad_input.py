"""Every bad case file is refused with one message that says what, where and what instead."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from loopodds.base.errors import InspectionError, LoopoddsError
from loopodds.inspection.case_file import load_case
from loopodds_cli.main import main

TABLE = tomllib.loads(
    (Path(__file__).parents[1] / "bad_cases" / "table.toml").read_text(encoding="utf-8")
)["case"]
WHOLE = """\
[vehicle]
refrigerant = "R134a"
nameplate_charge = "520 g"
[conditions]
ambient = "31 degC"
[history]
opened_without_new_drier = "yes"
[findings]
sample_bubbles = "persisting"
sample_specks = { none = 0.3, metal = 0.7 }
[readings]
low_side = "2.1 bar"
high_side = "255 psi"
[confirmed]
moisture = "present"
"""
SCRAPS = (
    *"\"=[]{}.,#-\n\r\0'",
    *("nan", "inf", "-1e308", "true", "[[findings]]", '"""', "moisture", "high_side = ", "a.b."),
    *('"\\u001b" = 1\n', "1979-05-27", "9" * 5000, "psi abs", "\u2028"),
)
GOOD = '[findings]\nsample_darkening = "brown"\n'


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def refused(data: bytes) -> str:
    """Message with which a file of these bytes is refused."""
    Path("case.toml").write_bytes(data)
    with pytest.raises(InspectionError) as caught:
        load_case("case.toml")
    return str(caught.value)


def complaint(text: str) -> str:
    """Message with which a text is refused; empty when it is a case."""
    try:
        load_case(text)
    except InspectionError as error:
        return str(error)
    return ""


@pytest.mark.parametrize("bad", TABLE, ids=[bad["about"] for bad in TABLE])
def test_the_message_names_file_line_key_and_remedy(bad: dict[str, str]) -> None:
    assert refused(bad["text"].encode()) == bad["message"].replace("FILE", "case.toml")


def test_the_table_is_as_wide_as_promised() -> None:
    assert len(TABLE) >= 40
    assert len({bad["about"] for bad in TABLE}) == len(TABLE)


@pytest.mark.parametrize("bad", TABLE, ids=[bad["about"] for bad in TABLE])
def test_windows_line_ends_and_a_byte_order_mark_change_no_message(bad: dict[str, str]) -> None:
    data = b"\xef\xbb\xbf" + bad["text"].replace("\n", "\r\n").encode()
    assert refused(data) == bad["message"].replace("FILE", "case.toml")


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "case.toml: empty; a case needs at least one section, as [findings]"),
        (b" \n\t\n", "case.toml: empty; a case needs at least one section, as [findings]"),
        (b"\xef\xbb\xbf", "case.toml: empty; a case needs at least one section, as [findings]"),
        (b"\x89PNG\r\n\x1a\n\0\0", "case.toml: a binary file, not a case file in TOML text"),
        (GOOD.encode("utf-16"), "case.toml: written as UTF-16; save it as UTF-8"),
        (
            b'[conditions]\nambient = "31 \xb0C"\n',
            "case.toml:2: byte 0xb0 is not UTF-8; save the file as UTF-8",
        ),
        (b"x" * 10_000_000, "case.toml: larger than 1 MB, so it is not a case file"),
        (b"\0" * 10_000_000, "case.toml: larger than 1 MB, so it is not a case file"),
        (
            b"findings = " + b"[" * 50_000,
            "case.toml: brackets are nested too deeply for a case file",
        ),
    ],
    ids=["empty", "blank", "only a mark", "picture", "utf-16", "latin", "noise", "zeros", "nested"],
)
def test_what_is_not_text_is_refused(data: bytes, message: str) -> None:
    assert refused(data) == message


def test_a_missing_file_is_named() -> None:
    with pytest.raises(InspectionError) as caught:
        load_case("nowhere.toml")
    assert str(caught.value) == "nowhere.toml: no such file; check the name and the folder"


def test_a_folder_is_no_case_file() -> None:
    Path("folder").mkdir()
    with pytest.raises(InspectionError) as caught:
        load_case("folder")
    assert str(caught.value) == "folder: a folder, not a case file; name a file in it"


def test_long_rubbish_gives_a_short_message() -> None:
    text = f'[findings]\n{"k" * 5000} = "{"v" * 5000}"\nsample_darkening = "{"w" * 5000}"\n'
    assert len(refused(text.encode())) < 500
    deep = "[findings]\nsample_darkening = " + "{a=" * 60 + "1" + "}" * 60 + "\n"
    assert len(refused(deep.encode())) < 500
    digits = "[findings]\nsample_darkening = " + "9" * 10_000 + "\n"
    assert len(refused(digits.encode())) < 500


def test_a_text_without_a_file_is_called_case_text() -> None:
    with pytest.raises(InspectionError) as caught:
        load_case('[findings]\nsample_bubbles = "many"\n')
    expected = "case text:2: [findings] sample_bubbles: unknown state 'many'"
    assert str(caught.value) == f"{expected}; known: none, persisting"


def test_every_bad_file_can_be_caught_by_one_name() -> None:
    for bad in TABLE:
        with pytest.raises(LoopoddsError):
            load_case(bad["text"].lstrip("\n") + "\n")


@pytest.mark.parametrize("bad", TABLE, ids=[bad["about"] for bad in TABLE])
def test_the_command_line_shows_the_message_and_exits_with_one(bad: dict[str, str]) -> None:
    Path("case.toml").write_text(bad["text"], encoding="utf-8")
    result = CliRunner().invoke(main, ["assess", "case.toml"])
    expected = " ".join(bad["message"].replace("FILE", "case.toml").split())
    assert (result.exit_code, result.stdout, result.stderr) == (1, "", f"loopodds: {expected}\n")


def test_all_that_is_wrong_is_told_at_once_in_the_order_of_the_file() -> None:
    """What a pressure cannot be is left for later: it depends on what is yet to be put right."""
    text = (
        '[vehicle]\nrefrigerant = "R134"\n[conditions]\nhumidity = "145 %"\n'
        '[findings]\nsample_darkening = "borwn"\nowner = "yes"\n[finding]\nvent = "low"\n'
        '[readings]\nlow_side = "2 barr"\nhigh_side = "255 bar"\n'
    )
    Path("case.toml").write_text(text, encoding="utf-8")
    result = CliRunner().invoke(main, ["assess", "case.toml"])
    assert (result.exit_code, result.stdout) == (1, "")
    starts = [
        "2: [vehicle] refrigerant: unknown refrigerant 'R134';",
        "6: [findings] sample_darkening: unknown state 'borwn';",
        "7: [findings] owner: unknown finding;",
        "8: [finding]: unknown section;",
        "11: [readings] low_side: unknown unit 'barr'",
        "4: [conditions] humidity: '145 %':",
    ]
    lines = result.stderr.splitlines()
    assert len(lines) == len(starts)
    for line, start in zip(lines, starts, strict=True):
        assert line.startswith(f"loopodds: case.toml:{start}")


def test_noise_that_reads_as_a_case_stops_soon() -> None:
    text = "[findings]\n" + "".join(f"key_{number} = 1\n" for number in range(9000))
    lines = complaint(text).split("\n")
    assert len(lines) == 51
    assert lines[-1] == "stopped here, after 50 errors"


def test_standard_input_is_named_in_the_message() -> None:
    result = CliRunner().invoke(main, ["assess", "-"], input='[findings]\nsample_glow = "faint"\n')
    message = "standard input:2: [findings] sample_glow: unknown state 'faint'"
    assert result.stderr == f"loopodds: {message}; known: none, normal, strong\n"
    assert result.exit_code == 1


@settings(max_examples=300, derandomize=True, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 400), st.sampled_from(SCRAPS)), min_size=1, max_size=5))
def test_a_mangled_file_is_a_case_or_lines_of_complaint(cuts: list[tuple[int, str]]) -> None:
    text = WHOLE
    for at, scrap in cuts:
        text = text[:at] + scrap + text[at + len(scrap) // 2 :]
    for message in complaint(text).split("\n"):
        assert message.isprintable()
        assert len(message) < 500
