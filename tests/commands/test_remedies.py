"""Advice of the commands for errors of the library, which speaks no command line."""

from __future__ import annotations

import re
from pathlib import Path
from string import Formatter

import loopodds
import pytest
from loopodds import CaseError
from loopodds_cli.remedies import REMEDIES, advised

MODEL = Path(loopodds.__file__ or "").parent
CODE = "\n".join(path.read_text(encoding="utf-8") for path in sorted(MODEL.rglob("*.py")))


def test_there_is_advice_for_every_remedy_that_the_library_names():
    named = set(re.findall(r'helped_by\(\s*"([^"]+)"', CODE))
    named |= set(re.findall(r'^_ELSEWHERE = "([^"]+)"', CODE, re.MULTILINE))
    assert named == set(REMEDIES)


@pytest.mark.parametrize("remedy", REMEDIES)
def test_the_library_tells_what_the_advice_names(remedy: str):
    fields = {field for _, field, *_ in Formatter().parse(REMEDIES[remedy]) if field}
    for details in re.findall(rf'helped_by\(\s*"{remedy}"([^)]*)\)', CODE):
        assert fields == set(re.findall(r"(\w+)=", details))


def test_the_library_speaks_no_command_line():
    assert not re.findall(r"`loopodds [a-z]|[ (]--[a-z]+", CODE)


def test_advice_follows_what_is_wrong():
    error = CaseError("case 3 is closed").helped_by("reopen", case=3)
    assert advised(error) == "case 3 is closed; `loopodds case undo 3` opens it again"
    assert advised(CaseError("no such thing")) == "no such thing"
