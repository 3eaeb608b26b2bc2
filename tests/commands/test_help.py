"""``loopodds help``: every topic and command is listed, fits the screen, is found if misspelt."""

from __future__ import annotations

import json
import re
import subprocess
import sys

import pytest
from click.testing import CliRunner
from loopodds_cli.commands.help import plain, topics
from loopodds_cli.main import COMMANDS, main


def run(*words: str):
    return CliRunner().invoke(main, ["help", *words])


def test_the_list_names_every_topic_and_every_command():
    listed = json.loads(run("--json").output)
    assert [topic["name"] for topic in listed["topics"]] == list(topics())
    assert {c["name"]: c["summary"] for c in listed["commands"]} == COMMANDS
    screen = run().output
    assert all(f"  {name} " in screen for name in (*topics(), *COMMANDS))
    assert all(len(line) <= 80 for line in screen.splitlines())


@pytest.mark.parametrize("name", topics())
def test_a_topic_fits_the_screen_and_keeps_its_words(name: str):
    shown, topic = run(name), topics()[name]
    assert shown.exit_code == 0
    assert all(len(line) <= 80 for line in shown.output.splitlines())
    text = re.sub(r"^```.*$", "", topic.text, flags=re.MULTILINE)
    assert shown.output.split() == f"{topic.title} {text}".split()
    assert json.loads(run(name, "--json").output) == {"topic": name, **topic._asdict()}


def test_examples_stand_as_they_are_and_paragraphs_are_wrapped():
    text = "One two\nthree.\n\n- an item\n  of two lines\n- another\n\n    a  b\n"
    wrapped = plain(f"{text}\n```\n x   y\n```\nEnd.", width=9)
    assert wrapped == (
        "One two\nthree.\n\n- an item\n  of two\n  lines\n- another\n\n  a  b\n\n x   y\n\nEnd."
    )


@pytest.mark.parametrize("words", [("next",), ("case", "saw")])
def test_help_for_a_command_is_what_the_command_says_itself(words: tuple[str, ...]):
    own = CliRunner().invoke(main, [*words, "--help"], prog_name="loopodds").output
    assert CliRunner().invoke(main, ["help", *words], prog_name="loopodds").output == own


@pytest.mark.parametrize(
    ("words", "nearest"),
    [(("case-fle",), "case-file"), (("asess",), "assess"), (("case", "swa"), "case saw")],
)
def test_a_misspelt_name_is_answered_with_the_nearest(words: tuple[str, ...], nearest: str):
    refused = run(*words)
    assert refused.exit_code == 1
    assert f"did you mean '{nearest}'?" in refused.stderr


def test_the_package_runs_as_a_program():
    program = [sys.executable, "-m", "loopodds_cli", "--version"]
    shown = subprocess.run(program, capture_output=True, text=True, check=True).stdout
    assert shown.startswith("loopodds, version ")
