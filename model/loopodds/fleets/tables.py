"""What came of a fleet's archive as tables: the page, its downloads and frames show the same."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from loopodds.archive.review import STRONG_BITS, Reopen, look_again
from loopodds.base.phrases import lowered, percent, spaced
from loopodds.base.spreadsheets import safe_cell
from loopodds.decision.prices import Prices, shipped_prices
from loopodds.diagnosis.belief import condition_title
from loopodds.fleets.gathering import ODD, Entry, FleetJob, Gathered
from loopodds.fleets.sums import FEW, Cars
from loopodds.inspection.cells import shown
from loopodds.knowledge.records import Knowledge

if TYPE_CHECKING:
    from pandas import DataFrame

AGAIN, MISSES, ODD_ONES = 12, 10, 3
"""Cars listed to be looked at again, dearest misses, and of the former those that are odd."""
MENTIONED, IDENTIFYING = 3, 2
FROM = 0.2
"""Probability from which a condition is named among what an outcome leaves out."""

Row = Mapping[str, Any]


@dataclass(frozen=True, slots=False, eq=False)
class Fleet:
    """What an owner reads of an archive."""

    archive: str
    gathered: Gathered
    work: FleetJob
    warnings: tuple[str, ...] = ()
    resumed: int = 0
    out: str = ""
    rejects: str = ""

    @cached_property
    def knowledge(self) -> Knowledge:
        """By which the cars were judged."""
        return self.work.job.model.knowledge

    @cached_property
    def prices(self) -> Prices:
        """Of the workshop, or the shipped ones."""
        return self.work.job.price_list or shipped_prices(self.knowledge)

    @property
    def currency(self) -> str:
        """Of every amount."""
        return self.prices.currency

    @property
    def whole(self) -> Cars:
        """All cars together."""
        return self.gathered.whole

    @cached_property
    def conditions(self) -> tuple[str, ...]:
        """Names, in the order of every sum."""
        return tuple(self.knowledge.conditions)

    @cached_property
    def by_condition(self) -> list[Row]:
        """How many cars are expected to have each condition, and in how many it was found; the
        most frequent first.

        ``told``: cars of which an outcome says whether it was there; ``found`` among these, beside
        what was to be expected of the same cars.
        """
        rows = []
        for place, name in enumerate(self.conditions):
            now = self.whole.odds.expected(place, self.whole.cars)
            told = int(self.whole.told[place])
            then = self.whole.told_odds.expected(place, told)
            rows.append(
                {
                    "condition": name,
                    "title": condition_title(name, self.knowledge),
                    "expected": now.mean,
                    "low": now.low,
                    "high": now.high,
                    "share": now.mean / max(self.whole.cars, 1),
                    "told": told,
                    "found": int(self.whole.noted[place]),
                    "expected_of_told": then.mean,
                    "low_of_told": then.low,
                    "high_of_told": then.high,
                }
            )
        return sorted(rows, key=lambda row: -row["expected"])

    @cached_property
    def by_service(self) -> list[Row]:
        """In how many plans of least expected cost each service stands, the most frequent first."""
        counted = sorted(self.whole.services.items(), key=lambda item: (-item[1], item[0]))
        return [
            {
                "service": name,
                "title": self.knowledge.services[name].title,
                "cars": count,
                "share": count / max(self.whole.cars, 1),
            }
            for name, count in counted
        ]

    @cached_property
    def by_group(self) -> dict[str, list[Row]]:
        """For each column compared by, a row a value: months in order, else the largest first."""
        return {name: self._groups(name) for name in self.work.by}

    def _groups(self, column: str) -> list[Row]:
        values = self.gathered.groups.columns.get(column, {})
        dated = column in self.work.months
        order = sorted(values, key=lambda v: (v,) if dated else (-values[v].cars, v))
        return [{"value": value, **self._group(values[value])} for value in order]

    def _group(self, cars: Cars) -> dict[str, Any]:
        faulty = cars.odds.expected(-1, cars.cars)
        row: dict[str, Any] = {
            "cars": cars.cars,
            "enough": cars.cars >= FEW,
            "stopped": cars.stopped,
            "faulty": faulty.mean,
            "faulty_low": faulty.low,
            "faulty_high": faulty.high,
            "plan_cost": cars.planned,
            "leaving_cost": cars.leaving,
            "with_outcome": cars.closed,
            "left_out_cost": cars.missed,
        }
        for place, name in enumerate(self.conditions):
            expected = cars.odds.expected(place, cars.cars)
            row |= {name: expected.mean, f"{name}_low": expected.low, f"{name}_high": expected.high}
        return row

    @cached_property
    def misses(self) -> list[Row]:
        """Cars whose outcome leaves out most money: what looking again would save."""
        return [
            {
                **self._car(entry, look),
                "saves": entry["saves"],
                "leaving": entry["leaving"],
                "plan": " ".join(entry["services"]),
                "plan_cost": entry["cost"],
            }
            for entry in self.gathered.misses[:MISSES]
            for look in [self._look(entry)]
        ]

    @cached_property
    def again(self) -> list[Row]:
        """Cars to be looked at again: of each kind of fault left out the dearest first, the kinds
        by turns, and some whose findings contradict each other.
        """
        kinds = {kind: list(e) for kind, e in self.gathered.again.items() if kind != ODD and e}
        order = sorted(kinds, key=lambda kind: -kinds[kind][0]["cost"])
        turns = [
            kinds[kind][turn]
            for turn in range(max(map(len, kinds.values()), default=0))
            for kind in order
            if turn < len(kinds[kind])
        ]
        odd = [e for e in self.gathered.again.get(ODD, ()) if e["bits"] >= STRONG_BITS]
        chosen: dict[int, tuple[Entry, str]] = {}
        for entry in turns[: AGAIN - min(ODD_ONES, len(odd))]:
            chosen.setdefault(entry["row"], (entry, "missed"))
        for entry in odd[:ODD_ONES]:
            chosen.setdefault(entry["row"], (entry, ODD))
        return [self._again(entry, why) for entry, why in chosen.values()]

    def _again(self, entry: Entry, why: str) -> Row:
        look = self._look(entry)
        return {
            **self._car(entry, look),
            "why": self._odd_words(look) if why == ODD else self._missed_words(look),
            "expected_cost": look.cost,
            "stops": " ".join(look.stops),
        }

    def _look(self, entry: Entry) -> Reopen:
        return look_again(entry, self.work.job.plan, self.work.job.model)

    def _car(self, entry: Entry, look: Reopen) -> dict[str, Any]:
        plan = self.work.job.plan
        names = [c for c in plan.unused if c in entry["cells"]][:IDENTIFYING]
        known = ", ".join(f"{shown(c)} {shown(entry['cells'][c])}" for c in names)
        left = [m for m in look.missed if m.probability >= FROM][:MENTIONED]
        said = [f"{self._title(m.condition)} {percent(m.probability)}" for m in left]
        return {"row": entry["row"], "car": known, "left_out": ", ".join(said)}

    def _title(self, condition: str) -> str:
        return lowered(condition_title(condition, self.knowledge))

    def _missed_words(self, look: Reopen) -> str:
        left = [m for m in look.missed if m.probability >= FROM][:MENTIONED] or look.missed[:1]
        *first, last = [f"{self._title(m.condition)} ({percent(m.probability)})" for m in left]
        said = f"{', '.join(first)} and {last}" if first else last
        return f"the findings speak for {said}; {self._outcome_words(look)}"

    def _odd_words(self, look: Reopen) -> str:
        pairs = [
            f"{lowered(self.knowledge.node(one).title)} beside "
            f"{lowered(self.knowledge.node(other).title)}"
            for one, other, _ in look.conflict.between[:1]
        ]
        what = f": {pairs[0]}" if pairs else ""
        return f"the findings hardly go together{what}; a misread gauge or a rare car"

    @staticmethod
    def _outcome_words(look: Reopen) -> str:
        said = [
            f"{spaced(shown(name).removeprefix('confirmed_'))} {spaced(shown(value))}"
            for name, value in look.recorded.items()
            if value not in ("absent", "right")
        ]
        if said:
            return f"the outcome names {', '.join(said[:MENTIONED])} only"
        return "the outcome names no fault" if look.recorded else "no outcome was written down"

    @cached_property
    def quality(self) -> list[Row]:
        """What became of the rows, and why some could not be used."""
        tally = self.gathered.tally
        rows = [
            ("rows read", tally.rows),
            ("rows used", tally.scored),
            ("rows that cannot be used", tally.rejected),
        ]
        reasons = sorted(tally.rejected_by.items(), key=lambda item: (-item[1], item[0]))
        rows += [(f"cannot be used: {shown(reason)}", count) for reason, count in reasons]
        rows += [
            ("rows in which nothing was seen", tally.blank),
            ("rows alike in all that is read (within a part)", tally.scored - tally.distinct),
        ]
        return [{"what": what, "rows": count} for what, count in rows]

    @cached_property
    def columns(self) -> list[Row]:
        """Every column of the archive: whether it was read, and as what."""
        plan = self.work.job.plan
        names: dict[str, list[str]] = {}
        for feed in plan.feeds:
            names.setdefault(feed.column, []).append(feed.case_name)
        return [
            {
                "column": column,
                "read_as": " and ".join(names.get(column, [])),
                "looks_like_a_known_name": "yes" if column in plan.alike else "",
            }
            for column in plan.columns
        ]

    def tables(self) -> dict[str, list[Row]]:
        """Every table, by the name that its file has."""
        groups = {f"by_{column}": rows for column, rows in self.by_group.items()}
        return {
            "conditions": self.by_condition,
            "services": self.by_service,
            **groups,
            "dearest_misses": self.misses,
            "look_again": self.again,
            "rows": self.quality,
            "columns": self.columns,
        }

    def frames(self) -> dict[str, DataFrame]:
        """The same as pandas frames."""
        from pandas import DataFrame

        return {name: DataFrame(rows) for name, rows in self.tables().items()}

    def as_json(self) -> dict[str, Any]:
        """Plain data for ``json.dumps``."""
        tally = self.gathered.tally
        whole = self._group(self.whole)
        return {
            "archive": self.archive,
            "out": self.out,
            "rejects": self.rejects,
            "currency": self.currency,
            "rows": tally.rows,
            "scored": tally.scored,
            "rejected": tally.rejected,
            "distinct": tally.distinct,
            "whole": {key: whole[key] for key in list(whole)[:WHOLE_KEYS]},
            "conditions": self.by_condition,
            "services": self.by_service,
            "groups": self.by_group,
            "dearest_misses": self.misses,
            "look_again": self.again,
            "quality": self.quality,
            "columns": self.columns,
            "warnings": list(self.warnings),
            "resumed": self.resumed,
        }


WHOLE_KEYS = 10
"""Of a group, those that are not about one condition."""


def csv_of(rows: Sequence[Row]) -> str:
    """A table as CSV that a spreadsheet may open: no cell of it runs as a formula."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    if rows:
        writer.writerow([safe_cell(name) for name in rows[0]])
    writer.writerows(_cells(row) for row in rows)
    return text.getvalue()


def _cells(row: Row) -> Iterator[object]:
    for value in row.values():
        if isinstance(value, bool):
            yield "yes" if value else "no"
        elif isinstance(value, float):
            yield f"{value:.6g}"
        else:
            yield safe_cell(value)
