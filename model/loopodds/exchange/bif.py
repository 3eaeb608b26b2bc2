"""Networks as text in the BIF interchange format, read and written.

Grammar after F. G. Cozman, *The interchange format for Bayesian networks*, version 0.15 (1998).
Tolerant where files in circulation differ: commas are optional, comments and properties are
skipped, names may hold any character that is not punctuation of the format, and quoted names
may hold that as well. Numbers are read as 64-bit floats and written with the shortest digits
that give the same float back. A gauge is written as the words for the intervals of its number.
"""

import gzip
import itertools
import re
from collections.abc import Iterator, Mapping
from math import log2
from pathlib import Path
from typing import NamedTuple, NoReturn

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.base.errors import KnowledgeError, TooLarge, unknown_name
from loopodds.inference.network import Discrete, Network, discrete_variables
from loopodds.inference.triangulation import MOST

ROUNDED = 2e-3
"""Largest distance of a row sum from one that still passes for rounding in print."""

EXACT = 1e-12
"""Distance of a row sum from one below which the row is left as it is (float addition)."""

_WORD = r'(?:(?!//|/\*)[^\s{}()\[\]|,;"])+'
_TOKEN = re.compile(
    r'(?P<skip>//[^\n]*|/\*.*?\*/)|"(?P<quoted>[^"\n]*)"|(?P<mark>[{}()\[\]|,;])'
    rf"|(?P<word>{_WORD})|(?P<bad>\S)",
    re.DOTALL,
)


_States = tuple[str, ...]


class _Token(NamedTuple):
    text: str
    kind: str
    at: int


class _Block(NamedTuple):
    """One probability block: parents and rows before they are put into an array."""

    parents: tuple[str, ...]
    rows: list[tuple[_States, list[float], int]]
    flat: list[float] | None
    default: list[float] | None
    at: int


class _Reader:
    """Tokens of a file and a place in them."""

    def __init__(self, text: str, file: str) -> None:
        self.text, self.file = text, file
        self.tokens = list(self._scan())
        self.place = 0

    def _scan(self) -> Iterator[_Token]:
        for match in _TOKEN.finditer(self.text):
            kind = str(match.lastgroup)
            at = match.start()
            if kind == "bad":
                self.fail(f"{match.group()!r} opens a quotation or comment never closed", at)
            if kind != "skip":
                yield _Token(match.group(kind), kind, at)
        yield _Token("end of file", "end", len(self.text))

    def fail(self, problem: str, at: int) -> NoReturn:
        """Raise with the line number of a place in the text."""
        line = self.text.count("\n", 0, at) + 1
        raise KnowledgeError(f"{self.file}, line {line}: {problem}")

    @property
    def next(self) -> _Token:
        return self.tokens[self.place]

    def take(self) -> _Token:
        token = self.tokens[self.place]
        self.place += token.kind != "end"
        return token

    def accept(self, text: str) -> bool:
        """Step over a mark or keyword if it comes next."""
        found = self.next.text == text and self.next.kind != "quoted"
        self.place += found
        return found

    def expect(self, *texts: str) -> None:
        for text in texts:
            if not self.accept(text):
                self.fail(f"{text!r} expected, found {self.next.text!r}", self.next.at)

    def name(self, what: str) -> str:
        token = self.take()
        if token.kind not in ("word", "quoted"):
            self.fail(f"{what} expected, found {token.text!r}", token.at)
        return token.text

    def names(self, close: str, what: str) -> _States:
        """Names up to a closing mark, with or without commas."""
        found: list[str] = []
        while not self.accept(close):
            if not self.accept(","):
                found.append(self.name(what))
        return tuple(found)

    def numbers(self) -> list[float]:
        """Numbers up to a semicolon, with or without commas."""
        values: list[float] = []
        while not self.accept(";"):
            if self.accept(","):
                continue
            token = self.take()
            try:
                value = float(token.text)
            except ValueError:
                self.fail(f"a probability expected, found {token.text!r}", token.at)
            if not 0 <= value <= 1 + ROUNDED:
                self.fail(f"{token.text} is not a probability", token.at)
            values.append(value)
        return values

    def skip_to(self, close: str) -> None:
        while not self.accept(close):
            if self.next.kind == "end":
                self.fail(f"{close!r} expected, found the end of the file", self.next.at)
            self.take()


class Imported(NamedTuple):
    """A network read from a file, and what had to be put right in it."""

    network: Network
    notes: tuple[str, ...]


def read_bif(source: str | Path) -> Imported:
    """Network from a BIF file; variables without children become observables.

    ``notes`` names each variable whose rows were rounded in print and had to be divided by their
    sum; otherwise every 64-bit float is the one written.

    Args:
        source: Path of a ``.bif`` or ``.bif.gz`` file, or the text itself (anything with a brace).

    Raises:
        KnowledgeError: if the file cannot be read, with its line if the text is at fault.
        TooLarge: if a table has more than 2**25 entries.

    >>> text = "variable rain { type discrete [2] {no, yes}; } probability (rain) {table .7, .3;}"
    >>> read_bif(text).network.hidden["rain"].table.tolist()
    [0.7, 0.3]
    """
    if isinstance(source, str) and "{" in source:
        return _parsed(source, "text")
    path = Path(source)
    try:
        data = path.read_bytes()
        text = (gzip.decompress(data) if path.suffix == ".gz" else data).decode()
    except (OSError, EOFError, UnicodeDecodeError) as error:
        raise KnowledgeError(f"{path}: cannot be read: {error}") from error
    return _parsed(text, path.name)


def write_bif(network: Network) -> str:
    """Text of a network in the BIF format; reading it back gives the same floats.

    Raises:
        KnowledgeError: if a name holds a quotation mark or a line break, which cannot be written.
    """
    variables = discrete_variables(network)
    states = {v.name: v.states for v in variables}
    lines = ["network loopodds {", "}"]
    for v in variables:
        lines += [
            f"variable {_quoted(v.name)} {{",
            f"  type discrete [ {len(v.states)} ] {{ {', '.join(map(_quoted, v.states))} }};",
            "}",
        ]
    for v in variables:
        given = f" | {', '.join(map(_quoted, v.parents))}" if v.parents else ""
        lines.append(f"probability ( {_quoted(v.name)}{given} ) {{")
        rows = v.table.reshape(-1, len(v.states)).tolist()
        configurations = itertools.product(*(states[parent] for parent in v.parents))
        for configuration, row in zip(configurations, rows, strict=True):
            label = f"({', '.join(map(_quoted, configuration))})" if v.parents else "table"
            lines.append(f"  {label} {', '.join(map(repr, row))};")
        lines.append("}")
    return "\n".join(lines) + "\n"


def _quoted(name: str) -> str:
    if re.fullmatch(_WORD, name):
        return name
    if '"' in name or "\n" in name:
        raise KnowledgeError(f"the BIF format cannot write the name {name!r}")
    return f'"{name}"'


def _parsed(text: str, file: str) -> Imported:
    reader = _Reader(text, file)
    declared: dict[str, _States] = {}
    blocks: dict[str, _Block] = {}
    while reader.next.kind != "end":
        at = reader.next.at
        keyword = reader.name("'network', 'variable' or 'probability'")
        if keyword == "network":
            reader.skip_to("{")
            reader.skip_to("}")
        elif keyword == "variable":
            name, states = _variable(reader)
            if name in declared:
                reader.fail(f"variable {name!r} is declared twice", at)
            declared[name] = states
        elif keyword == "probability":
            name, block = _probability(reader)
            if name in blocks:
                reader.fail(f"{name!r} has two probability blocks", at)
            blocks[name] = block
        else:
            reader.fail(f"'network', 'variable' or 'probability' expected, found {keyword!r}", at)
    if not declared:
        reader.fail("no variable is declared", 0)
    return _assemble(reader, declared, blocks)


def _variable(reader: _Reader) -> tuple[str, _States]:
    name = reader.name("a variable's name")
    states: _States = ()
    reader.expect("{")
    while not reader.accept("}"):
        if reader.accept("property"):
            reader.skip_to(";")
            continue
        at = reader.next.at
        reader.expect("type", "discrete", "[")
        count = reader.name("the number of states")
        reader.expect("]", "{")
        states = reader.names("}", "a state's name")
        reader.expect(";")
        if str(len(states)) != count:
            reader.fail(f"{name!r} announces {count} states and lists {len(states)}", at)
        if len(set(states)) != len(states):
            reader.fail(f"{name!r} names a state twice", at)
    if not states:
        reader.fail(f"{name!r} has no states", reader.next.at)
    return name, states


def _probability(reader: _Reader) -> tuple[str, _Block]:
    at = reader.next.at
    reader.expect("(")
    head: list[str] = []
    while not reader.accept(")"):
        if not (reader.accept(",") or reader.accept("|")):
            head.append(reader.name("a variable's name"))
    if not head or len(set(head)) != len(head):
        reader.fail("a probability block must name a variable and its parents, each once", at)
    rows: list[tuple[_States, list[float], int]] = []
    flat = default = None
    reader.expect("{")
    while not reader.accept("}"):
        row_at = reader.next.at
        if reader.accept("property"):
            reader.skip_to(";")
        elif reader.accept("table"):
            flat = reader.numbers()
        elif reader.accept("default"):
            default = reader.numbers()
        else:
            reader.expect("(")
            rows.append((reader.names(")", "a state's name"), reader.numbers(), row_at))
    return head[0], _Block(tuple(head[1:]), rows, flat, default, at)


def _assemble(
    reader: _Reader, declared: Mapping[str, _States], blocks: Mapping[str, _Block]
) -> Imported:
    for name, block in blocks.items():
        for mentioned in (name, *block.parents):
            if mentioned not in declared:
                reader.fail(str(unknown_name("variable", mentioned, declared)), block.at)
    variables, notes = [], []
    for name, states in declared.items():
        if name not in blocks:
            reader.fail(f"variable {name!r} has no probability block", len(reader.text))
        block = blocks[name]
        table = _table(reader, name, declared, block)
        sums = table.sum(axis=-1, keepdims=True)
        off = np.abs(sums - 1.0)
        if off.max() > EXACT:
            table = np.where(off > EXACT, table / sums, table)
            notes.append(
                f"{name}: {int((off > EXACT).sum())} of {off.size} rows were rounded "
                f"(off by up to {off.max():.2g}) and divided by their sum"
            )
        variables.append(Discrete(name, states, block.parents, table))
    return Imported(Network.of_tables(variables), tuple(notes))


def _table(
    reader: _Reader, name: str, declared: Mapping[str, _States], block: _Block
) -> FloatArray:
    """Array with the parents' axes first; a flat table lists the variable's own state slowest."""
    card, parents = len(declared[name]), {parent: declared[parent] for parent in block.parents}
    cards = [len(states) for states in parents.values()]
    size = sum(log2(c) for c in (*cards, card))
    if size > log2(MOST):
        raise TooLarge(f"{reader.file}: the table of {name!r} has 2^{size:.1f} entries")
    if block.flat is not None:
        if block.rows or block.default:
            reader.fail(f"{name!r} has a table besides its rows", block.at)
        if len(block.flat) != card * int(np.prod(cards)):
            reader.fail(f"{len(block.flat)} numbers do not fill the table of {name!r}", block.at)
        rows = np.array(block.flat).reshape(card, -1).T
        filled = [_row(reader, name, card, row, block.at) for row in rows.tolist()]
        return np.array(filled).reshape(*cards, card)
    table = np.full((*cards, card), np.nan)
    if block.default is not None:
        table[...] = _row(reader, name, card, block.default, block.at)
    seen: set[tuple[int, ...]] = set()
    for states, values, at in block.rows:
        index = _index(reader, parents, states, at)
        if index in seen:
            reader.fail(f"{name!r} has two rows for ({', '.join(states)})", at)
        seen.add(index)
        table[index] = _row(reader, name, card, values, at)
    empty = np.argwhere(np.isnan(table[..., 0]))
    if len(empty):
        which = ", ".join(s[i] for s, i in zip(parents.values(), empty[0], strict=True))
        reader.fail(f"{name!r} has no row for ({which})", block.at)
    return table


def _row(reader: _Reader, name: str, card: int, values: list[float], at: int) -> FloatArray:
    if len(values) != card:
        reader.fail(f"{name!r} has {card} states, but this row has {len(values)} numbers", at)
    if abs(sum(values) - 1) > ROUNDED:
        reader.fail(f"this row of {name!r} sums to {sum(values):.6g}, not 1", at)
    return np.array(values)


def _index(
    reader: _Reader, parents: Mapping[str, _States], row: _States, at: int
) -> tuple[int, ...]:
    if len(row) != len(parents):
        reader.fail(f"{len(parents)} parent states expected, got ({', '.join(row)})", at)
    for (parent, states), state in zip(parents.items(), row, strict=True):
        if state not in states:
            reader.fail(str(unknown_name(f"state of {parent}", state, states)), at)
    return tuple(s.index(state) for s, state in zip(parents.values(), row, strict=True))
