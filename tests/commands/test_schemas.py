"""Published schemas: one for every output, as the types say, and as outputs are."""

from __future__ import annotations

import json
import sys
from importlib import import_module
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result
from jsonschema import Draft202012Validator
from loopodds_cli.main import COMMANDS, main
from loopodds_cli.schemas import schema_names, schema_text
from published_schemas import faults
from shared import assessed

TOOLS = Path(__file__).parents[2] / "tools"


def run(*words: str) -> Result:
    return CliRunner().invoke(main, list(words), prog_name="loopodds")


def printing() -> list[str]:
    """Commands that take --json."""
    found = []
    for name in COMMANDS:
        command = import_module(f"loopodds_cli.commands.{name}").command
        group = command.commands.items() if isinstance(command, click.Group) else ()
        for words, one in [(name, command), *((f"{name} {sub}", c) for sub, c in group)]:
            if any("--json" in parameter.opts for parameter in one.params):
                found.append(words)
    return found


def test_files_are_those_of_the_types(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(TOOLS))
    schemas = import_module("write_schemas").schemas()
    sys.modules.pop("write_schemas")
    assert {name.removesuffix(".json").replace("-", " ") for name in schemas} == {*schema_names()}
    assert all(schema_text(name[:-5].replace("-", " ")) == text for name, text in schemas.items())


@pytest.mark.parametrize("words", printing())
def test_every_command_that_prints_json_has_a_schema(words: str) -> None:
    schema = json.loads(run("help", "--schema", words).stdout)
    Draft202012Validator.check_schema(schema)
    assert schema["title"].startswith("loopodds ")
    # keys are added, never renamed: what is not named yet may come
    assert 'additionalProperties": false' not in json.dumps(schema)


def left_open(schema: object) -> bool:
    """Whether something in a schema may be anything."""
    if isinstance(schema, list):
        return any(map(left_open, schema))
    if not isinstance(schema, dict):
        return False
    kind, inner = schema.get("type"), {"object": {"properties", "additionalProperties"},
                                       "array": {"items"}}  # fmt: skip
    nothing_said = kind in inner and not inner[kind] & schema.keys()
    return schema == {} or nothing_said or any(map(left_open, schema.values()))


@pytest.mark.parametrize("words", ["learn", "calibrate", "watch"])
def test_what_the_numbers_come_to_is_described_to_the_last_key(words: str) -> None:
    assert not left_open(json.loads(schema_text(words)))


def test_an_unknown_output_is_answered_with_the_nearest() -> None:
    result = run("help", "--schema", "asess")
    assert (result.exit_code, "did you mean 'assess'?" in result.stderr) == (1, True)


CASES = ["@routine_sound", "@leak_repaired", "@universal_oil_electric"]


@pytest.mark.parametrize("case", CASES)
def test_outputs_about_a_car_are_as_their_schemas_say(case: str) -> None:
    result = assessed(case)
    assert faults("assess", result.as_json()) == []
    assert faults("next", result.next_json()) == []
    assert faults("plan", result.plan_json()) == []


def test_a_key_that_is_missing_or_of_another_kind_is_noticed() -> None:
    told = json.loads(json.dumps(assessed(CASES[0]).as_json()))
    assert faults("assess", {**told, "p_sound": "high"}) == [
        "assess: ['p_sound']: 'high' is not of type 'number'"
    ]
    del told["stops"]
    assert faults("assess", told) == ["assess: []: 'stops' is a required property"]
    assert faults("assess", {**told, "stops": [], "more": 1}) == []
