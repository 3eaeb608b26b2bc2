"""Physical sizes of faults, drawn for the states that the network names.

Every range is an engineering estimate of what the state's description means, unless a source stands
beside it; within a range sizes lie evenly. The names are those of the knowledge files.
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.base.errors import UnknownName
from loopodds.machine.cars import Cars, Faults

Range = tuple[float, float]

CHARGE: Mapping[str, Range] = {
    "right": (0.85, 1.10),
    "slightly_low": (0.70, 0.85),
    "low": (0.40, 0.70),
    "very_low": (0.15, 0.40),
    "slightly_high": (1.10, 1.25),
    "high": (1.25, 1.60),
}
"""Borders as the description of the charge states them."""

AIR: Mapping[str, Range] = {"absent": (0.0, 0.0), "mild": (0.001, 0.004), "high": (0.004, 0.012)}
"""Mass of air per nominal charge: a loop opened and not evacuated holds 0.5 to 0.7 %."""

CONDENSER_AIRFLOW: Mapping[str, Range] = {
    "absent": (0.95, 1.0),
    "reduced": (0.4, 0.75),
    "blocked": (0.12, 0.4),
}
PUMPING: Mapping[str, Range] = {"full": (0.95, 1.0), "weak": (0.15, 0.60), "none": (0.0, 0.02)}
FEED: tuple[str, ...] = ("normal", "reduced", "starved", "flooded", "held_up")
REDUCED, STARVED = (0.45, 0.75), (0.10, 0.50)
"""Share that is left of the flow area the car needs in its test: see `_feed`."""

FLOODED = (0.85, 1.3)
"""Opening at which a valve sticks open; of an orifice that is too large, per its sound area."""

HELD_UP = (0.35, 0.75)
"""Share of the condenser's tubes that are blocked."""

COIL: tuple[str, ...] = ("free", "too_cold")
EVAPORATOR_AIR = (0.3, 0.65)
MIXING: Mapping[str, Range] = {"absent": (0.0, 0.0), "present": (0.08, 0.4)}
STATES: Mapping[str, tuple[str, ...]] = {
    "charge": tuple(CHARGE),
    "air": tuple(AIR),
    "condenser_airflow": tuple(CONDENSER_AIRFLOW),
    "evaporator_feed": FEED,
    "pumping": tuple(PUMPING),
    "coil": COIL,
    "cabin_mixing": tuple(MIXING),
}
RUNNING_WRONG: Mapping[str, tuple[str, ...]] = {
    node: tuple(state for state in states[1:] if state != "none") for node, states in STATES.items()
}
"""States that are wrong in a loop that still runs: each node but its sound one and no pumping."""


def draw_faults(states: Mapping[str, str], cars: Cars, rng: np.random.Generator) -> Faults:
    """Faults of every car in the states named; nodes not named are sound.

    Args:
        states: State by node, as ``{"charge": "low"}``; nodes and states of `STATES`.
        cars: Whose device and size say what a restriction of a kind is.

    Raises:
        UnknownName: for another node or state.
    """
    for node, state in states.items():
        if node not in STATES:
            raise UnknownName(f"node {node!r} has no size here; known: {', '.join(STATES)}")
        if state not in STATES[node]:
            known = ", ".join(STATES[node])
            raise UnknownName(f"node {node!r} has no state {state!r}; known: {known}")
    n = len(cars)

    def drawn(ends: Range) -> FloatArray:
        return rng.uniform(*ends, n)

    faults = Faults.none(
        n,
        charge=drawn(CHARGE[states.get("charge", "right")]),
        air=drawn(AIR[states.get("air", "absent")]),
        condenser_air=drawn(CONDENSER_AIRFLOW[states.get("condenser_airflow", "absent")]),
        pumping=drawn(PUMPING[states.get("pumping", "full")]),
        pumping_leak=drawn((0.0, 1.0)),
        mixing=drawn(MIXING[states.get("cabin_mixing", "absent")]),
    )
    faults = _feed(states.get("evaporator_feed", "normal"), faults, cars, rng)
    return _coil(states.get("coil", "free"), faults, rng)


def _feed(state: str, faults: Faults, cars: Cars, rng: np.random.Generator) -> Faults:
    """What restrictions, stuck valves and blocked condensers do to the feed.

    A working valve opens further when its line is narrowed, so a restriction is felt only once
    line and valve together let less through than the car asks for: sizes go by the area asked for,
    about 0.65 of a valve's full opening or all of an orifice. Half of the cars have it in the
    valve or screen, half in the liquid line, which then shows a fall of temperature.
    """
    n = len(cars)
    if state == "held_up":
        return replace(faults, condenser_blocked=rng.uniform(*HELD_UP, n))
    if state == "flooded":
        wide = rng.uniform(*FLOODED, n)
        free = np.where(cars.orifice, 1.0 + wide, 1.0)
        stuck = np.where(cars.orifice, np.nan, wide)
        return replace(faults, valve_stuck=stuck, metering_free=free)
    if state == "normal":
        return faults
    left = rng.uniform(*(REDUCED if state == "reduced" else STARVED), n)
    left = left * np.where(cars.orifice, 1.0, 0.65)
    in_line = rng.random(n) < 0.5
    # A line in series with an orifice of area A passes what A alone passes at `left` when its own
    # area is left / sqrt(1 - left^2) of A.
    line = left / np.sqrt(1.0 - left**2) * cars.metering_area / cars.line_area
    return replace(
        faults,
        metering_free=np.where(in_line, 1.0, left),
        line_closed=np.where(in_line, 1.0 - np.minimum(line, 1.0), 0.0),
    )


def _coil(state: str, faults: Faults, rng: np.random.Generator) -> Faults:
    """Too cold: half the cars get too little air, half have a control that nothing stops."""
    if state == "free":
        return faults
    n = len(faults)
    choked = rng.random(n) < 0.5
    return replace(
        faults,
        evaporator_air=np.where(choked, rng.uniform(*EVAPORATOR_AIR, n), 1.0),
        control_failed=~choked,
    )
