"""A network survives the way to BIF and pgmpy; a broken file is refused by its line."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pgmpy
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loopodds.base.errors import KnowledgeError, TooLarge
from loopodds.exchange.bif import read_bif, write_bif
from loopodds.exchange.libraries import pgmpy_model
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Discrete, Evidence, GaugeNode, Network, discrete_variables
from references import ask_pgmpy, import_pyagrum, one_hot

FOLDER = Path(pgmpy.__file__).parent / "utils" / "example_models"

RAIN = """
network garden { property author "nobody"; }
// what wets the grass
variable rain { type discrete [ 2 ] { no, yes }; property position = (1, 2); }
variable grass { type discrete [ 3 ] { dry, damp, wet }; }
/* tables
   follow */
probability ( rain ) { table 0.7, 0.3; }
probability ( grass | rain ) {
  (no) 0.8, 0.15, 0.05;
  (yes) 0.05, 0.25, 0.7;
}
"""


def assert_same(one: Network, other: Network) -> None:
    """The same names, states, parents and, bit for bit, tables."""
    first = {v.name: v for v in discrete_variables(one)}
    second = {v.name: v for v in discrete_variables(other)}
    assert first.keys() == second.keys()
    for name, variable in first.items():
        assert variable.states == second[name].states
        assert variable.parents == second[name].parents
        np.testing.assert_array_equal(variable.table, second[name].table)


def test_a_small_file_says_what_it_says():
    network, notes = read_bif(RAIN)
    assert notes == ()
    assert list(network.hidden) == ["rain"]
    assert list(network.observables) == ["grass"]
    assert network.observables["grass"].states == ("dry", "damp", "wet")
    np.testing.assert_array_equal(
        network.observables["grass"].table, [[0.8, 0.15, 0.05], [0.05, 0.25, 0.7]]
    )


def test_commas_are_optional_and_a_default_row_fills_what_is_not_listed():
    text = """
    variable "a b" { type discrete [2] { "no" "yes" }; }
    variable c { type discrete [2] { x y }; }
    probability ( "a b" ) { table .25 .75; }
    probability ( c "a b" ) { default 0.5 0.5; (yes) 0.125 0.875; }
    """
    network = read_bif(text).network
    np.testing.assert_array_equal(network.observables["c"].table, [[0.5, 0.5], [0.125, 0.875]])
    assert_same(network, read_bif(write_bif(network)).network)


def test_a_flat_table_lists_the_states_of_the_variable_itself_slowest():
    """Dog-problem network of Cozman's description: P(out | bowel problem, family out)."""
    text = """
    variable bowel { type discrete [2] { true, false }; }
    variable family { type discrete [2] { true, false }; }
    variable out { type discrete [2] { true, false }; }
    probability ( bowel ) { table 0.01, 0.99; }
    probability ( family ) { table 0.15, 0.85; }
    probability ( out | bowel, family ) { table 0.99, 0.97, 0.9, 0.3, 0.01, 0.03, 0.1, 0.7; }
    """
    table = read_bif(text).network.observables["out"].table
    np.testing.assert_array_equal(table[..., 0], [[0.99, 0.97], [0.9, 0.3]])


# The larger files hold nothing the smaller do not.
PUBLISHED = [path for path in sorted(FOLDER.glob("*.bif.gz")) if path.stat().st_size < 50_000]


@pytest.mark.parametrize("path", PUBLISHED, ids=lambda path: path.name[:-7])
def test_every_published_network_keeps_each_float_both_ways(path):
    network = read_bif(path).network
    again, notes = read_bif(write_bif(network))
    assert notes == ()
    assert_same(network, again)


def test_numbers_are_the_64_bit_floats_written():
    """pyAgrum's reader keeps 32 bits: 0.05 becomes 0.05000000074505806."""
    network = read_bif(FOLDER / "asia.bif.gz").network
    assert network.observables["xray"].table[1, 0] == 0.05


def test_rounded_rows_are_put_right_and_said_so():
    notes = read_bif(FOLDER / "hepar2.bif.gz").notes
    assert len(notes) == 6
    assert notes[0] == (
        "age: 1 of 1 rows were rounded (off by up to 1e-08) and divided by their sum"
    )


def test_state_names_of_the_published_child_network_are_accepted():
    network = read_bif(FOLDER / "child.bif.gz").network
    assert "Asy/Patch" in network.states("ChestXray")
    assert network.states("LowerBodyO2") == ("<5", "5-12", "12+")


def test_a_plain_and_a_packed_file_are_the_same(tmp_path):
    packed = FOLDER / "alarm.bif.gz"
    plain = tmp_path / "alarm.bif"
    plain.write_bytes(gzip.decompress(packed.read_bytes()))
    assert_same(read_bif(plain).network, read_bif(str(packed)).network)


def changed(old: str, new: str) -> str:
    assert RAIN.count(old) == 1
    return RAIN.replace(old, new)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            changed("(yes) 0.05, 0.25, 0.7;", "(yse) 0.05, 0.25, 0.7;"),
            "text, line 11: unknown state of rain 'yse'; did you mean 'yes'?",
        ),
        (
            changed("(yes) 0.05, 0.25, 0.7;", "(yes) 0.05, 0.25;"),
            "text, line 11: 'grass' has 3 states, but this row has 2 numbers",
        ),
        (
            changed("(yes) 0.05, 0.25, 0.7;", "(yes) 0.05, 0.25, 0.6;"),
            "text, line 11: this row of 'grass' sums to 0.9, not 1",
        ),
        (
            changed("(yes) 0.05, 0.25, 0.7;", "(yes) 0.05, much, 0.7;"),
            "text, line 11: a probability expected, found 'much'",
        ),
        (
            changed("(yes) 0.05, 0.25, 0.7;", "(yes) -0.05, 0.35, 0.7;"),
            "text, line 11: -0.05 is not a probability",
        ),
        (
            changed("(yes) 0.05, 0.25, 0.7;", "(yes) nan, 0.35, 0.7;"),
            "text, line 11: nan is not a probability",
        ),
        (changed("(yes) 0.05, 0.25, 0.7;", ""), "text, line 9: 'grass' has no row for (yes)"),
        (changed("(yes) 0.05", "(no) 0.05"), "text, line 11: 'grass' has two rows for (no)"),
        (
            changed("(yes) 0.05", "(yes, no) 0.05"),
            "text, line 11: 1 parent states expected, got (yes, no)",
        ),
        (
            changed("grass | rain", "grass | rian"),
            "text, line 9: unknown variable 'rian'; did you mean 'rain'?",
        ),
        (
            changed("grass | rain", "grass | rain, rain"),
            "text, line 9: a probability block must name a variable and its parents, each once",
        ),
        (changed("[ 3 ]", "[ 4 ]"), "text, line 5: 'grass' announces 4 states and lists 3"),
        (
            changed("{ dry, damp, wet }", "{ dry, damp, dry }"),
            "text, line 5: 'grass' names a state twice",
        ),
        (
            changed("variable grass", "variable rain"),
            "text, line 5: variable 'rain' is declared twice",
        ),
        (
            changed("probability ( rain ) { table 0.7, 0.3; }", ""),
            "text, line 13: variable 'rain' has no probability block",
        ),
        (
            changed("( grass | rain )", "( rain )"),
            "text, line 9: 'rain' has two probability blocks",
        ),
        (
            changed("variable grass", "varaible grass"),
            "text, line 5: 'network', 'variable' or 'probability' expected, found 'varaible'",
        ),
        (
            changed("{ dry, damp, wet };", "{ dry, damp, wet }"),
            "text, line 5: ';' expected, found '}'",
        ),
        (changed("0.7, 0.3; }", "0.7, 0.3;"), "text, line 9: '(' expected, found 'probability'"),
        (
            changed("table 0.7, 0.3;", "table 0.7, 0.2, 0.1;"),
            "text, line 8: 3 numbers do not fill the table of 'rain'",
        ),
        (
            changed('"nobody"', '"nobody'),
            "text, line 2: '\"' opens a quotation or comment never closed",
        ),
        (
            changed("follow */", "follow"),
            "text, line 6: '/' opens a quotation or comment never closed",
        ),
        ("network empty { }", "text, line 1: no variable is declared"),
        ("network x {", "text, line 1: '}' expected, found the end of the file"),
    ],
)
def test_a_broken_file_is_refused_with_its_line(text, message):
    with pytest.raises(KnowledgeError) as caught:
        read_bif(text)
    assert str(caught.value) == message


def test_arcs_in_a_circle_are_refused():
    text = """
    variable a { type discrete [2] { n, y }; }
    variable b { type discrete [2] { n, y }; }
    probability ( a | b ) { default 0.5, 0.5; }
    probability ( b | a ) { default 0.5, 0.5; }
    """
    with pytest.raises(KnowledgeError) as caught:
        read_bif(text)
    assert str(caught.value) == "the arcs form a cycle among a, b"


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(KnowledgeError, match=r"nowhere\.bif: cannot be read: "):
        read_bif(tmp_path / "nowhere.bif")


def test_a_table_too_large_for_memory_is_refused():
    parents = [f"p{i}" for i in range(30)]
    blocks = [f"variable {p} {{ type discrete [2] {{ n, y }}; }}" for p in [*parents, "x"]]
    blocks += [f"probability ( {p} ) {{ table .5, .5; }}" for p in parents]
    blocks.append(f"probability ( x | {', '.join(parents)} ) {{ default .5, .5; }}")
    with pytest.raises(TooLarge) as caught:
        read_bif("\n".join(blocks))
    assert str(caught.value) == "text: the table of 'x' has 2^31.0 entries"


def test_a_name_the_format_cannot_hold_is_refused():
    variable = Discrete('say "x"', ("n", "y"), (), np.array([0.5, 0.5]))
    with pytest.raises(KnowledgeError) as caught:
        write_bif(Network.of_tables([variable]))
    assert str(caught.value) == "the BIF format cannot write the name 'say \"x\"'"


shares = st.lists(st.floats(1e-12, 1.0), min_size=3, max_size=3)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.lists(shares, min_size=3, max_size=3), st.text("ab |/*;,(){}é", min_size=1))
def test_any_table_and_any_name_comes_back(rows, name):
    p = np.array(rows)
    p /= p.sum(axis=1, keepdims=True)
    variables = [
        Discrete(name, ("1", name, "//"), (), p[0]),
        Discrete(f"{name}'s child", ("x", "y", "z"), (name,), p),
    ]
    network = Network.of_tables(variables)
    again, notes = read_bif(write_bif(network))
    assert notes == ()
    assert_same(network, again)


def gauge_network() -> Network:
    """A fault, a finding and a gauge that it moves by 8 K."""
    fault = Discrete("fault", ("absent", "present"), (), np.array([0.9, 0.1]))
    finding = Discrete("mark", ("no", "yes"), ("fault",), np.array([[0.95, 0.05], [0.3, 0.7]]))
    gauge = GaugeNode(
        "lift", ("low", "normal", "high"), ("fault",),
        np.array([0.0, 8.0]), np.array([3.0, 4.0]), 0.02, 30.0, (-5.0, 5.0),
    )  # fmt: skip
    return Network({"fault": fault}, {"mark": finding}, {"lift": gauge})


def test_a_gauge_leaves_as_the_words_for_its_number():
    """Each word is the probability of its interval, checked with scipy's normal distribution."""
    from scipy.stats import norm

    table = read_bif(write_bif(gauge_network())).network.observables["lift"].table
    for row, (mean, spread) in zip(table, ((0.0, 3.0), (8.0, 4.0)), strict=True):
        inner = 0.98 * norm.cdf([-5, 5], mean, spread) + 0.02 * norm.cdf([-5, 5], 0, 30)
        expected = [inner[0], inner[1] - inner[0], 1 - inner[1]]
        np.testing.assert_allclose(row, expected, rtol=0, atol=1e-14)  # float


def test_pgmpy_accepts_the_network_and_gives_the_same_posterior():
    network = gauge_network()
    model = pgmpy_model(network)
    assert model.check_model()
    assert set(model.edges()) == {("fault", "mark"), ("fault", "lift")}
    known = {"mark": one_hot(2, 1), "lift": one_hot(3, 2)}
    theirs = ask_pgmpy(model, known, ["fault"])["fault"]
    evidence = Evidence(1, {"mark": np.array([1]), "lift": np.array([2])})
    ours = JunctionTree(network).propagate(evidence, [("fault",)])["fault"][0]
    np.testing.assert_allclose(ours, theirs, rtol=0, atol=1e-14)  # float


def test_pgmpys_refusal_is_ours():
    wrong = Discrete("a", ("n", "y"), (), np.array([0.5, 0.4]))
    with pytest.raises(KnowledgeError, match=r"^pgmpy refuses the network: "):
        pgmpy_model(Network({"a": wrong}, {}, {}))


@pytest.mark.parametrize("name", ["asia", "child", "alarm"])
def test_pgmpy_reads_our_text_as_it_reads_the_original(name):
    from pgmpy.readwrite import BIFReader

    text = gzip.decompress((FOLDER / f"{name}.bif.gz").read_bytes()).decode()
    original = BIFReader(string=text).get_model()
    ours = BIFReader(string=write_bif(read_bif(text).network)).get_model()
    assert set(ours.edges()) == set(original.edges())
    for cpd in original.get_cpds():
        # Rows rounded in print were divided by their sum: at most 1e-7.
        found = ours.get_cpds(cpd.variable).get_values()
        np.testing.assert_allclose(found, cpd.get_values(), rtol=0, atol=2e-7)


def test_pyagrum_reads_our_text(tmp_path):
    path = tmp_path / "garden.bif"
    path.write_text(write_bif(read_bif(RAIN).network), encoding="utf-8")
    net = import_pyagrum().loadBN(str(path))
    assert net.variable("grass").labels() == ("dry", "damp", "wet")
    # 32-bit floats in its reader.
    np.testing.assert_allclose(net.cpt("rain").toarray(), [0.7, 0.3], rtol=0, atol=1e-7)
