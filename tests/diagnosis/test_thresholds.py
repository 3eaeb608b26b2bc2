"""From which probability the answer says a thing: asked of the commands, on either side of it.

The thresholds are judgements, no counted figures; each has its reason beside its claim.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner
from loopodds.casebook.sources import read_case
from loopodds.diagnosis.diagnose import Diagnosis
from loopodds_cli.main import main
from shared import shipped


def answer(*words: str) -> str:
    return CliRunner().invoke(main, list(words), catch_exceptions=False).stdout


def car(folder: Path, setting: str, finding: str, **doubtful: float) -> str:
    """Case file of a car of which one thing was seen in doubt; at a routine check all else that a
    look at the gauges and the scale shows is as it should be.
    """
    file = folder / "car.toml"
    states = ", ".join(f"{state} = {share}" for state, share in doubtful.items())
    text = f'[conditions]\nsetting = "{setting}"\n[findings]\n{finding} = {{ {states} }}\n'
    if setting == "routine":
        text += "".join(f'{name} = "{word}"\n' for name, word in IN_ORDER.items())
    file.write_text(text, encoding="utf-8")
    return str(file)


IN_ORDER = {
    **dict.fromkeys(("recovered", "low_side", "high_side", "vent"), "normal"),
    "cooling": "good",
    "leak_detector": "none",
}


def diagnosis(case: str) -> Diagnosis:
    return Diagnosis(read_case(case, shipped().knowledge), shipped())


# Specks of which one is not sure make a routine car less certainly sound. Three in five: a customer
# told that nothing is wrong should be told so rightly more often than a coin and a half would.
NOT_SETTLED = {"none": 0.03, "grit": 0.97}
SOUND_ENOUGH = {"none": 0.15, "grit": 0.85}


def test_a_car_is_not_called_sound_on_little_more_than_an_even_chance(tmp_path: Path) -> None:
    case = car(tmp_path, "routine", "sample_specks", **NOT_SETTLED)
    assert 0.51 < diagnosis(case).p_sound < 0.59
    page = answer("assess", case)
    assert "NOT SETTLED YET" in page
    assert "NOTHING WRONG FOUND" not in page
    paper = answer("report", case, "--out", "-", "--format", "md")
    assert "not enough was checked to be sure" in paper
    assert "Nothing wrong with the air conditioning" not in paper


def test_a_car_is_called_sound_from_three_in_five(tmp_path: Path) -> None:
    case = car(tmp_path, "routine", "sample_specks", **SOUND_ENOUGH)
    assert 0.61 < diagnosis(case).p_sound < 0.66
    page = answer("assess", case)
    assert "NOTHING WRONG FOUND" in page
    assert "NOT SETTLED YET" not in page
    assert "Nothing wrong with the air" in answer("report", case, "--out", "-", "--format", "md")


def rise(told: Diagnosis, name: str) -> float:
    """How many times greater the odds of a condition have become."""
    (now,) = [condition for condition in told.conditions if condition.name == name]
    return now.probability / (1 - now.probability) * (1 - now.prior) / now.prior


@pytest.mark.parametrize(("doubt", "moved"), [(0.13, None), (0.08, "moisture")])
def test_what_moved_most_is_named_from_fourfold_odds(
    tmp_path: Path, doubt: float, moved: str | None
) -> None:
    """Six decibans: less than that one doubtful finding brings about, and names nothing."""
    case = car(tmp_path, "complaint", "sample_bubbles", none=doubt, persisting=1 - doubt)
    told = diagnosis(case)
    assert (rise(told, "moisture") < 3.8) is (moved is None)
    assert (4.2 < rise(told, "moisture") < 6) is (moved is not None)
    assert told.moved_most == moved
