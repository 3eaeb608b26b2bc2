"""What ``fleet --json`` prints; a row of a group has a number of cars for every condition too."""

from __future__ import annotations

from typing import NotRequired, TypedDict


class Condition(TypedDict):
    condition: str
    title: str
    expected: float
    low: int
    high: int
    share: float
    told: int
    found: int
    expected_of_told: float
    low_of_told: int
    high_of_told: int


class Service(TypedDict):
    service: str
    title: str
    cars: int
    share: float


class Cars(TypedDict):
    cars: int
    enough: bool
    stopped: int
    faulty: float
    faulty_low: int
    faulty_high: int
    plan_cost: float
    leaving_cost: float
    with_outcome: int
    left_out_cost: float
    value: NotRequired[str]


class Miss(TypedDict):
    row: int
    car: str
    left_out: str
    saves: float
    leaving: float
    plan: str
    plan_cost: float


class LookAgain(TypedDict):
    row: int
    car: str
    left_out: str
    why: str
    expected_cost: float
    stops: str


class Quality(TypedDict):
    what: str
    rows: int


class Column(TypedDict):
    column: str
    read_as: str
    looks_like_a_known_name: str


class Fleet(TypedDict):
    unsafe: NotRequired[str]
    archive: str
    out: str
    rejects: str
    currency: str
    rows: int
    scored: int
    rejected: int
    distinct: int
    whole: Cars
    conditions: list[Condition]
    services: list[Service]
    groups: dict[str, list[Cars]]
    dearest_misses: list[Miss]
    look_again: list[LookAgain]
    quality: list[Quality]
    columns: list[Column]
    warnings: list[str]
    resumed: int
