"""Preferences of a workshop: one file, what comes before it, what stands on screens by it."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from loopodds_cli.main import main
from loopodds_cli.preferences import Preferences, config_path, in_force, preferences
from loopodds_cli.screen.shown import decimals, shown


@pytest.fixture(autouse=True)
def _own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LOOPODDS_CONFIG", str(tmp_path / "config.toml"))
    monkeypatch.setenv("LOOPODDS_BOOK", str(tmp_path / "book.db"))
    for name in ("LOOPODDS_PRICES", "LOOPODDS_WHO"):
        monkeypatch.delenv(name, raising=False)


def run(*words: str, typed: str = "") -> Result:
    return CliRunner().invoke(main, list(words), input=typed)


def write(text: str) -> None:
    Path("config.toml").write_text(text, encoding="utf-8")


def test_what_is_set_is_shown_with_where_it_comes_from(monkeypatch: pytest.MonkeyPatch) -> None:
    assert run("config", "set", "pressure", "psi").exit_code == 0
    run("config", "set", "who", "Kim")
    monkeypatch.setenv("LOOPODDS_WHO", "Lee")
    told = {row["key"]: row for row in json.loads(run("config", "--json").output)["keys"]}
    assert (told["pressure"]["value"], told["pressure"]["from"]) == ("psi", "file")
    assert (told["who"]["value"], told["who"]["from"]) == ("Lee", "LOOPODDS_WHO")
    assert (told["decimal"]["value"], told["decimal"]["from"]) == ("point", "shipped")
    page = run("config").output
    assert "psi" in page
    assert all(len(line) <= 80 for line in page.splitlines() if "config.toml" not in line)
    run("config", "unset", "pressure")
    assert "pressure" not in preferences().values


def test_setting_keeps_what_else_stands_in_the_file() -> None:
    write("# ours\nwho = 'Kim'\n")
    run("config", "set", "mass", "oz")
    assert Path("config.toml").read_text() == "# ours\nwho = 'Kim'\nmass = \"oz\"\n"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("presure = 'psi'\n", "config.toml:1: unknown key 'presure'; did you mean 'pressure'?"),
        (
            "# units\npressure = 'PSI'\n",
            "config.toml:2: pressure: 'PSI' is none of its values; did you mean 'psi'?",
        ),
        ("mass = 5\n", 'config.toml:1: mass: a text in quotes stands there, as mass = "g"'),
        ("mass = \n", "config.toml: not valid TOML: Invalid value (at line 1, column 8)"),
        ("prices = 'none.toml'\n", "prices: there is no file"),
    ],
)
def test_what_cannot_be_used_is_named_with_file_line_and_key(text: str, message: str) -> None:
    write(text)
    result = run("cases")
    assert result.exit_code == 1
    assert message in result.stderr
    # what mends it works all the same
    assert run("help").exit_code == 0
    assert run("config", "set", "presure", "psi").exit_code == 1


def test_an_option_comes_before_the_environment_and_that_before_the_file(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for name in ("file", "environment", "option"):
        Path(f"{name}.toml").write_text(f"currency = '{name}'\n", encoding="utf-8")
    write("prices = 'file.toml'\nwho = 'Kim'\nbook = 'ours.db'\n")
    case = ("plan", "@routine_sound", "--json")

    def currency(*words: str) -> str:
        told: str = json.loads(run(*case, *words).output)["currency"]
        return told

    assert currency() == "file"
    monkeypatch.setenv("LOOPODDS_PRICES", "environment.toml")
    assert currency() == "environment"
    assert currency("--prices", "option.toml") == "option"
    monkeypatch.delenv("LOOPODDS_PRICES")
    monkeypatch.delenv("LOOPODDS_BOOK")
    before = dict(os.environ)
    run("case", "open")
    assert Path("ours.db").exists()
    (opened,) = json.loads(run("case", "history", "1", "--json").output)["events"]
    assert opened["who"] == "Kim"
    assert dict(os.environ) == before


def test_readings_and_decimals_stand_on_screens_as_the_workshop_reads_them() -> None:
    write("pressure = 'psi'\ntemperature = 'degF'\ndecimal = 'comma'\nmass = 'oz'\n")
    page = run("gauges", "@wet_loop").output
    assert " psi" in page
    assert " bar" not in page
    assert "degC" not in page
    assert not re.search(r"[0-9]\.[0-9]", page)
    plain = run("gauges", "@wet_loop", "--json").output
    write("")
    assert run("gauges", "@wet_loop", "--json").output == plain


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("2 bar (low)", "29.0 psi (low)"),
        ("1.5 to 2,0 bar", "21.8 to 29.0 psi"),
        ("2 bar abs, 400 mbar vac", "2 bar abs, 400 mbar vac"),
        ("-10 degC", "14.0 degF"),
        ("5 K", "9.0 degF"),
        ("5 deltaF", "5 degF"),
        ("R134a, 3 bars, v2 kg/h", "R134a, 3 bars, v2 kg/h"),
    ],
)
def test_only_quantities_are_converted(
    text: str, said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    chosen = Preferences(Path(), {"pressure": "psi", "temperature": "degF", "mass": "oz"})
    monkeypatch.setattr("loopodds_cli.screen.shown.active", lambda: chosen)
    assert shown(text) == said


def test_a_bare_number_at_the_prompt_is_in_the_unit_of_the_workshop() -> None:
    write("pressure = 'psi'\ntemperature = 'degF'\n")
    typed = "van\nyf\nenough\nlow 30\nvent 57,5\nsuperheat 9 degF\nsubcooling 9\nq\n"
    told = " ".join(run("case", "work", typed=typed).output.split())
    assert "taken as 30 psi, the workshop's unit" in told
    events = json.loads(run("case", "history", "1", "--json").output)["events"]
    values = [event["content"].get("value") for event in events[2:]]
    assert values == ["30 psi", "57,5 degF", "9 degF", "9 deltaF"]


def test_the_file_lies_where_the_system_keeps_such_files(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("LOOPODDS_CONFIG")
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.setenv("XDG_CONFIG_HOME", "/etc/us")
    assert config_path() == Path("/etc/us/loopodds/config.toml")
    monkeypatch.setenv("XDG_CONFIG_HOME", "relative")
    assert config_path() == Path.home() / ".config" / "loopodds" / "config.toml"


def test_what_has_to_be_there_is_looked_for_when_it_is_set() -> None:
    """A file is the same from any folder; what is not there is refused at once, not at each use."""
    for key, value in (("prices", "none.toml"), ("language", "xx")):
        assert run("config", "set", key, value).exit_code == 1
    assert run("config", "set", "book", "mine.db").exit_code == 0
    assert preferences().values == {"book": str(Path("mine.db").resolve())}


def test_a_version_is_no_number() -> None:
    run("config", "set", "decimal", "comma")
    with in_force():
        assert decimals("numpy 2.4.6: 1,234.5 units") == "numpy 2.4.6: 1.234,5 units"
