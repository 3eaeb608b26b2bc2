"""The words of a case: which names a section holds, which words a name takes, what is meant.

Case files, archives, assignments and column maps read names and words through this one module, so
that what one of them understands all do. A word counts only as it is spelt here; one in another
spelling is refused with the right one, never taken for it.
"""

import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from importlib import resources

from loopodds.base.errors import KnowledgeError, listed, meant_or_known, unknown_name
from loopodds.base.likeness import intended, nearest
from loopodds.base.phrases import lowered
from loopodds.base.unit_table import (
    COLUMNS,
    DIMENSIONS,
    INTERNAL_UNITS,
    USUAL_UNITS,
    YEAR_MIN,
    Dimension,
    spelling,
    spellings_of,
)
from loopodds.knowledge.blocks import Amount
from loopodds.knowledge.records import Knowledge
from loopodds.physics.refrigerants import SUPPORTED, designation

SECTIONS = ("vehicle", "conditions", "history", "findings", "readings", "confirmed")
OBSERVED = SECTIONS[:-1]
"""Sections an observation may belong to, in the order in which they bear on each other."""
REPAIRED = "repaired"
"""Section of what was done to the car: a list, each with what had been recorded before it."""
LOOKS = "looks"
"""Section of what several people, or one who is named, saw of the car's sample: `[looks.NAME]`."""
INSTRUMENTS = "instruments"
"""Section of what readings were taken with: `low_side = "gauge 3"`."""
TAKEN_WITH = "instrument_"
"""Begins the column of an archive that says what a reading was taken with."""
LOOKED_BY = "looked_by"
"""Column of an archive that says who looked."""
SECOND = "second_"
"""Begins the columns of a second look at the same sample: who, and the words."""
BEFORE = ("conditions", "findings", "readings")

CHOICES: Mapping[str, tuple[str, ...]] = {
    "refrigerant": SUPPORTED,
    "expansion": ("TXV", "orifice"),
    "compressor": ("fixed", "variable", "electric"),
    "sight_glass": ("present", "absent"),
    "internal_heat_exchanger": ("present", "absent"),
    "rear_evaporator": ("present", "absent"),
    "setting": ("complaint", "routine"),
    "air_intake": ("recirculated", "fresh"),
    "doors": ("shut", "open"),
    "recovery_machine": ("modern", "old"),
}
COMPLAINT, ROUTINE = CHOICES["setting"]
# a key with a dimension is a quantity, one without is a choice
STATED: Mapping[str, Mapping[str, Dimension | None]] = {
    "vehicle": {
        "refrigerant": None,
        "nameplate_charge": "mass",
        "nameplate_oil": "mass",
        "expansion": None,
        "compressor": None,
        "sight_glass": None,
        "internal_heat_exchanger": None,
        "rear_evaporator": None,
        "age": "time",
        "mileage": "length",
    },
    "conditions": {
        "altitude": "length",
        "setting": None,
        "ambient": "temperature",
        "humidity": "share",
        "condenser_inlet": "temperature",
        "engine_speed": "rotation",
        "blower_speed": "share",
        "air_intake": None,
        "doors": None,
        "running_for": "time",
        "recovery_machine": None,
    },
}
# number in a batch: (key in a case, dimension)
NUMBERS: Mapping[str, tuple[str, Dimension]] = {
    "nameplate_charge_g": ("nameplate_charge", "mass"),
    "nameplate_oil_g": ("nameplate_oil", "mass"),
    "age_min": ("age", "time"),
    "mileage_m": ("mileage", "length"),
    "ambient_c": ("ambient", "temperature"),
    "humidity_pct": ("humidity", "share"),
    "altitude_m": ("altitude", "length"),
    "condenser_inlet_c": ("condenser_inlet", "temperature"),
    "engine_rpm": ("engine_speed", "rotation"),
    "blower_pct": ("blower_speed", "share"),
    "running_min": ("running_for", "time"),
}
# read only to derive superheat, subcooling, the static residual, the share of air by volume, what a
# provocation does to the high side, how a vacuum rose and the middle of a swing
AUXILIARY: Mapping[str, Dimension] = {
    "suction_line": "temperature",
    "compressor_inlet": "temperature",
    "liquid_line": "temperature",
    "static_temperature": "temperature",
    "air_share_by_mass": "mass_share",
    "high_side_wetted": "pressure",
    "high_side_fanned": "pressure",
    "swing_low_side_from": "pressure",
    "swing_low_side_to": "pressure",
    "swing_high_side_from": "pressure",
    "swing_high_side_to": "pressure",
    "vacuum_start": "vacuum",
    "vacuum_end": "vacuum",
    "vacuum_watched": "time",
}

OWN_UNITS: Mapping[str, tuple[str, ...]] = {"age": ("years", "months"), "altitude": ("m", "ft")}
"""Of what is not measured in the usual unit of its dimension."""
ASKED = {
    "refrigerant": "Which refrigerant is on the label?",
    "compressor": "Which compressor has the car?",
    "expansion": "Which expansion device?",
    "setting": "Why is the car here?",
    "ambient": "How warm is the air at the condenser?",
    "humidity": "How humid is the air?",
    "age": "How old is the car?",
    "mileage": "How far has it been driven?",
    "nameplate_charge": "What charge is on the label?",
    "nameplate_oil": "How much oil is on the label?",
    "suction_line": "Suction line, temperature of the pipe?",
    "compressor_inlet": "Suction hose at the compressor, temperature?",
    "liquid_line": "Liquid line, temperature of the pipe?",
    "static_temperature": "Temperature at the coldest wetted part?",
    "high_side_wetted": "High side with water on the condenser?",
    "high_side_fanned": "High side with the workshop fan on?",
    "vacuum_start": "Vacuum when the pump was shut off?",
    "vacuum_end": "Vacuum at the end of the watch?",
    "vacuum_watched": "How long was it watched?",
}
"""Questions about what the knowledge has no node for."""

# engineering estimates, wide on purpose: outside them it is a slip of the pen, not a rare car
LIMITS: Mapping[str, tuple[float, float, str]] = {
    "ambient_c": (-50.0, 60.0, "air around a car is between -50 and 60 degC"),
    "humidity_pct": (0.0, 100.0, "relative humidity is between 0 and 100 %"),
    "altitude_m": (-500.0, 6000.0, "roads lie between -500 and 6000 m"),
    "nameplate_charge_g": (1.0, 20000.0, "a nameplate charge is between 1 g and 20 kg"),
    "age_min": (0.0, 100 * YEAR_MIN, "the age of a car is between 0 and 100 years"),
    "mileage_m": (0.0, 3e9, "a mileage is between 0 and 3 million km"),
    "condenser_inlet_c": (-50.0, 90.0, "air at a condenser is between -50 and 90 degC"),
    "engine_rpm": (300.0, 8000.0, "an engine that runs turns at 300 to 8000 rpm"),
    "blower_pct": (0.0, 100.0, "a blower runs at 0 to 100 % of its speed"),
    "running_min": (0.0, 1440.0, "a test runs for 0 to 1440 minutes"),
    "nameplate_oil_g": (1.0, 5000.0, "a nameplate oil mass is between 1 g and 5 kg"),
}
READING_LIMITS: Mapping[Dimension, tuple[float, float, str]] = {
    "temperature": (-100.0, 250.0, "no part of a loop is outside -100 to 250 degC"),
    "difference": (-150.0, 150.0, "no temperature difference in a loop is above 150 K"),
    "mass": (0.0, 20000.0, "a mass in a loop is between 0 g and 20 kg"),
    **dict.fromkeys(
        ("share", "volume_share", "mass_share"), (0.0, 100.0, "a share is between 0 and 100 %")
    ),
    "vacuum": (0.0, 110.0, "a vacuum is between 0 and 1100 mbar absolute"),
    "time": (0.1, 1440.0, "it takes between a few seconds and a day"),
}
# which of two readings must not be below the other, and why
RISING = (
    ("vacuum_start", "vacuum_end", "a loop that is shut off gets no emptier; check which is which"),
    ("swing_low_side_from", "swing_low_side_to", "check which end of the swing is which"),
    ("swing_high_side_from", "swing_high_side_to", "check which end of the swing is which"),
)


def told_in(section: str, knowledge: Knowledge) -> dict[str, object]:
    """Names that a section of a case may hold, with what the knowledge tells of each."""
    if section in STATED:
        return {name: knowledge.contexts.get(name, ASKED.get(name)) for name in STATED[section]}
    if section == "history":
        return {**knowledge.of_kind("history")}
    if section == "findings":
        return {**knowledge.of_kind("finding", "gauge")}
    if section == "readings":
        amounts = {name: measured.amount for name, measured in knowledge.amounts.items()}
        auxiliary = {name: ASKED.get(name) for name in AUXILIARY}
        return {**knowledge.of_kind("gauge"), **auxiliary, **amounts}
    # a condition that is called as its fault is told by the fault
    return {**knowledge.of_kind("fault"), **knowledge.conditions, **knowledge.of_kind("fault")}


def names_in(section: str, knowledge: Knowledge) -> list[str]:
    """Names that a section of a case may hold."""
    return list(told_in(section, knowledge))


def observables(knowledge: Knowledge) -> dict[str, object]:
    """Every name that can be observed, with what the knowledge tells of it."""
    return {n: what for section in OBSERVED for n, what in told_in(section, knowledge).items()}


def observable_names(knowledge: Knowledge) -> list[str]:
    """Every name that can be observed."""
    return list(observables(knowledge))


def sections_of_name(name: str, knowledge: Knowledge) -> list[str]:
    """Sections that may hold a name, in their order; a gauge has two."""
    return [section for section in SECTIONS if name in names_in(section, knowledge)]


def words_of(name: str, knowledge: Knowledge) -> tuple[str, ...]:
    """Words that an observation may have; none for what is only measured."""
    return knowledge.nodes[name].states if name in knowledge.nodes else CHOICES.get(name, ())


def outcome_words(name: str, knowledge: Knowledge) -> tuple[str, ...]:
    """Words for what turned out of a fault or a condition."""
    fault = knowledge.of_kind("fault").get(name)
    return tuple(dict.fromkeys((*(fault.states if fault else ()), "absent", "present")))


def reading_dimension(name: str, knowledge: Knowledge) -> Dimension:
    """Dimension of a reading, by which its unit is known.

    Raises:
        UnknownName: if there is no such reading; the message gives the nearest spelling.
        KnowledgeError: if the knowledge gives it a quantity that has no units.
    """
    if name in AUXILIARY:
        return AUXILIARY[name]
    gauges, amounts = knowledge.gauges, knowledge.amounts
    if name not in gauges and name not in amounts:
        raise unknown_name("reading", name, told_in("readings", knowledge))
    said = gauges[name] if name in gauges else amounts[name].amount
    quantity = said.quantity.removeprefix("temperature_")
    for dimension in DIMENSIONS:
        if dimension == quantity:
            return dimension
    file = (gauges[name] if name in gauges else amounts[name].finding).file
    raise KnowledgeError(f"{file}: {name}: unknown quantity {quantity!r}")


def dimension_of(name: str, knowledge: Knowledge) -> Dimension | None:
    """Dimension of anything that can be observed; None for what has words only."""
    for stated in STATED.values():
        if name in stated:
            return stated[name]
    measured = name in AUXILIARY or name in knowledge.gauges or name in knowledge.amounts
    return reading_dimension(name, knowledge) if measured else None


def usual_units(name: str, knowledge: Knowledge) -> tuple[str, ...]:
    """Units in which something is mostly read, the usual one first; none of what has words only."""
    dimension = dimension_of(name, knowledge)
    return tuple(OWN_UNITS.get(name, USUAL_UNITS[dimension])) if dimension else ()


def reading_limits(
    name: str, dimension: Dimension, knowledge: Knowledge
) -> tuple[float, float, str]:
    """Limits of a reading: its own, in internal units, where the knowledge gives them."""
    amounts = knowledge.amounts
    known = amounts[name].amount if name in amounts else knowledge.gauges.get(name)
    if known is None or known.possible is None:
        return READING_LIMITS[dimension]
    written = known.unit if isinstance(known, Amount) else INTERNAL_UNITS[dimension]
    unit, (low, high) = spellings_of(dimension)[spelling(written)], known.possible
    reason = f"{lowered(known.title)} is between {low:g} and {high:g} {written}"
    return unit.to_internal(low), unit.to_internal(high), reason


def refused_word(text: str, name: str, knowledge: Knowledge) -> str:
    """Why a word that is right for some car is not taken; empty where it is no such word."""
    if name not in knowledge.contexts:
        return ""
    context = knowledge.contexts[name]
    for word, what in context.refused.items():
        if _bare(text) == _bare(word):
            return f"is {what}; only {' and '.join(context.values)} are known here"
    return ""


def _bare(word: str) -> str:
    return "".join(letter for letter in word.casefold() if letter.isalnum())


def unknown_word(text: str, name: str, words: Sequence[str]) -> str:
    """End of a message about a word that a name does not take: the one meant, or all there are.

    Capitals, blanks, dashes and underscores do not hide what is meant, nor does the class of
    substance before the number of a refrigerant. One digit apart is another refrigerant, though,
    so of those nothing merely similar is suggested.

    >>> unknown_word("HFC-134a", "refrigerant", ["R134a", "R1234yf"])
    "did you mean 'R134a'?"
    >>> unknown_word("R134", "refrigerant", ["R134a", "R1234yf"])
    'supported: R134a, R1234yf'
    """
    plain = {_plain(word): word for word in words}
    for spelt in (text, designation(text) or text):
        if _plain(spelt) in plain:
            return f"did you mean {plain[_plain(spelt)]!r}?"
    if name == "refrigerant":
        return f"supported: {', '.join(words)}"
    return suggestion(text, words)


def _plain(word: str) -> str:
    return spelling(word).replace("-", "")


def heading_meant(heading: str) -> tuple[str, str]:
    """Name that a heading of another workshop often stands for, and the unit at its end, if any.

    Both empty where nothing is known; of ``headings.toml``, common practice.

    >>> heading_meant("Niederdruck [bar]")
    ('low_side', 'bar')
    """
    names, _, _ = _headings()
    base, unit = _unit_at_end(heading)
    return names.get(_bare(base)) or names.get(_bare(heading), ""), unit


def grouping(heading: str) -> str:
    """What a column sorts cars by, where it looks like one that does: ``date``, ``workshop``,
    ``technician`` or ``vehicle_type``; empty otherwise.
    """
    return _headings()[2].get(_bare(heading), "")


def word_meant(said: str, words: Sequence[str]) -> str:
    """Which of our words a word of another workshop often stands for; empty where none does."""
    _, meanings, _ = _headings()
    own = {_bare(word): word for word in words}
    often = [word for word in words if _bare(said) in meanings.get(word, ())]
    exact = designation(said) or said
    return own.get(_bare(said)) or own.get(_bare(exact)) or next(iter(often), "")


@lru_cache(maxsize=1)
def _headings() -> tuple[Mapping[str, str], Mapping[str, frozenset[str]], Mapping[str, str]]:
    """Bare heading to name, the bare words that each of ours is often written as, and bare heading
    to what it sorts cars by.
    """
    text = resources.files("loopodds_data").joinpath("headings.toml").read_text(encoding="utf-8")
    known = tomllib.loads(text)
    names = {_bare(said): n for n, often in known["names"].items() for said in (n, *often)}
    words = {n: frozenset(map(_bare, often)) for n, often in known["words"].items()}
    groups = {_bare(said): n for n, often in known["groups"].items() for said in (n, *often)}
    return names, words, groups


_UNITS = {
    "°c": "degC", "c": "degC", "grad": "degC", "gradc": "degC", "°f": "degF", "f": "degF",
    "%": "pct", "gramm": "g", "jahre": "years", "monate": "months", "u/min": "rpm",
    "1/min": "rpm", "miles": "mi", "lbs": "lb", "bar(ü)": "bar", "barü": "bar", "psig": "psi",
}  # fmt: skip


def _unit_at_end(heading: str) -> tuple[str, str]:
    """A heading without the unit at its end, and that unit as a column's name has it."""
    match = re.fullmatch(
        r"(.*?)[\s_]*(?:\[(.*)\]|\((.*)\)|[\s_]in\s+(\S+)|[\s_](\S+))", heading.strip()
    )
    if match is None:
        return heading, ""
    said = next(group for group in match.groups()[1:] if group is not None).strip()
    suffixes = {suffix.lower(): suffix for suffix in COLUMNS}
    unit = _UNITS.get(said.lower(), suffixes.get(said.lower(), ""))
    return (match[1], unit) if unit else (heading, "")


def suggestion(word: str, options: Iterable[str], known: str = "known") -> str:
    """What a name may mean, or the options there are, as the end of a message.

    Where several options begin with the first part of the word, only what follows it counts:
    what is merely of the same family is no misspelling.

    >>> suggestion("oil_sme", ["oil_smell", "oil_colour", "dye"])
    "did you mean 'oil_smell'?"
    >>> suggestion("oil_weight", ["oil_smell", "oil_colour", "dye"])
    'known with oil_: oil_smell, oil_colour'
    """
    head, joint, rest = word.lower().partition("_")
    family = {o.lower().removeprefix(head + joint): o for o in options if _head(o) == head}
    if not rest or len(family) < 2 or intended(word, options):
        return meant_or_known(word, options, known)
    close = nearest(rest, family)
    if close is not None:
        return f"did you mean {family[close]!r}?"
    return f"{known} with {head}_: {listed(family.values())}"


def _head(name: str) -> str:
    return name.lower().partition("_")[0]
