"""What is worked out for the gauges stands in a file of its own and yields to readings.toml."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from loopodds.base.errors import KnowledgeError
from loopodds.knowledge.assembly import build_network
from loopodds.knowledge.records import Knowledge

ABOUT = {"about": {"source": "invented", "grade": "estimate", "weight": 5}}
SMALL = Path(__file__).parents[1] / "small_knowledge"


def with_tables(folder: Path, *lines: dict[str, Any], about: dict[str, Any] = ABOUT) -> Knowledge:
    """The small knowledge with a file of tables beside it."""
    for file in SMALL.iterdir():
        (folder / file.name).write_text(file.read_text())
    text = "\n".join(json.dumps(line) for line in (about, *lines))
    (folder / "gauges.jsonl").write_text(text)
    return Knowledge(folder)


def mean_of(knowledge: Knowledge, name: str, **states: str) -> float:
    gauge = build_network(knowledge, {}).gauges[name]
    index = tuple(
        knowledge.node(p).states.index(states.get(p, knowledge.node(p).states[0]))
        for p in gauge.parents
    )
    return float(gauge.mean[index])


def test_a_shift_of_the_tables_holds_where_the_gauge_says_nothing(tmp_path: Path) -> None:
    own = {"gauge": "low_side", "shifts": {"parent": "charge", "shift": {"very_low": [-99.0, 1.0]}}}
    knowledge = with_tables(tmp_path, own)
    # readings.toml says -15 of it
    assert mean_of(knowledge, "low_side", charge="very_low") == -15
    faults = [name for name in knowledge.of_kind("fault") if name != "charge"]
    state = knowledge.node(faults[0]).states[1]
    other = {"gauge": "low_side", "shifts": {"parent": faults[0], "shift": {state: [-3.0, 1.0]}}}
    knowledge = with_tables(tmp_path, other)
    assert mean_of(knowledge, "low_side", **{faults[0]: state}) == -3


def shift_line(fault: str, state: str, kelvin: float) -> dict[str, Any]:
    return {"gauge": "low_side", "shifts": {"parent": fault, "shift": {state: [kelvin, 1.0]}}}


def pair_line(kelvin: float, **states: str) -> dict[str, Any]:
    return {"gauge": "low_side", "together": {"states": states, "shift": kelvin}}


def test_two_states_together_move_a_gauge_by_more_than_their_sum(tmp_path: Path) -> None:
    small = Knowledge(SMALL)
    hidden = small.of_kind("fault", "history")
    one, other = [name for name in hidden if name != "charge"][:2]
    a, b = small.node(one).states[1], small.node(other).states[1]
    both = {one: a, other: b}
    lines = (shift_line(one, a, -3.0), shift_line(other, b, 4.0), pair_line(5.0, **both))
    knowledge = with_tables(tmp_path, *lines)
    assert mean_of(knowledge, "low_side", **{one: a}) == -3
    assert mean_of(knowledge, "low_side", **both) == -3 + 4 + 5


def test_what_tables_add_to_a_pair_falls_with_the_shift_that_is_outranked(tmp_path: Path) -> None:
    small = Knowledge(SMALL)
    fault = next(name for name in small.of_kind("fault") if name != "charge")
    state = small.node(fault).states[1]
    both = {"charge": "very_low", fault: state}
    knowledge = with_tables(tmp_path, shift_line(fault, state, -3.0), pair_line(5.0, **both))
    # readings.toml says -15 of the charge: the pair was worked out for another shift of it
    assert mean_of(knowledge, "low_side", **both) == -15 - 3


def test_a_table_without_grounds_of_its_own_has_those_of_the_file(tmp_path: Path) -> None:
    line = {"gauge": "low_side", "sound": {"over": {"ambient": [0.0, 50.0]}, "values": [1, 2]}}
    knowledge = with_tables(tmp_path, line)
    (sound,) = knowledge.gauges["low_side"].sounds()[-1:]
    assert (sound.source, sound.weight) == ("invented", 5)
    assert np.array(sound.values).tolist() == [1.0, 2.0]


def test_a_folder_without_tables_is_the_knowledge_that_it_was() -> None:
    assert "gauges.jsonl" not in Knowledge(SMALL).texts


@pytest.mark.parametrize(
    ("line", "slip"),
    [
        ({"gauge": "low_sid", "sound": {"expected": 1}}, "low_sid is no gauge"),
        ({"gauge": "charge", "sound": {"expected": 1}}, "charge is a fault, no gauge"),
        ({"gauge": "low_side", "sound": {"expcted": 1}}, "line 2: .*expcted"),
        ({"gauge": "low_side", "sond": {}}, "line 2: .*sond"),
        (
            {"gauge": "low_side", "sound": {"over": {"ambient": [0, 1]}, "values": [1]}},
            "line 2: sound: 'over' asks for 2 values",
        ),
        (
            {"gauge": "low_side", "shifts": {"parent": "charge", "shift": {"low": [1, -1]}}},
            "line 2: .*>= 0",
        ),
    ],
)
def test_a_slip_is_named_with_its_line(line: dict[str, Any], slip: str, tmp_path: Path) -> None:
    with pytest.raises(KnowledgeError, match=f"gauges.jsonl: {slip}"):
        with_tables(tmp_path, line)


def test_where_the_numbers_come_from_comes_first(tmp_path: Path) -> None:
    line = {"gauge": "low_side", "sound": {"expected": 1}}
    with pytest.raises(KnowledgeError, match="line 1: needs 'about'"):
        with_tables(tmp_path, about=line)
    with pytest.raises(KnowledgeError, match=r"line 1: .*source"):
        with_tables(tmp_path, about={"about": {"grade": "estimate", "weight": 5}})
