"""Typed descriptions of what every command prints with ``--json``; `write_schemas.py` reads them.

What is a record of the library is described by its own fields. Keys are only ever added, so that a
description allows keys that it does not name.
"""

from __future__ import annotations

import importlib
import typing
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NotRequired, TypedDict

from fleet_types import Fleet
from loopodds.advice.firmness import BreakEven, PlanTurn, Proviso
from loopodds.advice.in_range import PlanInRange
from loopodds.advice.promise import Chance
from loopodds.advice.proposals import Left
from loopodds.advice.untold import Untold
from loopodds.archive.summary import Tally
from loopodds.calibration.reliability import Curve, Parts, Stretch
from loopodds.casebook.answers import Moved
from loopodds.decision.connection import Connection
from loopodds.decision.moves import Closed
from loopodds.decision.next_test import RankedTest
from loopodds.decision.workshop import ServicePlan
from loopodds.diagnosis.belief import Combination, RankedCondition
from loopodds.diagnosis.explanation import TurningPoint
from loopodds.diagnosis.misreading import Suspect
from loopodds.diagnosis.weights import Share
from loopodds.diagnosis.what_if import Change
from loopodds.doubt.intervals import CountNext
from loopodds.drift.causes import Explaining, Offset
from loopodds.drift.results import Alarm, Carrier, Moment, Watch
from loopodds.papers.compare import Changed, Told
from loopodds.report.blank_form import Named
from loopodds.safety.stops import StopInForce
from loopodds.training.cars import PracticeCar
from loopodds.upkeep.confirmation import Rates
from loopodds.upkeep.habits import OwnShare, Tilt
from loopodds.upkeep.held_out import Gain
from loopodds.upkeep.learning import Learning
from loopodds.upkeep.readers import Looker
from loopodds.upkeep.selection import Look

Map = dict[str, Any]


def _plain(kind: Any) -> Any:
    """A type of the library as JSON has it: sequences are lists, records stand as objects."""
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if kind is Path:
        return str
    if isinstance(kind, type) and hasattr(kind, "__annotations__") and kind is not Any:
        return Map | list[Any]
    if origin in (list, tuple, Sequence) or origin is Sequence:
        return list[_plain(inner[0])] if inner else list[Any]
    if origin is not None and isinstance(origin, type) and issubclass(origin, Mapping):
        return dict[str, _plain(inner[1])]
    if inner and origin is not None and type(None) in inner:
        return typing.Optional[_plain(next(one for one in inner if one is not type(None)))]  # noqa: UP045
    return kind if kind in (str, int, float, bool) else Any


def of(record: type, **changed: Any) -> dict[str, Any]:
    """Fields of a record as it stands in JSON, but those that are ``changed``; None leaves out."""
    module = importlib.import_module(record.__module__)
    try:
        hints = typing.get_type_hints(record, vars(module))
    except NameError:  # named for the type checker only
        hints = dict.fromkeys(record.__annotations__, Any)
    fields = {name: _plain(hints[name]) for name in record.__annotations__}
    return {name: kind for name, kind in {**fields, **changed}.items() if kind is not None}


def record(kind: type, **changed: Any) -> Any:
    """An object of JSON with the fields of a record."""
    return TypedDict(kind.__name__, of(kind, **changed))  # type: ignore[operator]


def extended(name: str, *parts: Mapping[str, Any]) -> Any:
    """An object of JSON with all of these fields."""
    return TypedDict(name, {k: v for part in parts for k, v in part.items()})  # type: ignore[operator]


STOP = record(StopInForce)
TEST = record(RankedTest, bits_per_minute=float)
PLAN_FIELDS = of(ServicePlan, harm=None, harm_left=float, expected_cost=float)
PLAN = extended("Plan", PLAN_FIELDS)
CHANCE = record(Chance)
LEFT = record(Left)
UNSAFE = {"unsafe": NotRequired[str]}
COLUMNS = ("columns_used", "columns_unused", "columns_alike")
CAR = {**UNSAFE, "case": str, "stops": list[STOP]}


class RAN_ON(TypedDict):
    device: str
    name: NotRequired[str]
    precision: NotRequired[str]
    off_by: NotRequired[float | None]


class CONFLICT(TypedDict):
    bits: float
    between: list[list[str]]


INTERVAL = {"low": NotRequired[float], "high": NotRequired[float]}


class MOVED_BY(TypedDict):
    finding: str
    decibans: float


SAVING = {"testing_can_save": float, "testing_can_save_error": float}

ASSESS = extended(
    "Assess", CAR,
    {
        "context": dict[str, str | None], "setting_stated": bool, "repairs": list[list[str]],
        "log_evidence": float, "p_sound": float, "p_sound_before": float,
        "p_sound_low": NotRequired[float], "p_sound_high": NotRequired[float],
        "conditions": list[extended("Condition", of(RankedCondition), INTERVAL)],
        "moved_most": str | None, "combinations": list[record(Combination)], "conflict": CONFLICT,
        "moved_by": dict[str, list[MOVED_BY]], "ruled_out": list[str], "recorded": dict[str, str],
        "unseen": list[str], "cautions": list[str], "warnings": list[str],
        "next_tests": list[TEST],
        "plan": extended("PlanNow", PLAN_FIELDS, {"currency": str}) | None,
        "count_next": NotRequired[
            extended("CountFirst", of(CountNext), {"condition": str}) | None
        ],
        "plan_in_range": NotRequired[record(PlanInRange) | None],
    },
)  # fmt: skip
NEXT = extended(
    "Next", CAR,
    {
        "currency": str, "next": str | None, "stop": bool, "next_tests": list[TEST],
        "closed": list[record(Closed)], "untold": list[record(Untold)], "lookahead": int,
        "saves": float, "could_miss": float, "outcomes_left_out": int, **SAVING,
        "changes_plan": float, "sequence": Map, "plan_now": PLAN, "cautions": list[str],
    },
)  # fmt: skip
OFFER = extended(
    "Offer", {"kinds": list[str]}, PLAN_FIELDS,
    {"complaint_gone": CHANCE | None, "leaves": list[LEFT]},
)  # fmt: skip


class SAME(TypedDict):
    probability: float
    services: dict[str, float]
    draws: int


PLAN_PAGE = extended(
    "PlanPage", CAR,
    {
        "currency": str, "test_first": str | None, "best": PLAN, "others": list[PLAN],
        "elsewhere": PLAN | None, "cost_of_being_wrong": float,
        "break_even": record(BreakEven) | None, "takes_for_granted": list[record(Proviso)],
        "one_kind_of_evidence": list[Map], "same_decision": SAME, **SAVING,
        "complaint_gone": CHANCE | None, "offers": list[OFFER], "held_back": list[STOP],
        "leaves": list[LEFT], "cautions": list[str],
    },
)  # fmt: skip
SHARES = {
    "before": float, "after": float, "unit": str, "method": str, "shares": list[record(Share)]
}  # fmt: skip
EXPLAIN = extended(
    "Explain", CAR,
    {
        "condition": str, "probability": float, "prior": float, "verdict": str,
        "weight_of_evidence": extended("Shares", SHARES),
        "contrast": extended("Contrast", {"rival": str, "probability": float}, SHARES),
        "conflict": extended(
            "Misfit", CONFLICT.__annotations__,
            {"misread": str | None, "suspects": list[record(Suspect)]},
        ),
        "turning_points": list[record(TurningPoint)], "plan": list[str],
        "plan_turns": list[record(PlanTurn)], "numbers": NotRequired[list[Map]],
    },
)  # fmt: skip


class FORETOLD(TypedDict):
    states: dict[str, float]
    low: float | None
    middle: float | None
    high: float | None
    unit: str  # fmt: skip


SCENARIO = {
    "changes": list[record(Change)], "chance": float | None, "verdict": str,
    "probabilities": dict[str, float], "foretold": dict[str, FORETOLD],
}  # fmt: skip
WHATIF = extended(
    "WhatIf", CAR,
    {
        "base": extended("Base", SCENARIO),
        "variations": list[
            extended(
                "Variation", SCENARIO,
                {"moved": list[str], "expected_otherwise": list[str], "stops": list[STOP]},
            )
        ],
    },
)  # fmt: skip


class RANGE(TypedDict):
    low: float
    middle: float
    high: float


class GAUGE(TypedDict):
    name: str
    title: str
    unit: str
    read: float | None
    place: str | None
    sound: RANGE
    supposed: RANGE | None  # fmt: skip


GAUGES = extended(
    "Gauges", CAR,
    {
        "supposed": list[str], "conditions": dict[str, Any], "not_stated": list[str],
        "gauges": list[GAUGE],
    },
)  # fmt: skip


class AGREED(TypedDict):
    refused: dict[str, str]
    back_by: str
    watch: str


class RECORDED(TypedDict):
    position: int
    time: str
    kind: str
    what: str


class CONDITION_NOW(TypedDict):
    name: str
    probability: float


CASE = extended(
    "Case", UNSAFE,
    {
        "case": int, "name": str, "closed": bool, "repairs": list[list[str]], "plan": list[str],
        "agreed": AGREED, "recorded": list[RECORDED], "moved": list[record(Moved)],
        "p_sound": float, "log_evidence": float, "conditions": list[CONDITION_NOW],
        "stops": list[STOP], "next_tests": list[TEST], "knowledge": str, "knowledge_before": str,
        "warnings": list[str],
    },
)  # fmt: skip


class EVENT(TypedDict):
    case: int
    position: int
    time: str
    who: str
    note: str
    kind: str
    content: Map
    knowledge: str
    posterior: Map
    link: str  # fmt: skip


class LISTED(TypedDict):
    case: int
    name: str
    opened: str
    last: str | None
    closed: bool | None
    events: int | None
    p_sound: float | None
    conditions: dict[str, float] | None
    damaged: str  # fmt: skip


MOMENT, CARRIER, EXPLAINING = record(Moment), record(Carrier), record(Explaining)
ALARM = record(
    Alarm, group=CARRIER | None, until=MOMENT | None, offset=record(Offset) | None,
    expected=float | None, since=MOMENT, earliest=MOMENT, latest=MOMENT, raised=MOMENT,
    scatter=float | None, carried_by=list[CARRIER], explained=list[EXPLAINING],
)  # fmt: skip

GAIN = extended("Gain", of(Gain), {"gain": float})
RATES, SIGN = record(Rates), record(Look)


class REPORTED(TypedDict):
    """A way to confirm an outcome: how far its reports can be trusted."""

    before: RATES  # type: ignore[valid-type]
    after: RATES  # type: ignore[valid-type]
    reports: float


class NUMBERS_MOVED(TypedDict):
    node: str
    place: str
    about: str
    before: list[float]
    after: list[float]
    weight_before: float
    weight_after: float
    rows: float
    cars: float
    deviations: float


class SET_ASIDE(TypedDict):
    row: str
    column: str
    value: str
    reason: str


SCORE_PARTS = record(Parts)
CLAIM = extended(
    "Claim",
    {"name": str, "title": str, "far_off": bool, "cars": int, "too_few": bool},
    {
        key: NotRequired[kind]
        for key, kind in {
            "effective_cars": float, "reports": int, "stated": float, "happened": float,
            "log_score": SCORE_PARTS, "brier_score": SCORE_PARTS, "p_value": float,
            "outside": list[record(Stretch)],
            "curve": record(Curve, **dict.fromkeys(Curve._fields, list[float])),
        }.items()
    },
)  # fmt: skip


class NODE_LISTED(TypedDict):
    name: str
    kind: str
    group: str
    title: str
    states: list[str]
    parents: list[str]  # fmt: skip


class CHECK(TypedDict):
    name: str
    well: bool
    says: str
    details: Map


class SIDE(TypedDict):
    label: str
    case: str


PREFERENCE = {"file": str, "key": str, "value": str | None}


def outputs() -> dict[str, Any]:
    """Type of every output, by the words of its command; variants of one command are a choice."""

    def shape(title: str, /, **fields: Any) -> Any:
        return extended(title.title().replace(" ", ""), UNSAFE, fields)

    return {
        "assess": ASSESS,
        "next": NEXT,
        "plan": PLAN_PAGE,
        "connect": extended("Connect", CAR, of(Connection)),
        "gauges": GAUGES,
        "explain": EXPLAIN,
        "whatif": WHATIF,
        "case": CASE,
        "case history": shape("history", case=int, knowledge=str, events=list[EVENT]),
        "case list": shape("list", cases=list[LISTED]),
        "case export": shape("export", file=str, case=NotRequired[int], rows=NotRequired[int],
                             left_out=NotRequired[list[str]]),
        "case check": shape("check", damage=list[str], last_link=str, noted_link_stands=bool,
                            cases=list[Map], salvaged=Map | None),
        "case verify": shape("verify", case=int, last_link=str, verified=bool,
                             knowledge=list[Map]),
        "case backup": shape("backup", file=str, cases=int, last_link=str),
        "cases": shape("cases", cases=list[Map]),
        "score": extended("Score", UNSAFE,
                          of(Tally, review=list[Map], review_size=None, least=None),
                          {"out": str, "rejects": str, "least_likely": list[Map],
                           "warnings": list[str], "resumed": int, "kept": int, "ran_on": RAN_ON,
                           **dict.fromkeys(COLUMNS, list[str])}),
        "score starter map": shape("map", map=str, guessed=dict[str, str], known=list[str],
                                   not_understood=list[str]),
        "fleet": Fleet,
        "learn": record(Learning, score=GAIN, outcomes=GAIN | None, changes=list[NUMBERS_MOVED],
                        rates=None, confirmation=dict[str, REPORTED], driven=list[SIGN],
                        tilts=list[record(Tilt, shares=dict[str, float])],
                        by=list[record(OwnShare)],
                        readers=list[record(Looker, chances=list[list[float]])],
                        rejects=str | None),
        "calibrate": shape("calibrate", archive=str, rows=int, rejected=int,
                           set_aside=list[SET_ASIDE], confirmed=int,
                           effective_cars=float, largest_weight=float,
                           weights_cut=int, claims=list[CLAIM], warnings=list[str]),
        "watch": extended("Watch", UNSAFE, of(Watch, courses=None, first=MOMENT, last=MOMENT,
                                              ordered_by=str | None, together=list[EXPLAINING],
                                              alarms=list[ALARM])),
        "compare": shape(
            "compare two", before=SIDE, after=SIDE, knowledge=str, steps=list[str],
            told=list[record(Told)],
            moved=list[TypedDict("Shifted", {  # type: ignore[misc]
                "name": str, "before": float, "after": float,
                **dict.fromkeys(("before_low", "before_high", "after_low", "after_high"),
                                float | None),
            })],
            advice=list[record(Changed, before=list[str], after=list[str])],
            outlay=TypedDict("Outlay", {  # type: ignore[misc]
                "before": float | None, "after": float | None, "currency": str,
            }),
        ),
        "pack": shape(
            "pack", checksum=str, out=NotRequired[str], bytes=NotRequired[int],
            sound=NotRequired[bool], problems=NotRequired[list[str]],
            as_noted=NotRequired[bool | None], layout=NotRequired[int], case=NotRequired[str],
            program=NotRequired[str], knowledge=NotRequired[list[str]],
            files=NotRequired[list[Map]],
        ),
        "photo read": shape("photo read", file=str, usable=bool, refusals=list[dict[str, str]],
                            path_mm=float | None, path_error_mm=float | None, taken=str | None,
                            white_uneven=float, greys_off=float, measured=Map | None,
                            likelihoods=dict[str, dict[str, float]],
                            entered=int | None, validated=bool, note=str),
        "photo learn": shape("photo learn", out=str, written=bool, used=int,
                             refused=dict[str, str], scores=dict[str, Map], before=Map, after=Map),
        "drill": shape("drill", level=str, seed=int, cars=list[record(PracticeCar)]),
        "drill scoreboard": shape("scoreboard", decks=list[Map]),
        "config": shape("config", file=str, there=bool, keys=list[Map]),
        "config set": shape("config set", **PREFERENCE),
        "config unset": shape("config unset", **PREFERENCE),
        "network": shape("network", digest=str, nodes=list[NODE_LISTED]),
        "network search": shape("search", words=str, found=list[record(Named)]),
        "network check": shape("network check", problems=list[Map], size=NotRequired[Map],
                               shipped_size=NotRequired[Map]),
        "network verify": shape("network verify", knowledge=str, seed=int, rows=int,
                                largest_difference=float, tolerance=float, agrees=bool,
                                contexts=list[Map]),
        "network compare": shape("compare", changes=list[Map]),
        "network draw": shape("draw", picture=str, shows=str),
        "network node": shape(
            "node", name=str, kind=str, file=str, states=list[str], conditions=dict[str, list[str]],
            parents=list[str], children=list[str], tests=list[str], entry=Map,
        ),
        "doctor": shape("doctor", well=bool, checks=list[CHECK]),
        "help": shape(
            "help", topics=NotRequired[list[Map]], commands=NotRequired[list[Map]],
            topic=NotRequired[str], title=NotRequired[str], command=NotRequired[str],
            text=NotRequired[str],
        ),
    }  # fmt: skip
