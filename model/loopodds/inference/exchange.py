"""To and from other programs: BIF text, pgmpy, networkx.

Only discrete tables travel: a gauge leaves as the words for the intervals of its number.
"""

from __future__ import annotations

import gzip
import itertools
import re
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from loopodds.base.errors import KnowledgeError
from loopodds.inference.bif import parse_bif
from loopodds.inference.network import Discrete, Network

if TYPE_CHECKING:
    from networkx import DiGraph
    from pgmpy.models import DiscreteBayesianNetwork

_PLAIN = re.compile(r"(?:(?!//|/\*)[^\s{}()\[\]|,;\"])+")


class Imported(NamedTuple):
    """A network read from a file, and what had to be put right in it."""

    network: Network
    notes: tuple[str, ...]


def read_bif(source: str | Path) -> Imported:
    """Network from a BIF file.

    Parameters
    ----------
    source : str or Path
        Path of a ``.bif`` or ``.bif.gz`` file, or the text itself (anything with a brace).

    Returns
    -------
    Imported
        Variables without children become observables. ``notes`` names each variable whose rows
        were rounded in print and had to be divided by their sum; otherwise every 64-bit float
        is the one written.

    Raises
    ------
    KnowledgeError
        If the file cannot be read, with its line if the text is at fault.
    TooLarge
        If a table has more than 2**25 entries.

    Examples
    --------
    >>> text = "variable rain { type discrete [2] {no, yes}; } probability (rain) {table .7, .3;}"
    >>> read_bif(text).network.hidden["rain"].table.tolist()
    [0.7, 0.3]
    """
    if isinstance(source, str) and "{" in source:
        variables, notes = parse_bif(source)
    else:
        path = Path(source)
        try:
            data = path.read_bytes()
            text = (gzip.decompress(data) if path.suffix == ".gz" else data).decode()
        except (OSError, EOFError, UnicodeDecodeError) as error:
            raise KnowledgeError(f"{path}: cannot be read: {error}") from error
        variables, notes = parse_bif(text, path.name)
    return Imported(Network.of_tables(variables), notes)


def write_bif(network: Network) -> str:
    """Text of a network in the BIF format; reading it back gives the same floats.

    Raises
    ------
    KnowledgeError
        If a name holds a quotation mark or a line break, which the format cannot write.
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
    if _PLAIN.fullmatch(name):
        return name
    if '"' in name or "\n" in name:
        raise KnowledgeError(f"the BIF format cannot write the name {name!r}")
    return f'"{name}"'


def discrete_variables(network: Network) -> list[Discrete]:
    """Every variable with a table, parents first; gauges as their words."""
    worded = [gauge.worded() for gauge in network.gauges.values()]
    return [*network.hidden.values(), *network.observables.values(), *worded]


def to_pgmpy(network: Network) -> DiscreteBayesianNetwork:
    """The network as a pgmpy model that has passed its own ``check_model``.

    Raises
    ------
    KnowledgeError
        If pgmpy refuses a table.
    """
    from pgmpy.factors.discrete import TabularCPD
    from pgmpy.models import DiscreteBayesianNetwork

    variables = discrete_variables(network)
    states = {v.name: list(v.states) for v in variables}
    model = DiscreteBayesianNetwork()
    model.add_nodes_from(states)
    model.add_edges_from((parent, v.name) for v in variables for parent in v.parents)
    try:
        for v in variables:
            card = len(v.states)
            model.add_cpds(
                TabularCPD(
                    v.name,
                    card,
                    np.moveaxis(v.table, -1, 0).reshape(card, -1),
                    evidence=list(v.parents),
                    evidence_card=[len(states[parent]) for parent in v.parents],
                    state_names={name: states[name] for name in (v.name, *v.parents)},
                )
            )
        model.check_model()
    except ValueError as error:
        raise KnowledgeError(f"pgmpy refuses the network: {error}") from error
    return model


def to_networkx(network: Network) -> DiGraph:
    """The arcs as a directed graph.

    Returns
    -------
    networkx.DiGraph
        Node attributes: ``kind`` ("hidden", "observable" or "gauge") and ``states``.
    """
    from networkx import DiGraph

    graph = DiGraph()
    groups = (
        ("hidden", network.hidden),
        ("observable", network.observables),
        ("gauge", network.gauges),
    )
    for kind, group in groups:
        for name, node in group.items():
            graph.add_node(name, kind=kind, states=node.states)
            graph.add_edges_from((parent, name) for parent in node.parents)
    return graph
