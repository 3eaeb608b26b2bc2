"""The commands keep their promises: pages, pipes, exit codes, help and completion."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from copy import copy
from dataclasses import replace
from importlib import import_module
from itertools import pairwise
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result
from loopodds.advice.assessment import Assessment
from loopodds.base.phrases import bits_text, chance_word, evidence_word
from loopodds.casebook.sources import demo_cases
from loopodds.diagnosis.belief import Conflict
from loopodds.exchange.bif import read_bif
from loopodds.knowledge.assembly import build_network
from loopodds.knowledge.records import Knowledge
from loopodds_cli.main import COMMANDS, main
from loopodds_cli.pages.assess import print_assessment
from loopodds_cli.screen.page import Page, factor, percent
from shared import assessed
from shared import page as printed
from shared_screens import faults_of

ESCAPE = "\x1b["
START = [sys.executable, "-c", "from loopodds_cli.main import main; main(prog_name='loopodds')"]
DEMOS = list(demo_cases())


def run(*arguments: str, text: str | None = None) -> Result:
    return CliRunner().invoke(main, list(arguments), input=text, prog_name="loopodds")


def process(*arguments: str, **environment: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [*START, *arguments], capture_output=True, check=False, env={**os.environ, **environment}
    )


def changed(result: Assessment, **parts: object) -> Assessment:
    """The same result with other parts, for what no shipped case shows."""
    other = copy(result)
    for name, value in parts.items():
        setattr(other, name, value)
    return other


def commands() -> Iterator[tuple[str, click.Command]]:
    """Every command and sub-command with its full name."""
    for name in COMMANDS:
        command = import_module(f"loopodds_cli.commands.{name}").command
        yield name, command
        if isinstance(command, click.Group):
            yield from ((f"{name} {sub}", found) for sub, found in command.commands.items())


@pytest.mark.parametrize(("name", "command"), list(commands()))
def test_every_command_helps_with_an_example(name: str, command: click.Command) -> None:
    result = run(*name.split(), "--help")
    assert result.exit_code == 0
    assert "Example:\n" in result.output
    assert re.search(r"^    (eval .*)?loopodds ", result.output, re.MULTILINE)


@pytest.mark.parametrize("name", COMMANDS)
def test_the_list_of_commands_says_what_the_command_says(name: str) -> None:
    command = import_module(f"loopodds_cli.commands.{name}").command
    assert (command.help or "").partition("\n")[0] == COMMANDS[name]
    assert COMMANDS[name] in " ".join(run("--help").output.split())


def test_a_misspelt_command_is_a_usage_error_with_the_nearest_one() -> None:
    result = run("asess", "x.toml")
    assert result.exit_code == 2
    assert result.stderr.endswith("Error: no command 'asess'; did you mean 'assess'?\n")


@pytest.mark.parametrize("option", ["-V", "--version"])
def test_version_is_that_of_the_package(option: str) -> None:
    from importlib.metadata import version

    assert run(option).output == f"loopodds, version {version('loopodds')}\n"


@pytest.mark.parametrize("case", DEMOS)
def test_a_page_fits_80_columns_and_carries_nothing_but_text_in_a_pipe(case: str) -> None:
    text = printed("assess", case)
    lines = text.splitlines()
    assert max(map(len, lines)) <= 80
    assert not faults_of("assess", case, text)
    assert ESCAPE not in text
    assert not any(line.endswith(" ") for line in lines)


@pytest.mark.parametrize("case", DEMOS)
def test_json_says_the_same_as_the_page(case: str) -> None:
    data = assessed(case).as_json()
    page = printed("assess", case)
    leader = max(data["p_sound"], data["conditions"][0]["probability"])
    assert f"{percent(leader)}  (before looking:" in page
    assert all(" ".join(text.split()) in " ".join(page.split()) for text in data["warnings"])


def test_the_command_prints_what_the_library_says() -> None:
    result = run("assess", DEMOS[0])
    assert (result.exit_code, result.output) == (0, printed("assess", DEMOS[0]))
    told = json.loads(run("assess", DEMOS[0], "--json").output)
    assert told == json.loads(json.dumps(assessed(DEMOS[0]).as_json()))


def test_there_are_demo_cases_of_every_kind() -> None:
    assert len(DEMOS) >= 8
    listed = run("cases").output
    assert all(case in listed for case in DEMOS)
    assert all(demo_cases().values())
    assert len(json.loads(run("cases", "--json").output)["cases"]) == len(DEMOS)


def test_a_case_from_standard_input_is_the_same_case(tmp_path: Path) -> None:
    text = '[findings]\nsample_bubbles = "persisting"\n'
    (tmp_path / "case.toml").write_text(text, encoding="utf-8")
    piped = json.loads(run("assess", "-", "--json", text=text).output)
    read = json.loads(run("assess", str(tmp_path / "case.toml"), "--json").output)
    assert piped["conditions"] == read["conditions"]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["assess", "@wet_lop"], "loopodds: unknown demo case 'wet_lop'; did you mean 'wet_loop'?"),
        (["network", "moistur"], "loopodds: unknown node 'moistur'; did you mean 'moisture'?"),
        (
            ["network", "leak", "--context", "seting=routine"],
            "loopodds: unknown context 'seting'; did you mean 'setting'?",
        ),
        (
            ["network", "leak", "--context", "setting=routin"],
            "loopodds: unknown value of setting 'routin'; did you mean 'routine'?",
        ),
        (
            ["network", "--export", "/no/such/folder/net.bif", "--context", "setting=routine"],
            "loopodds: /no/such/folder/net.bif: there is no folder /no/such/folder; make it first",
        ),
    ],
)
def test_bad_input_is_one_line_and_exit_code_1(arguments: list[str], message: str) -> None:
    result = run(*arguments)
    assert (result.exit_code, result.stderr, result.stdout) == (1, message + "\n", "")


@pytest.mark.parametrize(
    "arguments",
    [
        ["assess"],
        ["assess", "@wet_loop", "--jsn"],
        ["network", "leak", "--check"],
        ["network", "--verify", "--check"],
        ["network", "--verify", "--rows", "0"],
        ["network", "--export", "-"],
        ["network", "--draw", "net.svg"],
        ["network", "leak", "--context", "setting"],
        ["assess", "@wet_loop", "--knowledge", "no_such_folder"],
        ["completion", "tcsh"],
    ],
)
def test_wrong_use_is_exit_code_2(arguments: list[str]) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert result.stderr.startswith("Usage: loopodds")


def test_findings_that_cannot_be_are_named_not_traced(tmp_path: Path) -> None:
    """Two states that the planted node never shows together with its only parent state."""
    for file in Path(next(iter(import_module("loopodds_data").__path__))).glob("*.toml"):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    planted = (
        "\n[never]\ntitle = 'Never'\nabout = 'Never seen.'\ngroup = 'sample'\n"
        "states = ['no', 'yes']\ndistribution = 'table'\nparents = ['leak']\n"
        "rows = [{ p = [1.0, 0.0] }]\nsource = 'estimate'\ngrade = 'estimate'\nweight = 5\n"
    )
    with (tmp_path / "findings.toml").open("a", encoding="utf-8") as file:
        file.write(planted)
    text = "[findings]\nnever = 'yes'\nburnt_smell = 'yes'\n"
    result = run("assess", "-", "--knowledge", str(tmp_path), text=text)
    assert result.exit_code == 1
    assert result.stderr == "loopodds: these cannot hold together: never\n"


def test_a_reader_that_stops_reading_is_no_error() -> None:
    whole = subprocess.Popen(
        [*START, "network", "--json"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert whole.stdout is not None
    assert whole.stderr is not None
    whole.stdout.read(10)
    whole.stdout.close()
    complaint = whole.stderr.read()
    whole.stderr.close()
    assert (whole.wait(), complaint) == (0, b"")


def test_output_that_cannot_show_drawing_gets_plain_characters() -> None:
    result = process("assess", DEMOS[0], PYTHONIOENCODING="ascii")
    assert result.returncode == 0
    assert "#" in result.stdout.decode("ascii")


@pytest.mark.parametrize("colour", [True, False])
def test_colour_carries_no_meaning_and_can_be_refused(
    colour: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = run("assess", DEMOS[0]).output
    monkeypatch.setenv("FORCE_COLOR", "1")
    if not colour:
        monkeypatch.setenv("NO_COLOR", "1")
    output = run("assess", DEMOS[0]).output
    codes = re.findall(r"\x1b\[([0-9;]*)m", output)
    coloured = [c for c in codes if any(30 <= int(n) <= 49 for n in c.split(";") if n)]
    assert bool(coloured) == colour
    assert re.sub(r"\x1b\[[0-9;]*m", "", output) == plain


def test_a_narrow_terminal_is_respected(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    assert max(map(len, run("assess", DEMOS[0]).output.splitlines())) <= 60


def test_a_wide_terminal_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    before = run("assess", DEMOS[0]).output
    monkeypatch.setenv("COLUMNS", "200")
    assert run("assess", DEMOS[0]).output == before


def test_a_sound_car_is_told_first_of_all(capsys: pytest.CaptureFixture[str]) -> None:
    print_assessment(assessed("@routine_sound"))
    page = capsys.readouterr().out
    assert page.splitlines()[2].endswith("NOTHING WRONG FOUND")
    assert "Taken together" not in page


def test_two_faults_are_both_in_the_answer() -> None:
    lines = run("assess", "@low_charge_dead_fan").output.splitlines()
    answer = "\n".join(line for line in lines[:8] if line.startswith(" ┃"))
    assert "undercharge" in answer.lower()
    assert "too little air through the condenser" in answer.lower()
    assert "Taken together" in "\n".join(lines)


def test_a_conflict_is_told_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    result = assessed("@wet_loop")
    clash = Conflict(2.0, (("sample_bubbles", "moisture_indicator", 3.0),))
    print_assessment(changed(result, conflict=clash))
    page = " ".join(capsys.readouterr().out.split())
    assert "Bubbles that stay in the sample: persisting but Moisture indicator: wet" in page
    assert "together 8 times rarer than by chance" in page


def test_next_tests_appear_with_what_must_come_first(capsys: pytest.CaptureFixture[str]) -> None:
    knowledge = Knowledge()
    first, then = list(knowledge.tests)[:2]
    titles = [knowledge.tests[name].title for name in (first, then)]
    result = assessed("@wet_loop")
    test = replace(
        result.tests[0], test=then, opens=then, minutes=5, net_value=1.0, blocked_by=(first,)
    )
    print_assessment(changed(result, next_tests=(test,)))
    page = capsys.readouterr().out
    assert f"{titles[1]}  5 min  +1" in page
    assert f"{titles[1]} only after: {titles[0][:1].lower()}{titles[0][1:]}" in page


@pytest.mark.parametrize("case", ["@wet_loop", "@routine_sound"])
def test_an_assessment_names_the_same_tests_and_plan_as_their_own_commands(case: str) -> None:
    told, tests, plan = (
        json.loads(run(command, case, "--json").output) for command in ("assess", "next", "plan")
    )
    by_name = {test["test"]: test for test in tests["next_tests"]}
    assert len(told["next_tests"]) == 3
    assert all(test == by_name[test["test"]] for test in told["next_tests"])
    for key, value in {**plan["best"], "currency": tests["currency"]}.items():
        # the same sums in another order: rounding
        expected = pytest.approx(value, rel=1e-9) if isinstance(value, float) else value
        assert told["plan"][key] == expected
    paying = [test["test"] for test in told["next_tests"] if test["net_value"] > 0]
    assert paying[:1] == ([tests["next"]] if paying else [])


def test_the_prices_of_a_workshop_and_the_tests_done_count_in_an_assessment(tmp_path: Path) -> None:
    prices = tmp_path / "prices.toml"
    prices.write_text('currency = "EUR"\n', encoding="utf-8")
    told = json.loads(run("assess", "@wet_loop", "--prices", str(prices), "--json").output)
    assert told["plan"]["currency"] == "EUR"
    first = told["next_tests"][0]["test"]
    again = json.loads(run("assess", "@wet_loop", "--done", first, "--json").output)
    assert first not in {test["test"] for test in again["next_tests"]}


@pytest.mark.parametrize(
    ("text", "share"),
    [
        ('[vehicle]\nrefrigerant = "R134a"\n', "of cars like it, "),
        ('[history]\nregassed_every_season = "yes"\n', "of cars with such a history, "),
    ],
)
def test_a_car_that_nobody_looked_at_is_not_called_sound(text: str, share: str) -> None:
    page = run("assess", "-", text=text).output
    p_sound = json.loads(run("assess", "-", "--json", text=text).output)["p_sound"]
    assert "NOTHING LOOKED AT YET" in page
    assert f"{share}{percent(p_sound)} have nothing wrong" in page
    assert "FOUND" not in page


def test_a_setting_is_told_from_one_that_was_not_stated() -> None:
    text = '[findings]\nsample_bubbles = "none"\n'
    stated = '[conditions]\nsetting = "routine"\n' + text
    assert "not said why it is here" in run("assess", "-", text=text).output
    page = run("assess", "-", text=stated).output
    assert "routine check" in page
    assert "not said why" not in page


def test_what_was_found_is_named_beside_what_was_likely_all_along(
    capsys: pytest.CaptureFixture[str],
) -> None:
    result = assessed("@wet_loop")
    odds = {"undercharge": (0.60, 0.52), "cabin_mixing": (0.43, 0.06)}
    ranking = [
        c._replace(probability=odds[c.name][0], prior=odds[c.name][1])
        for name in odds
        for c in result.conditions
        if c.name == name
    ]
    result = changed(result, conditions=tuple(ranking), moved_most="cabin_mixing", moved_by={})
    print_assessment(result)
    lines = capsys.readouterr().out.splitlines()
    answer = [line for line in lines[:8] if line.startswith(" ┃")]
    title = Knowledge().node("cabin_mixing").title
    assert "UNDERCHARGE" in answer[0]
    assert answer[2] == f" ┃ rose most: {title.lower()}, 43 % (was 6 %)"
    (marked,) = [line for line in lines if "  *  " in line]
    assert title in marked


def test_what_nothing_moves_alone_is_told_with_what_all_together_did(
    capsys: pytest.CaptureFixture[str],
) -> None:
    result = assessed("@routine_sound")
    weights = tuple(w._replace(decibans=0.2) for w in result.moved_by["sound"])
    result = changed(
        result, p_sound=0.45, p_sound_before=0.11, moved_by={"sound": weights}, moved_most=None
    )
    print_assessment(result)
    page = " ".join(capsys.readouterr().out.split())
    assert "Nothing wrong (11 % to 45 %; no single observation moves it much)" in page
    assert "most likely so far: nothing wrong" in page


@pytest.mark.parametrize("case", DEMOS)
def test_no_page_counts_to_nothing(case: str) -> None:
    page = printed("assess", case)
    assert not re.search(r"-0(\.0)?(?![.\d])|\b0 more", page)


@pytest.mark.parametrize("name", Knowledge().nodes)
def test_every_node_has_a_page_of_80_columns_with_its_sources(name: str) -> None:
    result = run("network", name)
    assert result.exit_code == 0
    assert max(map(len, result.output.splitlines())) <= 80
    assert Knowledge().node(name).grounds.source in result.output


def test_the_list_names_every_node_with_its_kind() -> None:
    page = run("network").output
    assert all(f" {name} " in page for name in Knowledge().nodes)
    assert max(map(len, page.splitlines())) <= 80
    listed = json.loads(run("network", "--json").output)
    assert listed["digest"] == Knowledge().digest
    assert [node["name"] for node in listed["nodes"]] == list(Knowledge().nodes)


def test_a_search_shows_what_each_name_is_and_how_a_case_file_says_it() -> None:
    page = run("network", "--search", "sight glass").output
    assert '      [vehicle] sight_glass = "present" | "absent"\n' in page
    assert "line_bubbles  finding  " in page
    assert "done: --done sight_glass_look with assess" in page
    told = json.loads(run("network", "--search", "sight glass", "--json").output)
    assert {"sight_glass", "line_bubbles"} <= {found["name"] for found in told["found"]}
    assert run("network", "--search", "swimming pool").exit_code == 0
    assert run("network", "--search", " ").exit_code == 2
    assert run("network", "air", "--search", "oil").exit_code == 2


def test_the_blank_form_is_a_case_that_the_commands_read() -> None:
    form = run("case", "template").output
    assert json.loads(run("assess", "-", "--json", text=form).output)["p_sound"] > 0


def test_a_node_as_json_says_what_its_file_says() -> None:
    data = json.loads(run("network", "line_bubbles", "--json").output)
    node = Knowledge().node("line_bubbles")
    assert data["entry"]["leak"]["p"] == list(node.leak.p)
    assert len(data["entry"]["variants"]) == len(node.variants)
    assert data["parents"] == ["charge", "air", "evaporator_feed"]


def test_a_context_picks_the_numbers_that_hold_in_it() -> None:
    every = run("network", "line_bubbles").output
    orifice = run("network", "line_bubbles", "--context", "expansion=orifice").output
    assert "Different numbers" in every
    assert "Different numbers" not in orifice
    settings = [run("network", "leak", "--context", f"setting={s}").output for s in
                ("complaint", "routine")]  # fmt: skip
    assert [("routine" in page, "complaint" in page) for page in settings] == [
        (False, True),
        (True, False),
    ]


def test_the_exported_network_is_the_network(tmp_path: Path) -> None:
    path = tmp_path / "net.bif"
    context = {"setting": "routine", "expansion": "TXV"}
    options = [part for pair in context.items() for part in ("--context", "=".join(pair))]
    assert run("network", "--export", str(path), *options).exit_code == 0
    network = build_network(Knowledge(), context)
    read = read_bif(path).network
    table = read.variable("moisture").table  # type: ignore[union-attr]
    # text keeps every digit; reading evens rows out by less than a rounding of the last one
    assert table == pytest.approx(network.hidden["moisture"].table, abs=1e-12)
    assert run("network", "--export", "-", *options).output == path.read_text(encoding="utf-8")


@pytest.mark.slow
def test_own_knowledge_is_verified_against_another_engine() -> None:
    folder = str(Path(__file__).parents[1] / "small_knowledge")
    asked = ("network", "--verify", "--rows", "2", "--seed", "5", "--knowledge", folder)
    page, told = run(*asked), run(*asked, "--json")
    assert (page.exit_code, told.exit_code) == (0, 0)
    assert "2 random cars, seed 5" in page.output
    assert "They agree" in page.output
    data = json.loads(told.output)
    assert data["largest_difference"] <= data["tolerance"] == 1e-9
    assert sum(context["rows"] for context in data["contexts"]) == data["rows"] == 2


def test_a_node_is_drawn_with_what_it_is_joined_to(tmp_path: Path) -> None:
    path = tmp_path / "air.svg"
    result = run("network", "air", "--draw", str(path))
    assert result.exit_code == 0
    assert path.read_text(encoding="utf-8").startswith("<?xml")
    assert "depends on" in result.output
    told = json.loads(run("network", "air", "--draw", str(path), "--json").output)
    assert told["picture"] == str(path)
    assert told["shows"] in result.output


def test_check_passes_the_shipped_knowledge_and_fails_a_broken_copy(tmp_path: Path) -> None:
    good = run("network", "--check")
    assert (good.exit_code, good.stderr) == (0, "")
    assert re.search(r"^0 problems, \d+ warnings$", good.output, re.MULTILINE)
    bad = run("network", "--check", "--knowledge", str(tmp_path))
    assert bad.exit_code == 1
    assert "findings.toml: file: cannot be read: No such file or directory" in bad.output
    data = json.loads(run("network", "--check", "--json", "--knowledge", str(tmp_path)).output)
    assert {"file", "name", "text", "warning"} == set(data["problems"][0])


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_scripts_ask_the_program(shell: str) -> None:
    assert f"_LOOPODDS_COMPLETE={shell}_complete" in run("completion", shell).output


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        ("loopodds as", {"assess"}),
        ("loopodds network moisture_", {"moisture_indicator"}),
        ("loopodds assess @wet", {"@wet_loop"}),
        ("loopodds network --ex", {"--export"}),
        ("loopodds completion z", {"zsh"}),
        ("loopodds help case", {"case", "case-file", "cases"}),
    ],
)
def test_the_shell_completes_commands_options_and_names(words: str, offered: set[str]) -> None:
    count = len(words.split()) - 1
    result = process(_LOOPODDS_COMPLETE="bash_complete", COMP_WORDS=words, COMP_CWORD=str(count))
    assert {line.split(",")[1] for line in result.stdout.decode().split()} == offered


def test_probabilities_are_never_rounded_to_certainty() -> None:
    assert [percent(p) for p in (0.0, 0.001, 0.5, 0.9999, 1.0)] == [
        "0 %",
        "<1 %",
        "50 %",
        ">99 %",
        "100 %",
    ]


def test_words_for_chances_rise_with_them() -> None:
    words = [chance_word(p / 100) for p in range(101)]
    assert words[0] == "very unlikely"
    assert words[100] == "almost certain"
    assert len(dict.fromkeys(words)) == sum(a != b for a, b in pairwise(words)) + 1


def test_weights_are_told_in_words_that_rise_with_them_and_in_bits() -> None:
    words = [evidence_word(decibans / 4) for decibans in range(-120, 121)]
    assert words[0] == "decisively against"
    assert words[120] == "hardly either way"
    assert words[-1] == "decisively for"
    # as many words as turns of the word: none comes back further up
    assert len(set(words)) == sum(a != b for a, b in pairwise(words)) + 1
    assert (bits_text(3.0103), bits_text(-3.0103), factor(41.2)) == ("+1.0", "-1.0", "41")


def test_a_bar_is_as_full_as_the_probability(capsys: pytest.CaptureFixture[str]) -> None:
    page = Page()
    full = "#" if page.plain else "█"
    assert page.bar(0.0).plain.count(full) == 0
    assert page.bar(1.0).plain.count(full) == len(page.bar(1.0).plain)
    assert page.bar(0.5).plain.count(full) * 2 == len(page.bar(0.5).plain)
    assert len(page.bar(1.0, 1.0).plain) == len(page.bar(0.0, 0.0).plain)


def test_rows_that_are_not_there_take_no_line(capsys) -> None:
    page = Page()
    page.rows([])
    page.rows([("a", "12"), ("bc", "3")], right=[1])
    assert capsys.readouterr().out == "  a   12\n  bc   3\n"
