"""Every JSON that a test makes a command print is held against the published schema."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

import click
from jsonschema import Draft202012Validator
from loopodds_cli.schemas import schema_name, schema_names, schema_text


@cache
def validator(name: str) -> Draft202012Validator:
    """Of the output of a command."""
    return Draft202012Validator(json.loads(schema_text(name)))


def faults(words: str, content: Any) -> list[str]:
    """What of an output goes against the schema of its command; of several the one it fits best."""
    name = schema_name(words)
    fitting = [n for n in schema_names() if n == name or n.startswith(f"{name} ")]
    assert fitting, f"no schema for {words}"
    plain = json.loads(json.dumps(content))
    found = [
        [f"{words}: {list(error.absolute_path)}: {error.message}" for error in
         validator(one).iter_errors(plain)]
        for one in fitting
    ]  # fmt: skip
    return min(found, key=len)


class Checked:
    """Stands for the module ``json`` where commands print with it."""

    @staticmethod
    def dumps(content: Any, **how: Any) -> str:
        """The text of an output, after its schema was asked."""
        ctx = click.get_current_context(silent=True)
        if ctx is not None:
            problems = faults(" ".join(ctx.command_path.split()[1:]), content)
            assert not problems, problems[:5]
        return json.dumps(content, **how)
