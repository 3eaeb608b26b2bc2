"""Stops and gates as plain data: what one small interpreter in the page goes by.

The texts of the rules come along, so that nobody is left without them where there is no network.
"""

from __future__ import annotations

from typing import Any

import msgspec

from loopodds.decision.prices import Prices
from loopodds.inspection.encoding import STATED
from loopodds.knowledge.cures import cured_states
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.work import Service, SetUp, Stop, Test
from loopodds.safety.stops import ALARMING, PROVED, reach_of, watched_readings

TASK = ("title", "about", "after", "skill", "cautions", "only", "never", "in_context")
TEST = (
    *TASK, "yields", "engine", "destroys", "passes", "set_up", "anew", "upsets",
    "fresh_from", "fresh_minutes", "as_it_came",
)  # fmt: skip
SET_UP = ("title", "words", "takes", "at_start", "ended_by")
STOP = (
    "title", "reason", "lifted", "who", "when", "shuts", "filters", "machine_off", "quiet",
    "cautions",
)  # fmt: skip
GROUNDS = ("source", "grade", "weight")


def rules_data(knowledge: Knowledge, prices: Prices) -> dict[str, Any]:
    """Tests, services and stops as the page asks them; minutes and skills are the workshop's."""
    reach = reach_of(knowledge)
    believed = {
        target
        for stop in knowledge.stops.values()
        for trigger in stop.when
        for target in (*trigger.believed, *trigger.doubted)
    }
    return {
        "tests": {
            name: _said(test, TEST) | {"minutes": prices.minutes[name]}
            for name, test in knowledge.tests.items()
        },
        "set_ups": {
            name: _said(set_up, SET_UP) | {"minutes": prices.minutes[name]}
            for name, set_up in knowledge.set_ups.items()
        },
        "services": {
            name: _said(service, (*TASK, "shows")) | {"minutes": prices.minutes[name]}
            for name, service in knowledge.services.items()
        },
        "stops": {
            name: _said(stop, STOP)
            | {
                "shut": sorted(reach[name].shut),
                "filtered": sorted(reach[name].filtered),
                "spares": list(stop.spares),
            }
            for name, stop in knowledge.stops.items()
        },
        "targets": {
            target: sorted([*pair] for pair in cured_states(target, knowledge))
            for target in sorted(believed)
        },
        "watched": list(watched_readings(knowledge)),
        "shares": {"alarming": ALARMING, "proved": PROVED},
        "stated": list(STATED),
        "skills": sorted(prices.skills),
        "cannot": sorted(prices.cannot),
        "titles": {name: context.title for name, context in knowledge.contexts.items()},
    }


def _said(record: Test | SetUp | Service | Stop, keys: tuple[str, ...]) -> dict[str, Any]:
    """What a record says under some keys, without what is empty."""
    plain = msgspec.to_builtins(record)
    return {key: plain[key] for key in keys if plain[key] not in ("", [], {}, None, False)}
