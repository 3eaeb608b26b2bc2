"""Terminal pages: never wider than 80 columns, plain in a pipe, meaning never in colour alone."""

from __future__ import annotations

from collections.abc import Sequence

from loopodds import percent as percent
from rich.console import Console
from rich.style import Style
from rich.text import Text

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

# lowest probability that still deserves the words
CHANCES = (
    (0.95, "almost certain"),
    (0.80, "very likely"),
    (0.60, "likely"),
    (0.40, "about even"),
    (0.15, "possible"),
    (0.05, "unlikely"),
    (0.0, "very unlikely"),
)


class Page:
    """Writes one page to standard output.

    Width is that of the terminal, 80 columns at most. Colour appears only on a terminal and
    never when ``NO_COLOR`` is set. Where the output cannot show drawing characters, plain ones
    are used.
    """

    def __init__(self) -> None:
        self._console = Console(highlight=False, emoji=False, markup=False)
        self.width = self._console.width = min(WIDTH, self._console.width)
        self._begun = False
        self.plain = not self._console.encoding.lower().startswith("utf")

    def headline(self, text: str, *lines: Cell) -> None:
        """The answer: the one thing to read from a distance, marked down its left edge."""
        edge = "#" if self.plain else "┃"
        self._indented(Text(text.upper(), STRONG), f" {edge} ")
        for line in lines:
            self._indented(_text(line), f" {edge} ")

    def heading(self, text: str, note: str = "") -> None:
        """Title of a section, with a short note; a blank line before it unless it is the first."""
        line = Text()
        line.append(text, HEADING)
        if note:
            line.append(f"  {note}", FAINT)
        if self._begun:
            self._print(Text())
        self._print(line)

    def line(self, *parts: Cell, indent: int = 1) -> None:
        """Parts joined by spaces, wrapped with the indent kept."""
        self._indented(Text(" ").join(_text(part) for part in parts), " " * indent)

    def marked(self, mark: str, text: str, style: Style = CAUTION) -> None:
        """A paragraph behind a mark, its later lines indented under the first."""
        self.rows([(Text(mark, style), text)])

    def rows(self, rows: Sequence[Sequence[Cell]], right: Sequence[int] = ()) -> None:
        """Aligned columns; the widest wraps when the page is too narrow.

        Args:
            rows: All of one length.
            right: Columns that are flush right (numbers).
        """
        if not rows:
            return
        texts = [[_text(cell) for cell in row] for row in rows]
        widths = [max(row[i].cell_len for row in texts) for i in range(len(texts[0]))]
        room = self.width - len(MARGIN) - len(GAP) * (len(widths) - 1)
        widest = widths.index(max(widths))
        widths[widest] = max(1, min(widths[widest], room - sum(widths) + widths[widest]))
        for row in texts:
            cells = [t.wrap(self._console, w) for t, w in zip(row, widths, strict=True)]
            for i in range(max(map(len, cells))):
                line = [cell[i] if i < len(cell) else Text() for cell in cells]
                for k, part in enumerate(line):
                    part.align("right" if k in right else "left", widths[k])
                self._print(Text(MARGIN) + Text(GAP).join(line))

    def bar(self, probability: float, mark: float | None = None) -> Text:
        """Probability as a bar of 16 cells; ``mark`` draws a stroke where another one stands."""
        full, empty, stroke = ("#", ".", "|") if self.plain else ("█", "░", "│")
        filled = round(probability * BAR_CELLS)
        cells = [full] * filled + [empty] * (BAR_CELLS - filled)
        if mark is not None:
            cells[min(int(mark * BAR_CELLS), BAR_CELLS - 1)] = stroke
        return Text("".join(cells))

    def _indented(self, text: Text, margin: str) -> None:
        for line in text.wrap(self._console, self.width - len(margin)):
            self._print(Text(margin) + line)

    def _print(self, line: Text) -> None:
        self._begun = True
        line.rstrip()
        self._console.print(line)


def _text(cell: Cell) -> Text:
    return cell if isinstance(cell, Text) else Text(cell)


def chance_word(probability: float) -> str:
    """A probability in words.

    Examples:
    >>> chance_word(0.83)
    'very likely'
    """
    return next(word for lowest, word in CHANCES if probability >= lowest)


def times(decibans: float) -> str:
    """What a weight of evidence does to the odds, as a factor.

    Examples:
    >>> times(10.0), times(-10.0), times(50.0)
    ('x 10', '/ 10', 'x 1000+')
    """
    sign = "x" if decibans >= 0 else "/"
    if abs(decibans) >= 30:
        return f"{sign} 1000+"
    return f"{sign} {factor(10 ** (abs(decibans) / 10))}"


def factor(ratio: float) -> str:
    """A ratio with the digits that matter to a reader.

    Examples:
    >>> factor(1.42), factor(12.3)
    ('1.4', '12')
    """
    return f"{ratio:.1f}" if ratio < 3 else f"{ratio:.0f}"
