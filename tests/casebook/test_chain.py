"""A case book as a chain: what was changed behind its back is named, the rest is saved."""

from __future__ import annotations

import json
import shutil
import sqlite3
import threading
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from loopodds.base.errors import LoopoddsError
from loopodds.casebook import replay as replaying
from loopodds.casebook.believed import check_book, verify_case
from loopodds.casebook.book import CaseBook
from loopodds.casebook.chain import salvage, walk
from loopodds.casebook.events import COLUMNS, TOLD, NewEvent, Signature, linked
from loopodds.casebook.file import APPLICATION, CaseBookError
from loopodds.casebook.layout import VERSION
from loopodds.casebook.work import Casework
from loopodds.diagnosis.model import Model
from loopodds.knowledge.records import Knowledge
from loopodds_cli.main import main

SMALL = Path(__file__).parents[1] / "small_knowledge"
SEEN = [("sample_bubbles", "persisting"), ("sample_specks", "metal"), ("sample_bubbles", "none")]
CASES = 3
EVENTS = 1 + len(SEEN)
LAYOUT_1 = f"""
PRAGMA application_id = {APPLICATION};
PRAGMA user_version = 1;
CREATE TABLE events (
    case_number INTEGER NOT NULL CHECK (case_number > 0),
    position INTEGER NOT NULL,
    time TEXT NOT NULL,
    who TEXT NOT NULL,
    note TEXT NOT NULL,
    kind TEXT NOT NULL,
    content TEXT NOT NULL,
    knowledge TEXT NOT NULL,
    posterior TEXT NOT NULL,
    PRIMARY KEY (case_number, position)
) WITHOUT ROWID;
CREATE TRIGGER events_never_change BEFORE UPDATE ON events
BEGIN SELECT RAISE(ABORT, 'events of a case book are never changed'); END;
"""
"""As the first layout had it."""


@pytest.fixture(scope="module")
def small() -> Model:
    """Invented knowledge whose results can be worked out by hand."""
    return Model(Knowledge(SMALL))


@pytest.fixture(scope="module")
def written(small: Model, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A book of three cases that grew in turn, so that their events alternate in the chain."""
    path = tmp_path_factory.mktemp("written") / "book.db"
    with CaseBook(path) as book:
        work = Casework(book, small, "Ann")
        for number in range(CASES):
            work.open(f"van {number + 1}")
        for entry in SEEN:
            for number in range(CASES):
                work.record(number + 1, [entry])
    return path


@pytest.fixture
def path(written: Path, tmp_path: Path) -> Path:
    """A copy of it that may be damaged."""
    return Path(shutil.copy(written, tmp_path / "book.db"))


def tamper(path: Path, *statements: str, values: tuple[Any, ...] = ()) -> None:
    """Change a book as somebody does who goes past its triggers."""
    raw = sqlite3.connect(path, isolation_level=None)
    triggers = raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall()
    for (name,) in triggers:
        raw.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        raw.execute(statement, values)
    raw.close()


def problems(path: Path) -> dict[int, str]:
    with CaseBook(path, write=False) as book:
        return walk(book).problems


# ---------------------------------------------------------------- the chain


def test_a_book_that_nobody_touched_is_sound_from_end_to_end(path: Path, small: Model) -> None:
    with CaseBook(path, write=False) as book:
        walked = walk(book)
        assert (walked.problems, walked.findings) == ({}, [])
        assert walked.events == CASES * EVENTS
        assert walked.last == book.last_link() == book.events(CASES)[-1].link
        assert all(checked.problem == "" for checked in check_book(book, small))


@settings(max_examples=60, deadline=None)
@given(
    place=st.integers(1, CASES * EVENTS),
    column=st.sampled_from(COLUMNS),
    value=st.one_of(
        st.text(max_size=8), st.integers(-3, 99), st.floats(allow_nan=False),
        st.binary(min_size=1, max_size=4), st.sampled_from(["[]", "{}", "null", '{"name": 3}']),
    ),
)  # fmt: skip
def test_any_cell_that_is_changed_is_noticed_and_the_other_cases_are_saved(
    written: Path, small: Model, tmp_path_factory: pytest.TempPathFactory,
    place: int, column: str, value: Any,
) -> None:  # fmt: skip
    folder = tmp_path_factory.mktemp("cell")
    path = Path(shutil.copy(written, folder / "book.db"))
    raw = sqlite3.connect(path)
    before = raw.execute(f"SELECT case_number, position, {column} FROM events WHERE place = ?",
                         (place,)).fetchone()  # fmt: skip
    raw.close()
    try:
        tamper(path, f"UPDATE events SET {column} = ? WHERE place = ?", values=(value, place))
    except (sqlite3.IntegrityError, UnicodeEncodeError):
        return  # two events cannot have one place in a case
    raw = sqlite3.connect(path)
    raw.text_factory = bytes
    (now,) = raw.execute(f"SELECT {column} FROM events WHERE place = ?", (place,)).fetchone()
    raw.close()
    if now in (before[2], str(before[2]).encode()):
        return
    case, position = before[:2]
    with CaseBook(path, write=False) as book:
        walked = walk(book)
        assert walked.problems or walked.findings
        assert walked.sound.get(case, 0) < EVENTS
        saved = salvage(book, walked, folder / "saved.db")
        list(book.ends())
        assert any(checked.problem for checked in check_book(book, small)) or walked.findings
    assert saved.left
    with CaseBook(folder / "saved.db", write=False) as book, CaseBook(written, write=False) as old:
        assert walk(book).problems == {}
        for number in {1, 2, 3} - {case}:
            kept = [event.content for event in book.events(number)]
            assert kept == [event.content for event in old.events(number)]
        if position > 1:
            assert len(book.events(case)) == position - 1


@settings(max_examples=20, deadline=None)
@given(
    gone=st.sets(st.integers(1, CASES * EVENTS - 1), min_size=1, max_size=4), renumber=st.booleans()
)
def test_events_that_were_taken_out_are_missed(
    written: Path, tmp_path_factory: pytest.TempPathFactory, gone: set[int], renumber: bool
) -> None:  # fmt: skip
    path = Path(shutil.copy(written, tmp_path_factory.mktemp("gone") / "book.db"))
    listed = ", ".join(map(str, sorted(gone)))
    closing = [
        f"UPDATE events SET place = place - 1 WHERE place > {place}"
        for place in sorted(gone, reverse=True)
    ]
    tamper(path, f"DELETE FROM events WHERE place IN ({listed})", *closing * renumber)
    with CaseBook(path, write=False) as book:
        walked = walk(book)
    assert walked.problems or walked.findings


def test_an_event_forged_with_its_own_link_does_not_fit_the_next_one(path: Path) -> None:
    raw = sqlite3.connect(path)
    raw.text_factory = bytes
    query = f"SELECT {', '.join(COLUMNS)} FROM events WHERE case_number = 2 AND position = 3"
    row = list(raw.execute(query).fetchone())
    raw.close()
    row[COLUMNS.index("who")] = b"Ben"
    link = linked(row[:TOLD], row[TOLD].decode())[-1].decode()
    tamper(path, "UPDATE events SET who = 'Ben', link = ? WHERE case_number = 2 AND position = 3",
           values=(link,))  # fmt: skip
    assert problems(path) == {2: "event 3: is not the one that event 3 of case 3 was written after"}


def test_a_link_noted_earlier_proves_that_nothing_before_it_has_changed(
    path: Path, small: Model
) -> None:
    with CaseBook(path) as book:
        noted = book.last_link()
        Casework(book, small).record(1, [("sample_specks", "none")])
        assert walk(book, noted).noted
    tamper(path, f"DELETE FROM events WHERE place >= {CASES * EVENTS}")
    with CaseBook(path) as book:
        # a tail that was cut off leaves a whole chain; only the link that was noted tells
        assert (walk(book).problems, walk(book).findings) == ({}, [])
        assert not walk(book, noted).noted


def test_the_file_itself_takes_no_event_that_does_not_follow_the_last(path: Path) -> None:
    raw = sqlite3.connect(path)
    columns = ", ".join(COLUMNS)
    values = "1, 5, time, who, note, kind, content, knowledge, posterior, 'x', link"
    with pytest.raises(sqlite3.IntegrityError, match="end of the chain"):
        raw.execute(f"INSERT INTO events ({columns}) SELECT {values} FROM events WHERE place = 1")
    for attack in (
        "UPDATE knowledge SET digest = 'x'",
        "DELETE FROM knowledge",
        "INSERT OR REPLACE INTO knowledge SELECT digest, '', '' FROM knowledge",
    ):
        with pytest.raises(sqlite3.IntegrityError, match="the knowledge kept"):
            raw.execute(attack)
    raw.close()


# ---------------------------------------------------------------- commands on a tampered book

TAMPERED = {
    "a list for a content": ("content", "[]"),
    "no JSON": ("content", "{"),
    "deep JSON": ("content", "[" * 100_000),
    "an unknown kind": ("kind", "guessed"),
    "a number for a name": ("content", '{"section": "findings", "name": 3, "value": "none"}'),
    "a text for shares": (
        "content", '{"section": "findings", "name": "sample_specks", "value": {"none": "many"}}'
    ),
    "an unknown section": ("content", '{"section": "[]", "name": "x", "value": "none"}'),
    "an unknown finding": ("content", '{"section": "findings", "name": "x", "value": "none"}'),
    "a chance above one": (
        "posterior", '{"conditions": {"moisture": 7}, "p_sound": 0, "log_evidence": 0}'
    ),
    "a text for a chance": (
        "posterior", '{"conditions": {"moisture": "much"}, "p_sound": 0, "log_evidence": 0}'
    ),
    "a belief about other things": (
        "posterior", '{"conditions": {}, "p_sound": 0, "log_evidence": 0}'
    ),
    "an hour that is none": ("time", "noon"),
    "bytes that are no text": ("who", b"\xff\xfe"),
    "no text for the knowledge": ("knowledge", b"\xff"),
    "codes for the terminal": ("knowledge", "\x1b[2J"),
    "a place as a text": ("position", "third"),
    "a case as a text": ("case_number", "second"),
}  # fmt: skip


def older_book(path: Path, source: Path) -> None:
    """The same book in the first layout, which has no links that would give a change away."""
    told = ", ".join(COLUMNS[:TOLD])
    raw = sqlite3.connect(path)
    raw.executescript(LAYOUT_1)
    raw.execute(f"ATTACH '{source}' AS written")
    raw.execute(f"INSERT INTO events ({told}) SELECT {told} FROM written.events")
    raw.commit()
    raw.close()


COMMANDS = [
    ["list"], ["list", "--all", "--json"], ["show", "2"], ["history", "2"], ["check"],
    ["check", "--json"], ["verify", "2"], ["verify", "2", "--json"], ["export", "2"],
    ["export", "--archive", "all.csv"], ["backup", "copy.db"],
    ["saw", "2", "sample_specks=none"],
    ["undo", "2"], ["redo", "2"], ["withdraw", "2", "sample_bubbles"],
    ["doubt", "2", "sample_bubbles"], ["close", "2", "--unconfirmed"],
    ["check", "--salvage", "saved.db"], ["show", "1"], ["show", "3"],
]  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("layout", [1, VERSION])
@pytest.mark.parametrize("change", TAMPERED)
def test_no_tampered_event_ends_a_command_in_a_traceback_or_hides_another_case(
    written: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, layout: int, change: str
) -> None:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "book.db"
    if layout == 1:
        older_book(path, written)
    else:
        shutil.copy(written, path)
    column, value = TAMPERED[change]
    tamper(path, f"UPDATE events SET {column} = ? WHERE case_number = 2 AND position = 3",
           values=(value,))  # fmt: skip
    for words in COMMANDS:
        options = ["--book", str(path), "--knowledge", str(SMALL)]
        result = CliRunner().invoke(main, ["case", *words, *options])
        assert result.exception is None or isinstance(result.exception, SystemExit), words
        assert "\x1b[2J" not in result.output
        if words[0] == "list":
            assert result.exit_code == 0
            assert all(name in result.output for name in ("van 1", "van 3"))
        elif words[0] == "show":
            assert result.exit_code == 0 or words[1] == "2", result.output
        elif words[0] == "check":
            assert result.exit_code == 1, result.output


def test_list_marks_a_damaged_case_and_check_names_case_and_event(path: Path) -> None:
    tamper(path, "UPDATE events SET content = '[]' WHERE case_number = 2 AND position = 3")
    options = ["--book", str(path), "--knowledge", str(SMALL)]
    listed = CliRunner().invoke(main, ["case", "list", *options]).output
    assert "case 2 is damaged" in listed
    told = json.loads(CliRunner().invoke(main, ["case", "list", "--json", *options]).output)
    assert [bool(case["damaged"]) for case in told["cases"]] == [False, True, False]
    checked = " ".join(CliRunner().invoke(main, ["case", "check", *options]).output.split())
    assert "case 2: event 3: is not what was written; its link does not fit" in checked
    refused = CliRunner().invoke(main, ["case", "saw", "2", "sample_specks=none", *options]).output
    assert "case 2: event 3: is not what was written" in refused
    assert "`loopodds case check` says what is sound" in refused


def test_a_page_of_the_file_that_is_gone_does_not_hide_what_stands_elsewhere(
    written: Path, small: Model, tmp_path: Path
) -> None:
    data = bytearray(written.read_bytes())
    size = int.from_bytes(data[16:18], "big")
    pages = [n for n in range(1, len(data) // size) if data[n * size] == 0x0D]
    told = 0
    for page in pages:
        bad = bytearray(data)
        bad[page * size : (page + 1) * size] = bytes(size)
        path = tmp_path / f"page-{page}.db"
        path.write_bytes(bad)
        try:
            with CaseBook(path, write=False) as book:
                walked = walk(book)
                assert book.damage() or walked.findings or walked.problems
                saved = salvage(book, walked, tmp_path / f"saved-{page}.db")
        except CaseBookError:
            continue
        told += saved.events
        with CaseBook(tmp_path / f"saved-{page}.db", write=False) as book:
            assert walk(book).problems == {}
            assert sum(len(book.events(number)) for number in book.numbers()) == saved.events
    assert told > 0


# ---------------------------------------------------------------- salvage, backup, layouts


def test_nothing_is_written_over_a_file_that_is_there(path: Path, tmp_path: Path) -> None:
    there = tmp_path / "there.db"
    there.write_text("mine")
    with CaseBook(path, write=False) as book:
        for write in (lambda: book.copy_to(there), lambda: salvage(book, walk(book), there),
                      lambda: book.copy_to(path)):  # fmt: skip
            with pytest.raises(CaseBookError, match="there is such a file already"):
                write()
    assert there.read_text() == "mine"
    assert set(tmp_path.iterdir()) == {path, there}


def test_a_backup_taken_while_others_write_is_a_whole_book(path: Path, small: Model) -> None:
    stop = threading.Event()

    def write() -> None:
        with CaseBook(path) as book:
            work = Casework(book, small, "Ben")
            while not stop.is_set():
                work.record(1, [("sample_specks", "none")])

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for number in range(5):
            copy = path.with_name(f"copy-{number}.db")
            with CaseBook(path, write=False) as book:
                known = len(book.events(1))
                book.copy_to(copy)
            with CaseBook(copy, write=False) as book:
                assert book.damage() == []
                assert walk(book).problems == {}
                assert len(book.events(1)) >= known
    finally:
        stop.set()
        writer.join()


@pytest.fixture
def first(written: Path, tmp_path: Path) -> Path:
    """The book in the first layout."""
    path = tmp_path / "first.db"
    older_book(path, written)
    return path


def test_a_book_of_the_first_layout_is_brought_forward_when_it_is_written_to(
    first: Path, written: Path, small: Model
) -> None:
    content = first.read_bytes()
    with CaseBook(first, write=False) as book:  # reading leaves it as it is
        assert walk(book).problems == {}
        read = [event for number in book.numbers() for event in book.events(number)]
    assert first.read_bytes() == content
    with CaseBook(first) as book, CaseBook(written, write=False) as old:
        forward = [event for number in book.numbers() for event in book.events(number)]
        assert forward == read
        told = [(e.case, e.position, e.time, e.who, e.kind, e.content, e.posterior) for e in read]
        assert told == [
            (e.case, e.position, e.time, e.who, e.kind, e.content, e.posterior)
            for number in old.numbers() for e in old.events(number)
        ]  # fmt: skip
        Casework(book, small).record(2, [("sample_specks", "none")])
        assert walk(book).problems == {}
        assert all(checked.problem == "" for checked in check_book(book, small))
    raw = sqlite3.connect(first)
    assert raw.execute("PRAGMA user_version").fetchone() == (VERSION,)
    raw.close()


def test_a_book_from_before_photos_is_read_as_it_is_and_keeps_its_chain(
    path: Path, small: Model
) -> None:
    raw = sqlite3.connect(path)
    raw.execute("PRAGMA user_version = 2")
    links = raw.execute("SELECT link FROM events ORDER BY place").fetchall()
    raw.close()
    with CaseBook(path, write=False) as book:
        assert walk(book).problems == {}
    raw = sqlite3.connect(path)
    assert raw.execute("PRAGMA user_version").fetchone() == (2,)
    raw.close()
    with CaseBook(path) as book:
        Casework(book, small).photographed(2, {"sample_specks": {"none": 1.0, "metal": 0.2}}, {})
        assert walk(book).problems == {}
    raw = sqlite3.connect(path)
    assert raw.execute("PRAGMA user_version").fetchone() == (VERSION,)
    query = "SELECT link FROM events ORDER BY place"
    assert raw.execute(query).fetchall()[: len(links)] == links
    raw.close()


def test_a_program_from_before_photos_leaves_a_book_with_one_alone(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    content = path.read_bytes()
    monkeypatch.setattr("loopodds.casebook.book.VERSION", 2)  # what such a program knows
    for write in (True, False):
        with pytest.raises(CaseBookError, match="knows 1 to 2; use the loopodds that wrote it"):
            CaseBook(path, write)
    assert path.read_bytes() == content


def test_a_change_of_layout_that_fails_leaves_the_book_as_it_was(
    first: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("loopodds.casebook.layout._TRIGGERS", "SELECT nonsense;")
    with pytest.raises(CaseBookError):
        CaseBook(first)
    monkeypatch.undo()
    raw = sqlite3.connect(first)
    assert raw.execute("PRAGMA user_version").fetchone() == (1,)
    assert raw.execute("SELECT count(*) FROM events").fetchone() == (CASES * EVENTS,)
    raw.close()
    with CaseBook(first) as book:
        assert book.numbers() == [1, 2, 3]


@pytest.fixture(scope="module")
def long_first(tmp_path_factory: pytest.TempPathFactory, written: Path) -> Path:
    """A book of the first layout of some dozens of pages."""
    folder = tmp_path_factory.mktemp("long")
    with CaseBook(written, write=False) as old:
        events = [NewEvent(e.kind, e.content, e.posterior) for e in old.events(1)]
        signature = Signature("Ann", "x" * 300, old.events(1)[0].knowledge)
    with CaseBook(folder / "now.db") as book:
        for _ in range(40):
            book.append(None, 0, events, signature)
    older_book(folder / "first.db", folder / "now.db")
    return folder / "first.db"


def pages_of(path: Path) -> int:
    raw = sqlite3.connect(path)
    (count,) = raw.execute("PRAGMA page_count").fetchone()
    raw.close()
    return int(count)


@pytest.mark.parametrize("part", [0.2, 0.5, 0.8, 1.0])
@pytest.mark.parametrize("many", [1, 3])
def test_of_a_damaged_book_of_the_first_layout_what_can_be_read_is_saved(
    long_first: Path, tmp_path: Path, part: float, many: int
) -> None:
    path = Path(shutil.copy(long_first, tmp_path / "book.db"))
    with CaseBook(path, write=False) as book:
        whole = {number: book.events(number) for number in book.numbers()}
    content = bytearray(path.read_bytes())
    place = round(part * (pages_of(path) - many)) * 4096
    content[place : place + many * 4096] = bytes([0xFF]) * (many * 4096)
    path.write_bytes(content)
    out = tmp_path / "saved.db"
    options = ["--book", str(path), "--knowledge", str(SMALL)]
    listed = CliRunner().invoke(main, ["case", "list", *options])
    assert listed.exit_code == 0
    assert "is damaged" in listed.output
    result = CliRunner().invoke(main, ["case", "check", "--salvage", str(out), *options])
    assert isinstance(result.exception, SystemExit)
    assert result.exit_code == 1
    assert "cannot be read" in result.output
    assert "File: sound" not in result.output
    with CaseBook(out, write=False) as book:
        assert walk(book).problems == {}
        saved = {number: book.events(number) for number in book.numbers()}
    # one page holds a handful of events; what lies on others is there
    assert sum(len(events) for events in saved.values()) > len(whole) * EVENTS * 0.7
    for number, events in saved.items():
        told = [(e.position, e.time, e.content, e.posterior) for e in whole[number]]
        assert [(e.position, e.time, e.content, e.posterior) for e in events] == told[: len(events)]


def test_a_book_of_the_first_layout_that_nothing_can_be_read_of_says_so_in_one_line(
    long_first: Path, tmp_path: Path
) -> None:
    path = Path(shutil.copy(long_first, tmp_path / "book.db"))
    content = bytearray(path.read_bytes())
    content[100 : 2 * 4096] = bytes([0xFF]) * (2 * 4096 - 100)
    path.write_bytes(content)
    words = ["case", "check", "--salvage", str(tmp_path / "saved.db"), "--book", str(path)]
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 1
    assert result.output.startswith("loopodds: case book")
    assert not (tmp_path / "saved.db").exists()


# ---------------------------------------------------------------- what was believed then


@pytest.fixture
def newer(tmp_path: Path) -> Model:
    """The knowledge after somebody has changed a probability in it."""
    folder = tmp_path / "newer"
    shutil.copytree(SMALL, folder)
    faults = folder / "faults.toml"
    text = faults.read_text(encoding="utf-8")
    faults.write_text(text.replace("p = [0.9, 0.06, 0.04]", "p = [0.8, 0.06, 0.14]"), "utf-8")
    return Model(Knowledge(folder))


def test_what_was_believed_comes_out_again_with_the_knowledge_that_made_it(
    path: Path, small: Model, newer: Model
) -> None:
    with CaseBook(path) as book:
        Casework(book, newer).record(1, [("sample_specks", "none")])
        found = verify_case(book, 1, newer)
    assert [version.knowledge for version in found] == [
        small.knowledge.digest, newer.knowledge.digest,
    ]  # fmt: skip
    assert [version.events for version in found] == [EVENTS, 1]
    assert all(not version.problem and version.difference <= 1e-9 for version in found)


def test_a_version_of_the_knowledge_is_kept_once_however_much_is_recorded(path: Path) -> None:
    raw = sqlite3.connect(path)
    assert raw.execute("SELECT count(*) FROM knowledge").fetchone() == (1,)
    raw.close()


def test_what_is_missing_to_verify_a_belief_is_said(
    first: Path, small: Model, newer: Model
) -> None:
    digest = small.knowledge.digest
    with CaseBook(first, write=False) as book:
        (found,) = verify_case(book, 1, newer)
        assert found.problem == (
            f"the knowledge {digest} is not kept in the book, and is not the present one"
        )
        (again,) = verify_case(book, 1, small)
        assert again.problem == ""


def test_kept_knowledge_that_was_changed_or_cannot_be_read_any_more_is_named(
    path: Path, small: Model, newer: Model, monkeypatch: pytest.MonkeyPatch
) -> None:
    digest = small.knowledge.digest
    with monkeypatch.context() as patch, CaseBook(path, write=False) as book:
        patch.setattr("loopodds.knowledge.records.OTHER_FILES", ("laws.toml",))
        (found,) = verify_case(book, 1, newer)
        assert found.problem == (
            f"the knowledge {digest} is kept, but this program cannot read it: laws.toml: there is "
            "no such file in this version"
        )
    tamper(path, "UPDATE knowledge SET files = x'00'")
    with CaseBook(path, write=False) as book:
        (found,) = verify_case(book, 1, newer)
        assert found.problem.endswith(f"the knowledge {digest} kept in it is damaged")


def test_a_forged_belief_with_a_whole_chain_does_not_come_out_again(
    path: Path, small: Model, newer: Model
) -> None:
    with CaseBook(path) as book:
        work = Casework(book, small)
        last = work.record(1, [("compressor_cycle", "steady")])
        off = last.after._replace(p_sound=last.after.p_sound - 1e-8)
        forged = NewEvent("closed", {}, off)
        signature = Signature("Ann", "", small.knowledge.digest)
        book.append(1, last.events[-1].position, [forged], signature)
        (found,) = verify_case(book, 1, newer)
    assert found.problem == f"event {EVENTS + 2}: stored belief differs by 1.0e-08"


# ---------------------------------------------------------------- what a step costs


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """One entry for each state of a case that is worked out."""
    found: list[str] = []
    state = replaying._state

    def counting(*given: Any) -> Any:
        found.append("state")
        return state(*given)

    monkeypatch.setattr(replaying, "_state", counting)
    return found


def test_a_step_costs_as_many_queries_and_states_in_a_long_case_as_in_a_short_one(
    tmp_path: Path, small: Model, counted: list[str]
) -> None:
    costs = []
    with CaseBook(tmp_path / "long.db") as book:
        work = Casework(book, small)
        work.open("van")
        queries: list[str] = []
        for turn in range(40):
            counted.clear()
            queries.clear()
            book._connection.set_trace_callback(queries.append)
            work.record(1, [SEEN[turn % 3]])
            work.undo(1)
            work.redo(1)
            book._connection.set_trace_callback(None)
            costs.append((len(queries), len(counted)))
    assert set(costs[1:]) == {costs[1]}
    assert costs[1][1] <= 12


def test_a_list_asks_the_book_as_often_for_many_cases_as_for_few(
    tmp_path: Path, small: Model
) -> None:
    counts = []
    with CaseBook(tmp_path / "many.db") as book:
        work = Casework(book, small)
        for _ in range(4):
            queries: list[str] = []
            book._connection.set_trace_callback(queries.append)
            list(book.ends())
            book._connection.set_trace_callback(None)
            counts.append(len(queries))
            for _ in range(5):
                work.open("van", SEEN[:1])
    assert set(counts) == {counts[0]}


def test_an_error_of_the_library_is_the_only_way_a_damaged_case_ends(path: Path) -> None:
    tamper(path, "UPDATE events SET kind = 'opened' WHERE case_number = 1 AND position = 2")
    with CaseBook(path, write=False) as book, pytest.raises(LoopoddsError, match="case 1: event 2"):
        book.events(1)
