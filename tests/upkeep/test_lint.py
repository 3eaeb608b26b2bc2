"""The shipped knowledge fits together, and every kind of slip in it is found and named."""

from __future__ import annotations

import random
import shutil
from functools import cache
from importlib import resources
from pathlib import Path

import pytest
from broken_knowledge import broken, write
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from loopodds.knowledge.records import Knowledge
from loopodds.upkeep.lint import lint, size_of

GROUNDS = 'source = "estimate"\ngrade = "estimate"\nweight = 5\n'
LABELS = 'title = "Planted"\nabout = "Only for this test."\ngroup = "planted"\n'
FINDING = LABELS + GROUNDS + 'states = ["none", "seen"]\n'
TABLE = FINDING + 'distribution = "table"\n'
GRADED = FINDING + 'distribution = "graded"\nconvention = "net"\nleak = { p = [0.9, 0.1] }\n'
GAUGE = (
    LABELS
    + GROUNDS
    + 'distribution = "gauge"\nquantity = "temperature_difference"\ntransform = "plain"\n'
    + 'scale = "K"\nspread = 2.0\nmisreading = { share = 0.02, spread = 20.0 }\n'
    + 'words = ["low", "high"]\ncuts = [0.0]\n'
)
SOUND = "sound = [{ expected = 5.0 }]\n"
ROOT = "parents = []\nrows = [{ p = [0.9, 0.1] }]\n"
CAUSE = '[[planted.causes]]\nparent = "leak"\neffects.slow = [0.5, 0.5]\n'
TEST = 'title = "Planted"\nabout = "Only here."\nyields = ["planted"]\nminutes = 5\n' + GROUNDS
SET_UP = (
    'title = "Planted"\nabout = "Only here."\nwords = "to plant it"\nminutes = 5\ntakes = "work"\n'
    + GROUNDS
)
SERVICE = 'title = "Planted"\nabout = "Only here."\nprice = 5\nminutes = 5\n' + GROUNDS
FAULT = LABELS + GROUNDS + 'states = ["absent", "present"]\ndistribution = "table"\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the shipped knowledge that may be spoilt."""
    for file in resources.files("loopodds_data").iterdir():
        if file.name.endswith((".toml", ".jsonl")):
            shutil.copy(str(file), tmp_path / file.name)
    return tmp_path


@cache
def shipped() -> frozenset[str]:
    """Problems, at most warnings, of the knowledge as it is."""
    return frozenset(str(problem) for problem in lint())


def planted(folder: Path, entries: dict[str, str]) -> set[str]:
    """Problems that appear when an entry named ``planted`` is added to files of the knowledge."""
    for file, entry in entries.items():
        text = entry if "[planted]" in entry else f"[planted]\n{entry}"
        with (folder / file).open("a", encoding="utf-8") as stream:
            stream.write(f"\n{text}")
    return {str(problem) for problem in lint(folder)} - shipped()


def test_the_shipped_knowledge_has_no_problem() -> None:
    assert [str(problem) for problem in lint() if not problem.warning] == []


def test_an_untouched_copy_is_as_good_as_the_shipped_knowledge(folder: Path) -> None:
    assert lint(folder) == lint()


@pytest.mark.parametrize(
    ("file", "entry"),
    [
        ("findings.toml", TABLE + ROOT),
        (
            "findings.toml",
            GRADED + '[[planted.causes]]\nparent = "leak"\neffects.slow = [0.5, 0.5]',
        ),
        ("readings.toml", GAUGE + SOUND),
    ],
)
def test_a_correct_entry_with_its_test_is_no_problem(folder: Path, file: str, entry: str) -> None:
    assert planted(folder, {file: entry, "tests.toml": TEST}) == set()


FINDINGS = {
    "an unknown parent": (
        TABLE + 'parents = ["leek"]\nrows = [{ p = [0.9, 0.1] }]',
        "parents: unknown node 'leek'; did you mean 'leak'?",
    ),
    "an unknown state of a parent in a row": (
        TABLE + 'parents = ["leak"]\nrows = [{ when = { leak = "slw" }, p = [0, 1] }, '
        "{ p = [0.9, 0.1] }]",
        "rows[1]: unknown state of leak 'slw'; did you mean 'slow'?",
    ),
    "a parent that is itself a finding": (
        TABLE + 'parents = ["burnt_smell"]\nrows = [{ p = [0.9, 0.1] }]',
        "parents: burnt_smell is a finding; only faults, mechanisms and history are causes",
    ),
    "an unknown cause": (
        GRADED + '[[planted.causes]]\nparent = "moistur"\neffects.wet = [0.5, 0.5]',
        "causes: unknown node 'moistur'; did you mean 'moisture'?",
    ),
    "an effect of an unknown state": (
        GRADED + '[[planted.causes]]\nparent = "moisture"\neffects.wett = [0.5, 0.5]',
        "causes: unknown state of moisture 'wett'; did you mean 'wet'?",
    ),
    "an effect of the state in which the cause is not there": (
        GRADED + '[[planted.causes]]\nparent = "leak"\neffects.absent = [0.5, 0.5]',
        "causes.leak: absent is the state without an effect",
    ),
    "a cause named twice": (
        GRADED + CAUSE + CAUSE.replace("slow", "fast"),
        "causes: leak is named twice",
    ),
    "weakening by something unknown": (
        GRADED + CAUSE + "weakened_by = { oil_changed = { yes = 0.3 } }",
        "causes.leak.weakened_by: unknown node 'oil_changed'; "
        "did you mean 'oil_changed_recently'?",
    ),
    "a sum that is not one": (
        TABLE + "parents = []\nrows = [{ p = [0.9, 0.2] }]",
        "rows[1]: [0.9, 0.2] sums to 1.1, not 1",
    ),
    "a list too short for the states": (
        TABLE + "parents = []\nrows = [{ p = [1.0] }]",
        "rows[1]: 2 probabilities expected, got [1.0]",
    ),
    "a configuration without a row": (
        TABLE + 'parents = ["wrong_oil"]\n'
        'rows = [{ when = { wrong_oil = "present" }, p = [0, 1] }]',
        "rows: none covers wrong_oil absent",
    ),
    "a row that earlier rows cover": (
        TABLE + 'parents = ["wrong_oil"]\nrows = [{ p = [0.9, 0.1] }, '
        '{ when = { wrong_oil = "present" }, p = [0, 1] }]',
        "rows[2] (wrong_oil present) never holds: earlier rows cover it",
    ),
    "numbers without a source": (
        LABELS + 'grade = "estimate"\nweight = 5\nstates = ["none", "seen"]\n'
        'distribution = "table"\n' + ROOT,
        "does not say its source",
    ),
    "an unknown source": (
        (TABLE + ROOT).replace('source = "estimate"', 'source = "estimat"'),
        "unknown source 'estimat'; did you mean 'estimate'?",
    ),
    "no text for the technician": (
        (TABLE + ROOT).replace('about = "Only for this test."\n', ""),
        "needs a text 'about'",
    ),
    "a complaint that brings nobody in": (
        TABLE + 'complaint = ["seen"]\n' + ROOT,
        "brings_in: how often a car is brought in for 'seen' is needed",
    ),
    "a complaint that brings in no more than its absence": (
        TABLE + 'complaint = ["seen"]\nbrings_in = { none = 0.2, seen = 0.2 }\n' + ROOT,
        "brings_in: a complaint has to bring in oftener than what is none",
    ),
    "a complaint that is no state": (
        TABLE + 'complaint = ["sen"]\n' + ROOT,
        "complaint: unknown state 'sen'; did you mean 'seen'?",
    ),
    "a variant for an unknown context": (
        TABLE + ROOT + '[[planted.variants]]\nwhen = { expansio = "TXV" }\n'
        "rows = [{ p = [0.5, 0.5] }]",
        "variants: unknown context 'expansio'; did you mean 'expansion'?",
    ),
    "a variant for an unknown value of a context": (
        TABLE + ROOT + '[[planted.variants]]\nwhen = { expansion = "TVX" }\n'
        "rows = [{ p = [0.5, 0.5] }]",
        "variants: unknown value of expansion 'TVX'; did you mean 'TXV'?",
    ),
    "a block of the wrong shape": (
        TABLE + 'parents = []\nrows = "all"',
        "rows: expected a list, not 'all'",
    ),
}  # fmt: skip


@pytest.mark.parametrize("slip", FINDINGS)
def test_a_slip_in_a_finding_is_found(folder: Path, slip: str) -> None:
    entry, expected = FINDINGS[slip]
    problems = planted(folder, {"findings.toml": entry, "tests.toml": TEST})
    assert f"findings.toml: planted: {expected}" in problems


READINGS = {
    "an unknown parent of a shift": (
        GAUGE + SOUND + '[[planted.shifts]]\nparent = "chrge"\nshift = { low = [1.0, 1.0] }',
        "shifts: unknown node 'chrge'; did you mean 'charge'?",
    ),
    "an unknown state in an override": (
        GAUGE + SOUND + '[[planted.overrides]]\nwhen = { pumping = "non" }\nshift = [1.0, 1.0]',
        "overrides: unknown state of pumping 'non'; did you mean 'none'?",
    ),
    "a mask that is no finding": (
        GAUGE + SOUND + 'masked_by = { compressor_cycl = ["cut_out"] }',
        "masked_by: unknown finding 'compressor_cycl'; did you mean 'compressor_cycle'?",
    ),
    "a kind of car without an expectation": (
        GAUGE + 'sound = [{ when = { expansion = "TXV" }, expected = 5.0 }]',
        "no sound expectation for {'expansion': 'orifice'}",
    ),
    "an unknown transform": (
        (GAUGE + SOUND).replace('"plain"', '"sideways"'),
        "unknown transform 'sideways'",
    ),
    "a spread below zero": (
        (GAUGE + SOUND).replace("spread = 2.0", "spread = -2.0"),
        "spread: expected a number > 0.0, not -2.0",
    ),
    "no spread at all": (
        (GAUGE + SOUND).replace("spread = 2.0", "spread = 0.0"),
        "spread: expected a number > 0.0, not 0.0",
    ),
    "slips that spread below zero": (
        (GAUGE + SOUND).replace("spread = 20.0", "spread = -20.0"),
        "misreading.spread: expected a number > 0.0, not -20.0",
    ),
    "a shift that spreads below zero": (
        GAUGE + SOUND + '[[planted.shifts]]\nparent = "leak"\nshift = { slow = [1.0, -1.0] }',
        "shifts[1].shift.slow[2]: expected a number >= 0.0, not -1.0",
    ),
    "an override that is certain": (
        GAUGE + SOUND + '[[planted.overrides]]\nwhen = { leak = "slow" }\nshift = [1.0, 0]',
        "overrides[1].shift[2]: expected a number > 0.0, not 0",
    ),
    "a quantity without units": (
        (GAUGE + SOUND).replace('"temperature_difference"', '"charm"'),
        "unknown quantity 'charm'",
    ),
    "cuts that do not match the words": (
        (GAUGE + SOUND).replace("cuts = [0.0]", "cuts = []"),
        "2 words need that many cuts less one",
    ),
}


@pytest.mark.parametrize("slip", READINGS)
def test_a_slip_in_a_reading_is_found(folder: Path, slip: str) -> None:
    entry, expected = READINGS[slip]
    problems = planted(folder, {"readings.toml": entry, "tests.toml": TEST})
    assert f"readings.toml: planted: {expected}" in problems


WORK = {
    "a test longer than any work": (
        "tests.toml",
        TEST.replace("minutes = 5", "minutes = 1e308"),
        "minutes: a number is needed, not 1e+308",
    ),
    "a set-up of years": (
        "set_ups.toml",
        SET_UP.replace("minutes = 5", "minutes = 1e7"),
        "minutes: expected a number <= 10000.0, not 10000000.0",
    ),
    "a set-up that takes nobody knows what": (
        "set_ups.toml",
        SET_UP.replace('"work"', '"luck"'),
        "takes: unknown word 'luck'; known: work, watch, wait",
    ),
    "a set-up that is misspelt": (
        "tests.toml",
        TEST.replace('"planted"', '"burnt_smell"') + 'set_up = ["setled"]',
        "set_up: unknown set-up 'setled'; did you mean 'settled'?",
    ),
    "a set-up brought about anew that the test does not need": (
        "tests.toml",
        TEST.replace('"planted"', '"burnt_smell"') + 'set_up = ["cold"]\nanew = ["settled"]',
        "anew: unknown set-up of this test 'settled'; known: cold",
    ),
    "a set-up that the test ends itself": (
        "tests.toml",
        TEST.replace('"planted"', '"burnt_smell"') + 'engine = "off"\nset_up = ["settled"]',
        "set_up: settled is ended by the engine off, which it needs itself",
    ),
    "a price of hundreds of digits": (
        "services.toml",
        SERVICE.replace("price = 5", f"price = {10**400}"),
        "price: a number is needed, not a whole number as long as that",
    ),
    "a guard whose passing is misspelt": (
        "tests.toml",
        TEST + 'pases = { leak_detector = ["nothing"] }',
        "unknown key 'pases'; did you mean 'passes'?",
    ),
    "a key that no test has": (
        "tests.toml",
        TEST + 'unles = { leak_detector = ["found"] }',
        "unknown key 'unles'; known: ",
    ),
    "a key of a service that is misspelt": (
        "services.toml",
        SERVICE + 'asumes_no = ["leak"]',
        "unknown key 'asumes_no'; did you mean 'assumes_no'?",
    ),
    "a key of a trigger that is misspelt": (
        "stops.toml",
        'title = "Planted"\nreason = "-"\nlifted = "-"\nwho = "-"\n'
        + GROUNDS
        + 'when = [{ seeen = { fan_check = ["dead"] } }]',
        "when[1]: unknown key 'seeen'; did you mean 'seen'?",
    ),
    "a list where a word belongs": (
        "tests.toml",
        TEST + 'engine = ["off"]',
        "engine: expected a text, not ['off']",
    ),
    "a running test that nothing comes before": (
        "tests.toml",
        TEST.replace('"planted"', '"burnt_smell"') + 'engine = "running"',
        "needs the charge but does not wait for the guard leak_stop_check",
    ),
    "a running test that recovery does not end": (
        "tests.toml",
        TEST.replace('"planted"', '"burnt_smell"') + 'engine = "running"',
        "needs the charge but is not among what recover_and_weigh destroys",
    ),
    "a service that can never pay": (
        "services.toml",
        SERVICE.replace("price = 5", "price = 5000") + "cures = { evaporator_icing = 0.5 }",
        "can never pay: costs 5005 at least and spares ",
    ),
    "services that wait for each other": (
        "services.toml",
        SERVICE + 'after = ["planted"]',
        "unreachable: tests wait for each other: planted after planted",
    ),
    "a test that yields nothing known": (
        "tests.toml",
        TEST.replace('"planted"', '"burnt_smel"'),
        "yields: unknown finding or reading 'burnt_smel'; did you mean 'burnt_smell'?",
    ),
    "a test after an unknown one": (
        "tests.toml",
        TEST.replace('"planted"', '"burnt_smell"') + 'after = ["intervew"]',
        "after: unknown test 'intervew'; did you mean 'interview'?",
    ),
    "a test that destroys an unknown one": (
        "tests.toml",
        TEST.replace('"planted"', '"burnt_smell"') + 'destroys = ["intervew"]',
        "destroys: unknown test 'intervew'; did you mean 'interview'?",
    ),
    "a test with an unknown caution": (
        "tests.toml",
        TEST.replace('"planted"', '"burnt_smell"') + 'cautions = ["never_ven"]',
        "cautions: unknown caution 'never_ven'; did you mean 'never_vent'?",
    ),
    "a test that waits for itself": (
        "tests.toml",
        TEST.replace('"planted"', '"burnt_smell"') + 'after = ["planted"]',
        "unreachable: tests wait for each other: planted after planted",
    ),
    "a service that cures nothing known": (
        "services.toml",
        SERVICE + "cures = { moistur = 0.9 }",
        "cures: unknown condition 'moistur'; did you mean 'moisture'?",
    ),
    "a cure that is no probability": (
        "services.toml",
        SERVICE + 'cures = { "leak.slow" = 1.5 }',
        "cures.leak.slow: expected a number <= 1.0, not 1.5",
    ),
    "a service after something unknown": (
        "services.toml",
        SERVICE + 'after = ["intervew"]',
        "after: unknown test or service 'intervew'; did you mean 'interview'?",
    ),
    "a filling that is no service": (
        "services.toml",
        SERVICE + 'filling = "recover_and_chrage"',
        "filling: unknown service 'recover_and_chrage'; did you mean 'recover_and_charge'?",
    ),
    "a filling that is not named": (
        "services.toml",
        SERVICE + "filling = true",
        "filling: expected a text, not True",
    ),
    "a key of a test that is misspelt": (
        "tests.toml",
        TEST.replace('"planted"', '"burnt_smell"') + "fresh_minuts = 5",
        "unknown key 'fresh_minuts'; did you mean 'fresh_minutes'?",
    ),
    "a key of a block that is misspelt": (
        "services.toml",
        SERVICE + 'in_context = [{ when = { compressor = "fixed" }, aftr = ["interview"] }]',
        "in_context[1]: unknown key 'aftr'; did you mean 'after'?",
    ),
    "a harm that is no number": (
        "harms.toml",
        GROUNDS + 'slow = "5"',
        "states.slow: expected a number, not '5'",
    ),
    "a share that is not finite": (
        "findings.toml",
        TABLE + "parents = []\nrows = [{ p = [inf, 0.5] }]",
        "rows[1].p[1]: a number is needed, not inf",
    ),
    "a debt from something unknown": (
        "services.toml",
        SERVICE + 'settles = ["recover_and_wiegh"]\nundone = 900',
        "settles: unknown test 'recover_and_wiegh'; did you mean 'recover_and_weigh'?",
    ),
    "a debt of unknown size": (
        "services.toml",
        SERVICE + 'settles = ["recover_and_weigh"]',
        "settles and undone go together",
    ),
    "a debt that pays": (
        "services.toml",
        SERVICE + 'settles = ["recover_and_weigh"]\nundone = -1',
        "undone: expected a number >= 0.0, not -1",
    ),
    "a harm to nothing known": (
        "harms.toml",
        GROUNDS + "slow = 5",
        "harms: unknown fault 'planted'",
    ),
    "a caution for an unknown context": (
        "cautions.toml",
        'text = "Mind."\nwhen = { compressor = "elctric" }',
        "when: unknown value of compressor 'elctric'; did you mean 'electric'?",
    ),
    "a caution for an unknown condition": (
        "cautions.toml",
        'text = "Mind."\nconditions = ["leek"]',
        "conditions: unknown condition 'leek'; did you mean 'leak'?",
    ),
    "a caution that nothing shows": (
        "cautions.toml",
        'text = "Mind."',
        "warning: nothing ever shows it",
    ),
    "a source that nothing names": (
        "sources.toml",
        'title = "Planted"\nyear = 2026\nkind = "estimate"\nnote = "-"',
        "warning: nothing names it",
    ),
    "a finding that no test yields": ("findings.toml", TABLE + ROOT, "no test yields it"),
}


def test_a_set_up_is_called_as_no_test_and_no_service(folder: Path) -> None:
    """A price file gives minutes by name."""
    problems = planted(folder, {"set_ups.toml": f"[planted]\n{SET_UP}", "tests.toml": TEST})
    assert "set_ups.toml: planted: a test or a service has this name already" in problems


def test_a_set_up_that_no_test_needs_is_told(folder: Path) -> None:
    problems = planted(folder, {"set_ups.toml": SET_UP})
    assert problems == {"set_ups.toml: planted: warning: no test needs it"}


@pytest.mark.parametrize("slip", WORK)
def test_a_slip_in_the_work_is_found(folder: Path, slip: str) -> None:
    file, entry, expected = WORK[slip]
    named = f"{file}: planted: {expected}"
    found = planted(folder, {file: entry})
    assert any(problem.startswith(named) for problem in found), found


def test_a_new_fault_needs_a_harm_and_a_service(folder: Path) -> None:
    assert planted(folder, {"faults.toml": FAULT + ROOT}) == {
        "faults.toml: planted: nothing observes it: no finding or reading depends on it",
        "services.toml: planted: no service cures present",
        "harms.toml: planted: no harm given for present",
    }


def test_a_ring_of_causes_is_named(folder: Path) -> None:
    ring = (
        f"[planted]\n{FAULT}" + 'parents = ["other"]\nrows = [{ p = [0.9, 0.1] }]\n'
        f"[other]\n{FAULT}" + 'parents = ["planted"]\nrows = [{ p = [0.9, 0.1] }]\n'
    )
    problems = planted(folder, {"faults.toml": ring})
    assert any("causes run in a ring: " in problem for problem in problems)


def test_a_test_that_what_must_precede_it_destroys_cannot_be_reached(folder: Path) -> None:
    first = TEST.replace('"planted"', '"burnt_smell"')
    two = f'[planted]\n{first}destroys = ["later"]\n[later]\n{first}after = ["planted"]\n'
    expected = "tests.toml: later: unreachable: planted must come first and makes it impossible"
    assert expected in planted(folder, {"tests.toml": two})


def test_a_diagnosis_that_went_missing_is_noticed(folder: Path) -> None:
    faults = (folder / "faults.toml").read_text(encoding="utf-8")
    renamed = faults.replace("undercharge = [", "too_little = [")
    (folder / "faults.toml").write_text(renamed, encoding="utf-8")
    expected = "faults.toml: undercharge: no fault variable has this condition"
    assert expected in {str(problem) for problem in lint(folder)}


def test_a_folder_that_promises_nothing_promises_what_the_shipped_one_does(folder: Path) -> None:
    (folder / "scope.toml").unlink()
    assert Knowledge(folder).scope == Knowledge().scope


def test_every_slip_is_listed_not_only_the_first(folder: Path) -> None:
    two = f"[planted]\n{TABLE}parents = []\nrows = [{{ p = [0.9, 0.2] }}]\n"
    two += f"[other]\n{TABLE}parents = []\nrows = [{{ p = [0.5, 0.2] }}]\n"
    assert {p.split(": ")[1] for p in planted(folder, {"findings.toml": two})} == {
        "planted",
        "other",
    }


def test_a_state_of_a_variant_that_is_no_word_is_one_problem(folder: Path) -> None:
    variant = "[[planted.variants]]\nwhen = { age = { leak = 1 } }\nrows = [{ p = [0.5, 0.5] }]"
    expected = "findings.toml: planted: variants: each needs a table 'when' with a word for each"
    problems = planted(folder, {"findings.toml": TABLE + ROOT + variant})
    assert any(problem.startswith(expected) for problem in problems), problems


def test_the_size_of_the_tree_tells_what_a_parent_more_costs(folder: Path) -> None:
    shipped_size = size_of(Knowledge())
    assert size_of(Knowledge(folder)) == shipped_size
    with (folder / "findings.toml").open("a", encoding="utf-8") as stream:
        parents = ["moisture", "debris", "condenser_airflow", "compressor_wear"]
        stream.write(f"\n[planted]\n{TABLE}parents = {parents}\nrows = [{{ p = [0.9, 0.1] }}]\n")
    larger = size_of(Knowledge(folder))
    assert larger.nodes == shipped_size.nodes + 1
    assert larger.configurations > shipped_size.configurations


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.integers(0, 10**9), st.sampled_from([1, 2, 5, 20]))
@pytest.mark.slow
def test_broken_knowledge_is_told_and_never_ends_in_a_traceback(
    tmp_path: Path, seed: int, times: int
) -> None:
    """For longer: ``python tests/broken_knowledge.py --minutes 10``."""
    files, _ = broken(random.Random(seed), times)
    write(files, tmp_path)
    problems = lint(tmp_path)
    if not any(not problem.warning for problem in problems):
        assert Knowledge(tmp_path).nodes


@pytest.mark.parametrize(
    ("spoil", "expected"),
    [
        (lambda file: file.unlink(), "cannot be read: No such file or directory"),
        (lambda file: file.write_text("[leak\n"), "not valid TOML: "),
        (lambda file: file.write_bytes(b"\xff\xfe"), "not valid TOML: "),
    ],
)
def test_a_file_that_cannot_be_read_is_one_problem(folder: Path, spoil, expected: str) -> None:
    spoil(folder / "findings.toml")
    (problem,) = lint(folder)
    assert str(problem).startswith(f"findings.toml: file: {expected}")
