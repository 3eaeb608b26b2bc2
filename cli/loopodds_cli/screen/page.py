"""Terminal pages, and the words on them for chances, amounts, findings, tests and services.

Never wider than 80 columns, plain in a pipe, meaning never in colour alone.
"""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from itertools import zip_longest
from typing import TYPE_CHECKING

import click
from loopodds import UNSAFE_NOTE, amounts_in, bits_text, evidence_word, lowered, sentence, spaced
from loopodds import money as money
from loopodds import percent as percent
from rich.cells import cell_len
from rich.console import Console
from rich.style import Style
from rich.text import Text

from loopodds_cli.options import is_unsafe
from loopodds_cli.screen.shown import decimals, shown
from loopodds_cli.terminal import console_settings

if TYPE_CHECKING:
    from loopodds import Assessment, Knowledge, RankedTest, ServicePlan, Step

WIDTH = 80
BAR_CELLS = 16
MARGIN, GAP = "  ", "  "

Cell = str | Text

# what a style means, so that pages say "caution" and not a colour
HEADING = Style(bold=True, color="cyan")
STRONG = Style(bold=True)
FAINT = Style(dim=True)
FOR = Style(color="green")
AGAINST = Style(color="magenta")
CAUTION = Style(color="yellow", bold=True)

RIBBON = 22
"""Columns of text; what would be set narrower than that is set in two lines."""


class Page:
    """Writes one page to standard output, in the width of the terminal, 80 columns at most.

    Colour appears only on a terminal and never when ``NO_COLOR`` is set; plain characters stand
    in where the output cannot show drawing ones.
    """

    def __init__(self) -> None:
        self._console = Console(highlight=False, emoji=False, markup=False, **console_settings())
        self.width = self._console.width = min(WIDTH, self._console.width)
        self._begun = False
        self._said: set[str] = set()
        self.plain = not self._console.encoding.lower().startswith("utf")
        if is_unsafe():
            self.headline(UNSAFE_NOTE)

    def headline(self, text: str, *lines: Cell) -> None:
        """The answer: the one thing to read from a distance, marked down its left edge."""
        for line in (Text(text.upper(), STRONG), *lines):
            self._indented(_text(line), " # " if self.plain else " ┃ ")

    def heading(self, text: str, note: str = "") -> None:
        """Title of a section, with a short note; a blank line before it unless it is the first."""
        if self._begun:
            self._print(Text())
        self._indented(Text(text, HEADING) + Text(f"  {note}" if note else "", FAINT), "")

    def line(self, *parts: Cell, indent: int = 1) -> None:
        """Parts joined by spaces, wrapped with the indent kept."""
        self._indented(Text(" ").join(_text(part) for part in parts), " " * indent)

    def title(self, text: str, note: str = "") -> None:
        """What the page is about."""
        self.line(Text(text, STRONG), Text(note, FAINT))

    def aside(self, text: str, indent: int = 2) -> None:
        """A line that may be passed over."""
        self.line(Text(text, FAINT), indent=indent)

    def marked(self, mark: str, text: str, style: Style = CAUTION) -> None:
        """A paragraph behind a mark, its later lines indented under the first."""
        self.rows([(Text(mark, style), text)])

    def warn(self, cautions: Iterable[str]) -> None:
        """Cautions in full, each once on a page: what it has said already is left out."""
        for text in dict.fromkeys(cautions):
            if text not in self._said:
                self._said.add(text)
                self.marked("!", text)

    @property
    def said(self) -> frozenset[str]:
        """Cautions that stand on the page."""
        return frozenset(self._said)

    def listed(self, heading: str, mark: str, texts: Sequence[str], note: str = "") -> None:
        """A section of marked paragraphs, if there are any."""
        if texts:
            self.heading(heading, note)
        for text in texts:
            self.marked(mark, text)

    def rows(self, rows: Sequence[Sequence[Cell]], right: Sequence[int] = ()) -> None:
        """Aligned columns, ``right`` those flush right; the widest wraps on a narrow page.

        Where that would make a ribbon of it, it has the whole width and the others a line below.
        """
        if not rows:
            return
        widths = [_widest(column) for column in zip(*rows, strict=True)]
        room = self.width - len(MARGIN) - len(GAP) * (len(widths) - 1)
        widest = widths.index(max(widths))
        left = room - sum(widths) + widths[widest]
        if left < min(RIBBON, widths[widest]):
            self._stacked(rows, widest)
            return
        widths[widest] = min(widths[widest], left)
        form = MARGIN + GAP.join(f"{{:{'<>'[k in right]}{w}}}" for k, w in enumerate(widths))
        plain: list[str] = []
        for row in rows:
            words = [cell for cell in row if isinstance(cell, str)]
            if len(words) < len(row):
                self._out(plain)
                self._styled([_text(cell) for cell in row], widths, right)
                plain = []
            elif _is_simple("".join(words)) and len(words[widest]) <= widths[widest]:
                plain.append(form.format(*words).rstrip())
            else:
                plain += self._lines(words, widths, right)
        self._out(plain)

    def _stacked(self, rows: Sequence[Sequence[Cell]], widest: int) -> None:
        """Rows over two lines each: the text, then what stands beside it."""
        for row in rows:
            beside = [_text(cell) for k, cell in enumerate(row) if k != widest]
            self._indented(_text(row[widest]), MARGIN)
            told = Text(GAP).join(cell for cell in beside if cell.plain.strip())
            if told.plain:
                self._indented(told, MARGIN + GAP)

    def _styled(self, row: Sequence[Text], widths: Sequence[int], right: Sequence[int]) -> None:
        """A row over as many lines as it needs."""
        cells = [t.wrap(self._console, w) for t, w in zip(row, widths, strict=True)]
        for i in range(max(map(len, cells))):
            line = [cell[i] if i < len(cell) else Text() for cell in cells]
            for k, part in enumerate(line):
                part.align("right" if k in right else "left", widths[k])
            self._print(Text(MARGIN) + Text(GAP).join(line))

    def _lines(self, row: Sequence[str], widths: Sequence[int], right: Sequence[int]) -> list[str]:
        """The same of a row without styles: a long list has thousands, and little to lay out."""
        cells = [self._folded(cell, width) for cell, width in zip(row, widths, strict=True)]
        lines = []
        for parts in zip_longest(*cells, fillvalue=""):
            padded = []
            for k, (part, width) in enumerate(zip(parts, widths, strict=True)):
                gap = " " * (width - cell_len(part))
                padded.append(gap + part if k in right else part + gap)
            lines.append((MARGIN + GAP.join(padded)).rstrip())
        return lines

    def _folded(self, cell: str, width: int) -> list[str]:
        if cell_len(cell) <= width and "\n" not in cell:
            return [cell]
        return [line.plain.rstrip() for line in Text(cell).wrap(self._console, width)]

    def _out(self, lines: Sequence[str]) -> None:
        """Lines without styles, laid out already."""
        if lines:
            self._begun = True
            self._console.file.write(decimals("\n".join(lines)) + "\n")

    def bar(self, probability: float, mark: float | None = None) -> Text:
        """Probability as a bar of 16 cells; ``mark`` draws a stroke where another one stands."""
        full, empty = "#." if self.plain else "█░"
        filled = round(probability * BAR_CELLS)
        cells = [full] * filled + [empty] * (BAR_CELLS - filled)
        if mark is not None:
            cells[min(int(mark * BAR_CELLS), BAR_CELLS - 1)] = self.stroke
        return Text("".join(cells))

    @property
    def stroke(self) -> str:
        """What marks a place in a bar."""
        return "|" if self.plain else "│"

    def _indented(self, text: Text, margin: str) -> None:
        for line in text.wrap(self._console, self.width - len(margin)):
            self._print(Text(margin) + line)

    def _print(self, line: Text) -> None:
        self._begun = True
        line.rstrip()
        line.plain = decimals(line.plain)
        self._console.print(line)


def _widest(cells: Sequence[Cell]) -> int:
    """Columns of a terminal that the widest of some cells takes."""
    words = [cell for cell in cells if isinstance(cell, str)]
    if len(words) == len(cells) and _is_simple("".join(words)):
        return max(map(len, words))
    return max(cell.cell_len if isinstance(cell, Text) else cell_len(cell) for cell in cells)


def _is_simple(text: str) -> bool:
    """Whether each character surely takes one column, as in most lines of long lists."""
    return text.isascii() and text.isprintable()


def _text(cell: Cell) -> Text:
    return cell if isinstance(cell, Text) else Text(cell)


def local_time(moment: str) -> str:
    """A moment of the case book, which keeps UTC, as the clock on the wall had it.

    What is no moment is shown as it is.
    """
    try:
        return datetime.fromisoformat(moment).astimezone().strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return moment


def wrapped(text: str, margin: str = "", later: str | None = None) -> None:
    """Print a paragraph at a prompt, within the width of a page.

    ``later`` begins its further lines. What a person typed has to be printable already.
    """
    click.echo(
        textwrap.fill(
            decimals(text),
            min(WIDTH, shutil.get_terminal_size().columns),
            initial_indent=margin,
            subsequent_indent=f"{margin}  " if later is None else later,
            break_on_hyphens=False,
        )
    )


def arrow(before: float, after: float) -> Text:
    """Which way something went."""
    return Text("up", FOR) if after > before else Text("down", AGAINST)


def evidence(decibans: float) -> list[Text]:
    """A weight of evidence as two cells: in words and, in the detail, in bits."""
    style = FOR if decibans > 0 else AGAINST
    return [Text(evidence_word(decibans), style), Text(f"{bits_text(decibans)} bit", FAINT)]


def factor(ratio: float) -> str:
    """A ratio with the digits that matter to a reader.

    >>> factor(1.42), factor(12.3)
    ('1.4', '12')
    """
    return f"{ratio:.1f}" if ratio < 3 else f"{ratio:.0f}"


def unit_of(currency: str) -> str:
    """How a heading says in what the amounts below it are.

    >>> unit_of("unit"), unit_of("EUR")
    ('in units', 'in EUR')
    """
    return f"in {amounts_in(currency)}"


def signed(amount: float) -> str:
    """A gain or loss without decimals; what rounds to nothing has no sign.

    >>> signed(1454.4), signed(-2.6), signed(0.3), signed(-0.3)
    ('+1,454', '-3', '0', '0')
    """
    return f"{round(amount):+,d}" if round(amount) else "0"


def duration(minutes: float) -> str:
    """Minutes, or hours and minutes from two hours on.

    >>> duration(35), duration(475)
    ('35 min', '7 h 55 min')
    """
    hours, rest = divmod(round(minutes), 60)
    return f"{hours} h {rest:02d} min" if hours >= 2 else f"{round(minutes)} min"


def net(test: RankedTest) -> Text:
    """What a test saves less its cost, as a cell."""
    return Text(signed(test.net_value), FOR if test.pays else AGAINST)


def observed(name: str, state: str, knowledge: Knowledge) -> str:
    """A finding or reading with what was seen."""
    return f"{knowledge.node(name).title}: {shown(spaced(state))}"


def fault_text(name: str, knowledge: Knowledge) -> str:
    """A condition within a line."""
    from loopodds import condition_title

    return condition_title(name, knowledge).lower()


def tests_text(tests: Iterable[str], knowledge: Knowledge) -> str:
    """Titles of tests within a line."""
    return ", ".join(lowered(knowledge.tests[name].title) for name in tests)


def plan_texts(plan: ServicePlan, currency: str) -> list[str]:
    """What a plan costs, where it does anything, and what it leaves."""
    left = f"harm left for a season, on average: {money(plan.harm, currency)}"
    spent = f"{money(plan.outlay, currency)}, {duration(plan.minutes)}"
    return [spent, left] if plan.services else [left]


def services_text(services: Sequence[str], knowledge: Knowledge) -> str:
    """Titles of services in one line."""
    if not services:
        return "leave it as it is"
    return " + ".join(lowered(knowledge.services[name].title) for name in services)


def changed_plan(services: Sequence[str], now: Sequence[str], knowledge: Knowledge) -> str:
    """A plan by how it differs from the present one."""
    more = [name for name in services if name not in now]
    less = [name for name in now if name not in services]
    if len(services) == len(more):
        return services_text(services, knowledge)
    changes = [("with", more), ("without", less)]
    said = [f"{word} {services_text(names, knowledge)}" for word, names in changes if names]
    return "; ".join(["the plan as now", *said])


def rest_text(unread: Sequence[str], knowledge: Knowledge) -> str:
    """What is still to be read of a test that was begun; empty where it was not."""
    if not unread:
        return ""
    more = f" and {len(unread) - 1} more" if len(unread) > 1 else ""
    return f"rest of it: {lowered(knowledge.node(unread[0]).title)}{more}"


def shares(set_ups: Mapping[str, float], knowledge: Knowledge) -> list[str]:
    """What minutes hold besides a test itself, as "10 min of it until it runs settled"."""
    words = knowledge.set_ups
    return [f"{duration(minutes)} of it {words[name].words}" for name, minutes in set_ups.items()]


def step_shares(steps: Sequence[Step], result: Assessment) -> list[str]:
    """What the minutes of some steps hold besides the tests, each set-up by itself."""
    minutes = result.shop.gates.prices.minutes
    due = [name for step in steps for name in step.due]
    return shares({n: minutes[n] * due.count(n) for n in due}, result.knowledge)


def put_shares(page: Page, tests: Sequence[RankedTest], knowledge: Knowledge) -> None:
    """Below rows of tests: what their minutes hold besides, those together that hold the same."""
    for name in knowledge.set_ups:
        sharing = [test for test in tests if name in test.set_ups]
        if sharing:
            titles = sentence(tests_text([test.test for test in sharing], knowledge))
            (said,) = shares({name: sharing[0].set_ups[name]}, knowledge)
            page.aside(f"{titles}: {said}")


def test_title(test: RankedTest, knowledge: Knowledge) -> str:
    """What a ranked test is called, what it opens and what is left of it."""
    title = knowledge.tests[test.test].title
    if test.opens != test.test:
        title += f", which opens: {tests_text([test.opens], knowledge)}"
    rest = rest_text(test.unread, knowledge)
    return f"{title} ({rest})" if rest else title
