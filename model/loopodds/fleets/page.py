"""The page an owner reads: one file with its pictures, and every number in it to be saved."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from loopodds.base.phrases import amounts_in, lowered, money, percent, sentence
from loopodds.fleets.pictures import Mark, dots
from loopodds.fleets.sums import FEW, MOST_VALUES, OTHERS
from loopodds.fleets.tables import Fleet, Row, csv_of
from loopodds.inspection.cells import shown
from loopodds.report.document import (
    Block,
    Document,
    Download,
    Drawing,
    Facts,
    Heading,
    Items,
    Paragraph,
    Part,
    Table,
    render,
)

CONDITIONS, SERVICES, GROUPS, REASONS, LEADING = 14, 12, 24, 12, 3
TOO_FEW = "too few to say"


def page_text(fleet: Fleet) -> str:
    """The page as one HTML file."""
    name = "demo archive" if fleet.archive.startswith("@") else Path(fleet.archive).name
    blocks = [
        *_head(fleet, name),
        *_wrong(fleet),
        *_done(fleet),
        *(block for column in fleet.by_group for block in _compared(fleet, column)),
        *_misses(fleet),
        *_again(fleet),
        *_quality(fleet),
        *_how(fleet),
    ]
    return render(Document(f"Fleet: {shown(name)}", [Part("fleet", blocks)]), "html")


def _money(amount: float, fleet: Fleet) -> str:
    return money(amount, fleet.currency)


def _cars(count: float) -> str:
    return f"{count:,.0f}" if count >= 9.95 else f"{count:.1f}"


def _table(name: str, fleet: Fleet) -> Download:
    plain = re.sub(r"[^\w.-]+", "_", name)
    return Download(f"{plain}.csv", csv_of(fleet.tables()[name]))


def _head(fleet: Fleet, name: str) -> Iterator[Block]:
    whole, tally = fleet.whole, fleet.gathered.tally
    yield Heading(1, f"What is wrong with these {whole.cars:,} cars, and what it costs")
    yield Paragraph(
        f"{shown(name)}, {tally.rows:,} inspections read, {tally.scored:,} used", "faint"
    )
    for warning in fleet.warnings:
        yield Paragraph(sentence(shown(warning)), "stop" if "invented" in warning else "faint")
    if not whole.cars:
        yield Paragraph("No row of it can be used: see below why.", "answer")
        return
    faulty = whole.odds.expected(-1, whole.cars)
    share = percent(faulty.mean / whole.cars)
    yield Paragraph(
        f"About {faulty.mean:,.0f} of {whole.cars:,} cars ({share}) have something wrong: nine in "
        f"ten times between {faulty.low:,} and {faulty.high:,}.",
        "answer",
    )
    spared = whole.leaving - whole.planned
    facts = [
        ("must be stopped for safety", f"{whole.stopped:,} cars"),
        ("cost of leaving all as it is", _money(whole.leaving, fleet)),
        ("cost with the best plan for each", _money(whole.planned, fleet)),
        ("what the plans save", _money(spared, fleet)),
    ]
    if whole.closed:
        facts.append(("left out by the outcomes", _money(whole.missed, fleet)))
    yield Facts(facts)
    priced = (
        "" if fleet.work.job.prices else " The prices are the shipped ones, which are invented."
    )
    yield Paragraph(
        "Costs are expected ones: work, material and the harm of what stays for a season, in the "
        f"currency of the price file ({fleet.currency}).{priced}",
        "faint",
    )


def _wrong(fleet: Fleet) -> Iterator[Block]:
    if not fleet.whole.cars:
        return
    rows = fleet.by_condition[:CONDITIONS]
    marks = [
        Mark(sentence(r["title"]), r["expected"], r["low"], r["high"], _cars(r["expected"]))
        for r in rows
    ]
    most = max((r["high"] for r in rows), default=1)
    said = "; ".join(f"{lowered(r['title'])} {_cars(r['expected'])}" for r in rows[:5])
    yield Heading(2, "How many cars have what")
    words = f"Cars expected to have each fault: {said}."
    caption = (
        "Cars expected to have it (dot), and where that number lies nine times in ten (stroke)"
    )
    yield Drawing(dots(marks, most, "cars", words), caption)
    yield _table("conditions", fleet)


def _done(fleet: Fleet) -> Iterator[Block]:
    whole = fleet.whole
    if not whole.cars:
        return
    yield Heading(2, "What was done, and what should have been done")
    if whole.closed:
        rows = [r for r in fleet.by_condition if r["told"] >= FEW][:CONDITIONS]
        yield Paragraph(
            f"{whole.closed:,} cars have an outcome. What it names counts as put right. Of the "
            "cars whose outcome says whether a fault was there, so many were found to have it, and "
            "so many were to be expected. What is found is written down more often than what is "
            "not, so that more found than expected need not mean more faults."
        )
        yield Table(
            "", ("fault", "told of", "found", "expected (nine in ten)"),
            [
                (
                    sentence(r["title"]), f"{r['told']:,}", f"{r['found']:,}",
                    f"{_cars(r['expected_of_told'])} ({r['low_of_told']:,}–{r['high_of_told']:,})",
                )
                for r in rows
            ],
            (1, 2, 3),
        )  # fmt: skip
        yield Paragraph(
            f"What the outcomes leave out would cost {_money(whole.missed, fleet)} more than to "
            "look at these cars again, with all tests done once more, and put it right."
        )
    else:
        yield Paragraph(
            "No row has an outcome (columns confirmed_…), so nothing is known of what was done."
        )
    yield Paragraph("The plans of least expected cost, one for each car, have in them:")
    yield Table(
        "", ("service", "cars", "share"),
        [
            (sentence(r["title"]), f"{r['cars']:,}", percent(r["share"]))
            for r in fleet.by_service[:SERVICES]
        ],
        (1, 2),
    )  # fmt: skip
    yield _table("services", fleet)


def _compared(fleet: Fleet, column: str) -> Iterator[Block]:
    """One column's groups: a picture of shares, and the sums of those large enough."""
    rows, whole = fleet.by_group[column], fleet.whole
    if not whole.cars:
        return
    months = column in fleet.work.months
    by = "month" if months else shown(column)
    yield Heading(2, f"By {by}")
    enough = [row for row in rows if row["enough"]]
    listed = enough[-GROUPS:] if months else enough[:GROUPS]
    if len(listed) > 1:
        yield _shares(listed, by, whole.odds.expected(-1, whole.cars).mean / whole.cars)
    if listed:
        yield _group_table(fleet, listed, by)
    few = [row for row in rows if not row["enough"]]
    if few:
        cars = sum(row["cars"] for row in few)
        what = "1 value has" if len(few) == 1 else f"{len(few):,} values have"
        yield Paragraph(f"{what} fewer than {FEW} cars each ({cars:,} in all): {TOO_FEW}.")
    if len(enough) > len(listed):
        yield Paragraph(f"{len(enough) - len(listed)} further ones are in the file.", "faint")
    if any(row["value"] == OTHERS for row in rows):
        yield Paragraph(f"{OTHERS}: beyond {MOST_VALUES} values, counted together.", "faint")
    yield _table(f"by_{column}", fleet)


def _shares(rows: Sequence[Row], by: str, share: float) -> Drawing:
    marks = [
        Mark(row["value"], at, low, high, _share(row))
        for row in rows
        for at, low, high in [[100 * row[key] / row["cars"] for key in FAULTY]]
    ]
    said = "; ".join(f"{row['value']} {_share(row)}" for row in rows[:8])
    words = f"Share of cars with something wrong by {by}: {said}"
    caption = f"Cars with something wrong [%]; dashed: all cars, {percent(share)}"
    return Drawing(dots(marks, 100, "%", words, 100 * share), caption)


def _group_table(fleet: Fleet, rows: Sequence[Row], by: str) -> Table:
    leading = [row["condition"] for row in fleet.by_condition[:LEADING]]
    titles = [row["title"] for row in fleet.by_condition[:LEADING]]
    head = [by, "cars", "something wrong", *titles, "stopped", "plan, each"]
    told = any(row["with_outcome"] >= FEW for row in rows)
    caption = f"Shares of the cars; costs a car [{amounts_in(fleet.currency)}]: of its plan"
    if told:
        head, caption = [*head, "left out, each"], f"{caption}, of what its outcome leaves out"
    cells = [_group_cells(row, leading)[: len(head)] for row in rows]
    return Table(caption, head, cells, tuple(range(1, len(head))))


FAULTY = ("faulty", "faulty_low", "faulty_high")


def _share(row: Row) -> str:
    return percent(row["faulty"] / row["cars"])


def _group_cells(row: Row, leading: Sequence[str]) -> list[str]:
    low, high = (f"{100 * row[key] / row['cars']:.0f}" for key in FAULTY[1:])
    told = row["with_outcome"] >= FEW
    left = f"{row['left_out_cost'] / row['with_outcome']:,.0f}" if told else TOO_FEW
    return [
        row["value"].replace("-", "\u2011"),
        f"{row['cars']:,}",
        f"{_share(row)} ({low}–{high})",
        *(percent(row[name] / row["cars"]) for name in leading),
        f"{row['stopped']:,}",
        f"{row['plan_cost'] / row['cars']:,.0f}",
        left,
    ]


def _misses(fleet: Fleet) -> Iterator[Block]:
    if not fleet.misses:
        return
    yield Heading(2, "The dearest misses")
    yield Paragraph(
        "Cars with an outcome of which most money is left: what the outcome does not name, what "
        "would be done about it, and what that is expected to save."
    )
    services = fleet.knowledge.services
    yield Table(
        "", ("row", "car", "left out", "to do", f"saves [{amounts_in(fleet.currency)}]"),
        [
            (
                f"{row['row']:,}", row["car"], row["left_out"],
                ", ".join(lowered(services[name].title) for name in row["plan"].split()),
                f"{row['saves']:,.0f}",
            )
            for row in fleet.misses
        ],
        (0, 4),
    )  # fmt: skip
    yield _table("dearest_misses", fleet)


def _again(fleet: Fleet) -> Iterator[Block]:
    if not fleet.again:
        return
    yield Heading(2, "Worth looking at again")
    yield Paragraph(
        "Of each kind of fault that outcomes leave out the dearest car first. Each of these is a "
        "car to be looked at, and says nothing against whoever looked before: much is not written "
        "down, and some of these cars will turn out sound."
    )
    stops, said = fleet.knowledge.stops, []
    for row in fleet.again:
        which = f"row {row['row']:,}" + (f" ({row['car']})" if row["car"] else "")
        harm = f" Left alone, about {_money(row['expected_cost'], fleet)} a season."
        cost = harm if row["expected_cost"] >= 1 else ""
        held = [lowered(stops[name].title) for name in row["stops"].split()]
        first = f" First of all: {'; '.join(held)}." if held else ""
        said.append(f"{sentence(which)}: {row['why']}.{cost}{first}")
    yield Items(said)
    yield _table("look_again", fleet)


def _quality(fleet: Fleet) -> Iterator[Block]:
    yield Heading(2, "How good the data is")
    rows = fleet.quality
    yield Table(
        "", ("", "rows"), [(r["what"], f"{r['rows']:,}") for r in rows[: 5 + REASONS]], (1,)
    )
    plan = fleet.work.job.plan
    if plan.alike:
        yield Paragraph(
            f"Not read, but like a name that is known: {', '.join(map(shown, plan.alike))}. A "
            "column map can say what they are."
        )
    others = [name for name in plan.unused if name not in {*plan.alike, *fleet.work.by}]
    if others:
        yield Paragraph(f"Columns not read: {', '.join(map(shown, others))}.", "faint")
    if fleet.rejects and fleet.gathered.tally.rejected:
        yield Paragraph(
            f"Why each row cannot be used stands in {Path(fleet.rejects).name}, row by row.",
            "faint",
        )
    yield _table("rows", fleet)
    yield _table("columns", fleet)


def _how(fleet: Fleet) -> Iterator[Block]:
    yield Heading(2, "How these numbers come about")
    yield Items(
        [
            "Every car has a probability of every fault, from what was seen and measured on it. "
            "Their sum is the number of cars expected; the interval is that of a sum of "
            "independent draws with these probabilities. How far the knowledge itself may be off, "
            "alike for all cars, comes on top and is not in it.",
            "Groups differ in the cars that come to them. A difference between workshops or "
            f"technicians is no verdict on them, and of fewer than {FEW} cars nothing is said.",
            "The plan of a car is the one of least expected cost as things stood, within the rules "
            "of safety. A fault that the outcome names counts as put right, what it does not name "
            "as left.",
        ]
    )
