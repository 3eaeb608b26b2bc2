"""What a sound loop reads in any conditions, and what is not stated integrated out."""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loopodds.base.errors import KnowledgeError
from loopodds.knowledge.blocks import Sound
from loopodds.knowledge.expectations import HERMITE, conditions_of, expectation
from loopodds.knowledge.records import Knowledge
from scipy.interpolate import RegularGridInterpolator
from scipy.stats import norm

AMBIENTS, HUMIDITIES, SPEEDS = (5.0, 18.0, 30.0, 45.0), (20.0, 55.0, 90.0), (800.0, 2000.0)
ALL = frozenset({"ambient", "humidity", "engine_speed"})


def invented(seed: int, **changes: object) -> tuple[Knowledge, np.ndarray]:
    """The shipped knowledge with an invented table for the vent, and the table as an array."""
    rng = np.random.default_rng(seed)
    values = rng.normal(10.0, 5.0, (len(AMBIENTS), len(HUMIDITIES), len(SPEEDS)))
    over = {"ambient": AMBIENTS, "humidity": HUMIDITIES, "engine_speed": SPEEDS}
    sound = Sound(over=over, values=tuple(values.ravel().tolist()), spread=1.5, **changes)
    return with_sound("vent", (sound,)), values


def with_sound(name: str, sounds: tuple[Sound, ...]) -> Knowledge:
    knowledge = Knowledge()
    gauge = msgspec.structs.replace(knowledge.gauges[name], sound=sounds, tables=None)
    return knowledge.changed(nodes={**knowledge.nodes, name: gauge})


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 99),
    ambient=st.floats(5.0, 45.0),
    humidity=st.floats(20.0, 90.0),
    speed=st.floats(800.0, 2000.0),
)
def test_between_its_points_a_table_is_multilinear(
    seed: int, ambient: float, humidity: float, speed: float
) -> None:
    knowledge, values = invented(seed)
    stated = {"ambient": ambient, "humidity": humidity, "engine_speed": speed}
    found = expectation(knowledge, "vent", (), ALL, 0.0)
    mean, variance = found.at({key: np.array([value]) for key, value in stated.items()})
    # scipy's interpolator, an independent routine
    other = RegularGridInterpolator((AMBIENTS, HUMIDITIES, SPEEDS), values)
    assert mean[0] == pytest.approx(other([[ambient, humidity, speed]])[0], rel=1e-9, abs=1e-9)
    assert variance[0] == pytest.approx(1.5**2, rel=1e-9)


def test_beyond_its_points_a_table_stays_level() -> None:
    knowledge, values = invented(1)
    found = expectation(knowledge, "vent", (), ALL, 0.0)
    at = {"ambient": [-9.0, 60.0], "humidity": [20.0, 90.0], "engine_speed": [800.0, 5000.0]}
    mean, _ = found.at({key: np.array(value) for key, value in at.items()})
    assert mean == pytest.approx([values[0, 0, 0], values[-1, -1, -1]])


@pytest.mark.parametrize("key", ["ambient", "humidity", "engine_speed"])
def test_what_is_not_stated_is_averaged_over_its_spread(key: str) -> None:
    """Against 10^5 draws: five points catch a table with sharp bends to a seventh of its spread."""
    knowledge, values = invented(2)
    context = knowledge.contexts[key]
    stated = {"ambient": 27.0, "humidity": 60.0, "engine_speed": 1300.0}
    del stated[key]
    found = expectation(knowledge, "vent", (), frozenset(stated), 0.0)
    mean, variance = found.at({k: np.array([v]) for k, v in stated.items()})
    rng = np.random.default_rng(0)
    drawn = rng.normal(context.typical, context.unknown_spread, 100_000)
    axes = {"ambient": AMBIENTS, "humidity": HUMIDITIES, "engine_speed": SPEEDS}
    points = np.array([np.clip(drawn, *axes[k][:: len(axes[k]) - 1]) if k == key
                       else np.full(len(drawn), stated[k]) for k in axes]).T  # fmt: skip
    shown = RegularGridInterpolator(tuple(axes.values()), values)(points)
    spread = np.hypot(shown.std(), 1.5)
    assert mean[0] == pytest.approx(shown.mean(), abs=0.12 * spread)
    assert np.sqrt(variance[0]) == pytest.approx(spread, rel=0.15)


def test_an_unknown_make_up_mixes_tables_and_slopes_by_their_shares() -> None:
    """Two moments of a mixture, worked out by hand, one part a table and one a value with slope."""
    table = Sound(when={"expansion": "orifice"}, over={"ambient": (0.0, 40.0)}, values=(4.0, 12.0))
    slope = Sound(expected=9.0, per_ambient=0.5, spread=2.0)
    knowledge = with_sound("vent", (table, slope))
    context = knowledge.contexts["expansion"]
    p = context.shares[context.values.index("orifice")]
    found = expectation(knowledge, "vent", (), frozenset({"ambient"}), 0.0)
    mean, variance = found.at({"ambient": np.array([35.0])})
    one, other = 4.0 + 8.0 * 35 / 40, 9.0 + 0.5 * 10
    assert mean[0] == pytest.approx(p * one + (1 - p) * other)
    second = p * one**2 + (1 - p) * (other**2 + 4.0)
    assert variance[0] == pytest.approx(second - mean[0] ** 2)


def test_a_condition_in_words_is_averaged_by_its_shares() -> None:
    sound = Sound(over={"air_intake": (0.0, 1.0)}, values=(8.0, 14.0))
    knowledge = with_sound("vent", (sound,))
    found = expectation(knowledge, "vent", (), frozenset(), 0.0)
    mean, variance = found.at({})
    context = knowledge.contexts["air_intake"]
    fresh = context.shares[context.values.index("fresh")]
    assert mean[0] == pytest.approx(8.0 + 6.0 * fresh)
    assert variance[0] == pytest.approx(36.0 * fresh * (1 - fresh))


def test_a_lift_of_unknown_air_spreads_by_the_air_and_by_what_is_expected_of_it() -> None:
    """A kelvin of air takes a kelvin off the lift and adds 0.25 K to what is expected: 1.25 x 6."""
    knowledge = with_sound("high_side", (Sound(expected=26.0, per_ambient=0.25),))
    spread = knowledge.contexts["ambient"].unknown_spread
    _, variance = expectation(knowledge, "high_side", (), frozenset(), -1.0).at({})
    assert np.sqrt(variance[0]) == pytest.approx(1.25 * spread)
    _, stated = expectation(knowledge, "high_side", (), frozenset({"ambient"}), -1.0).at(
        {"ambient": np.array([30.0])}
    )
    assert stated[0] == pytest.approx(0.0, abs=1e-9)


def test_the_five_points_hold_a_gaussian_exactly_to_the_ninth_moment() -> None:
    points, weights = HERMITE
    for power in range(10):
        assert weights @ points**power == pytest.approx(norm.moment(power), abs=1e-10)


@pytest.mark.parametrize(
    ("sound", "slip"),
    [
        ("over = { ambient = [5.0, 40.0] }, values = [1.0]", "'over' asks for 2 values, not 1"),
        ("over = { ambient = [40.0, 5.0] }, values = [1.0, 2.0]", "two points or more are needed"),
        ("over = { ambient = [5.0] }, values = [1.0]", "two points or more are needed, rising"),
        (
            "over = { ambient = [5.0, 40.0] }, values = [1.0, 2.0], spreads = [1.0]",
            "'over' asks for 2 spreads, not 1",
        ),
    ],
)
def test_a_table_that_is_no_table_is_named(sound: str, slip: str, tmp_path: Path) -> None:
    small = Path(__file__).parents[1] / "small_knowledge"
    for file in small.iterdir():
        (tmp_path / file.name).write_text(file.read_text())
    readings = tmp_path / "readings.toml"
    text = readings.read_text().replace("sound = [{ expected = 0.0, per_ambient = 0.7 }]",
                                        f"sound = [{{ {sound} }}]")  # fmt: skip
    readings.write_text(text)
    with pytest.raises(KnowledgeError, match=rf"readings.toml: low_side.sound\[1\].*{slip}"):
        Knowledge(tmp_path)


def test_the_shipped_gauges_say_which_conditions_they_depend_on() -> None:
    gauges = Knowledge().gauges
    assert "humidity" in conditions_of(gauges["vent"])
    assert conditions_of(gauges["recovered"]) == ()
