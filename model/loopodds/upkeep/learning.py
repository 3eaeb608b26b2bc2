"""The numbers of the knowledge learnt from an archive, held by their weights, into a new folder.

One row in five is kept back and judges what the others taught: where it is foretold worse than
before, nothing is written.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from hashlib import sha256
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from loopodds.archive.encoded import EncodedArchive, Piece, encode_archive
from loopodds.archive.outputs import default_rejects
from loopodds.archive.runner import INVENTED
from loopodds.archive.summary import RunProgress
from loopodds.base.errors import FileError, InspectionError, unknown_name
from loopodds.base.files import check_outputs, content_digest, naming, write_whole
from loopodds.casebook.sources import MARK
from loopodds.diagnosis.model import Model
from loopodds.doubt.numbers import number_words
from loopodds.doubt.rewriting import NumberChange, moved_lists, rounded, write_knowledge
from loopodds.doubt.updating import effective_rows
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.tables import READERS, readers_text
from loopodds.upkeep.confirmation import (
    CONFIRMED_BY,
    FILE,
    Rates,
    moved_rates,
    read_ways,
    rewritten_ways,
    ways_text,
)
from loopodds.upkeep.estimation import ENOUGH, MOST_PASSES, Learner, State, Step
from loopodds.upkeep.habits import (
    TILT_PASSES,
    OwnShare,
    Tilt,
    own_shares,
    spread_rows,
    tested_tags,
    tilted_answers,
    without_driven,
)
from loopodds.upkeep.held_out import Gain, judged, kept_back, thinned
from loopodds.upkeep.readers import (
    Looker,
    as_said,
    as_seen_by_the_trade,
    learnt_readers,
    reader_tags,
    seats_of,
)
from loopodds.upkeep.selection import Look, selection

FIRST_ROWS, NEARLY, ALMOST = 6000, 1e-3, 2e-4
"""Rows that the climb over many begins with, for a pass over them costs little; gains a row below
which these have led nearly to the top, and those that are judged almost: all rows go on."""
LEAST_ROWS, STATE, ROWS, RESULT = 50, "state.json", "rows", "learning.json"


class LearnProgress(NamedTuple):
    """How far learning is: stage in words, passes of it, gain of the last one a row."""

    stage: str
    passes: int
    gain: float
    rows: int


@dataclass(frozen=True, slots=True, eq=False)
class Learning:
    """What came of learning."""

    out: Path
    written: bool
    rows: int
    rejected: int
    rejects: Path | None
    score: Gain  # of all that was seen and confirmed
    outcomes: Gain | None  # of the confirmed outcomes given all else; None where there are none
    changes: tuple[NumberChange, ...]  # furthest first
    rates: Mapping[str, tuple[Rates, Rates, float]]  # of each way: before, after, reports
    driven: tuple[Look, ...]
    left_out: tuple[str, ...]  # tests not learnt from where their reason is open
    tilts: tuple[Tilt, ...]
    by: tuple[OwnShare, ...]
    readers: tuple[Looker, ...]  # everybody who looked, those who stand out first
    passes: int
    warnings: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain data for ``json.dumps``."""
        return {
            "out": str(self.out),
            "written": self.written,
            "rows": self.rows,
            "rejected": self.rejected,
            "rejects": str(self.rejects) if self.rejects else None,
            "score": {**self.score._asdict(), "gain": self.score.gain},
            "outcomes": {**self.outcomes._asdict(), "gain": self.outcomes.gain}
            if self.outcomes
            else None,
            "changes": [change.as_json() for change in self.changes],
            "confirmation": {
                name: {"before": old._asdict(), "after": new._asdict(), "reports": reports}
                for name, (old, new, reports) in self.rates.items()
            },
            "driven": [look._asdict() for look in self.driven],
            "left_out": list(self.left_out),
            "tilts": [tilt._asdict() for tilt in self.tilts],
            "by": [own._asdict() for own in self.by],
            "readers": [looker.as_json() for looker in self.readers],
            "passes": self.passes,
            "warnings": list(self.warnings),
        }


def learn(
    archive: str | Path,
    out: str | Path,
    *,
    columns: str | Path | None = None,
    knowledge: str | Path | None = None,
    by: str | None = None,
    reader: str | None = None,
    anyway: Collection[str] = (),
    census: bool = False,
    workers: int = 2,
    resume: bool = False,
    progress: Callable[[LearnProgress], None] | None = None,
) -> Learning:
    """Learn from an archive, into a folder of knowledge of the same form.

    Args:
        archive: As :func:`loopodds.archive.runner.score` reads it, but for folders.
        out: Folder to be made; nothing is written where rows kept back are foretold worse.
        columns: Column map.
        knowledge: Folder that the numbers and weights come from; the shipped one when left out.
        by: Column whose words are shown apart: workshop, technician, year.
        reader: Column that says who looked, to learn how each sees shades and tints.
        anyway: Tests to learn from though something unrecorded drives them.
        census: Whether the archive holds cars as they come, complaints as often as there are, and
            not as a workshop happens to get them: then why they came is learnt from too.
        workers: Threads.
        resume: Go on where a killed run of the same job stopped.
        progress: Told after every part read and every pass.

    Raises:
        InspectionError: if the archive cannot be read, holds too little, or has no such column.
        UnknownName: if a test is not known.
        FileError: if the folder is there already or cannot be written.
        KnowledgeError: if the knowledge is inconsistent.
    """
    known = Knowledge(knowledge)
    for test in anyway:
        if test not in known.tests:
            raise unknown_name("test", test, known.tests)
    out = Path(out)
    if out.is_dir():
        raise FileError(f"{out}: is there already; choose another name")
    rejects = default_rejects(out)
    read = [Path(given) for given in (archive, columns, knowledge) if given and not
            str(given).startswith(MARK)]  # fmt: skip
    check_outputs({"the folder": out, "the rejects": rejects}, read, [], [out])
    if out.exists():
        raise FileError(f"{out}: is there already; choose another name")
    learner = Learner(known, read_ways(knowledge), workers, census)
    run = _Run(learner, out, progress or (lambda _: None))
    identity = _identity(archive, columns, known, ways_text(knowledge), by, reader, anyway, census)
    run.begin(identity, resume)
    tags = {CONFIRMED_BY: tuple(run.learner.ways), **tested_tags(known)}
    tags |= ({} if by is None else {by: None}) | reader_tags(reader, known)
    data = run.encoded(archive, columns, tags, reader)
    for column, what in ((by, "to show apart"), (reader, "that says who looked")):
        if column is not None and column not in data.words:
            raise InspectionError(f"the archive has no column {column!r} {what}")
    if data.rows < LEAST_ROWS:
        raise InspectionError(f"{data.rows} rows can be used; at least {LEAST_ROWS} are needed")
    result = run.whole(data, by, reader, anyway, rejects, ways_text(knowledge), str(archive))
    shutil.rmtree(run.folder)
    return result


def _identity(
    archive: str | Path, columns: str | Path | None, knowledge: Knowledge, *more: Any
) -> str:
    """Everything that the result depends on."""
    content = [
        content_digest(Path(path)) if Path(path).is_file() else str(path)
        for path in (archive, columns)
        if path
    ]
    return sha256(repr((content, knowledge.digest, more)).encode()).hexdigest()[:32]


class _Run:
    """One run, its working folder beside the output."""

    def __init__(self, learner: Learner, out: Path, tell: Callable[[LearnProgress], None]) -> None:
        self.learner, self.knowledge = learner, learner.knowledge
        self.out, self.tell = out, tell
        self.folder = out.with_name(out.name + ".learning")
        self.saved: dict[str, Any] = {}

    def begin(self, identity: str, resume: bool) -> None:
        """Take up what an earlier run of the same job has done, or begin anew."""
        path = self.folder / STATE
        if resume and path.is_file():
            self.saved = json.loads(path.read_text(encoding="utf-8"))
        if self.saved.get("identity") != identity:
            if self.saved:
                raise InspectionError(
                    f"{self.folder}: is of another job; finish that one, or begin this one anew"
                )
            with naming(self.folder):
                if self.folder.exists() and not path.is_file():
                    raise FileError(f"{self.folder}: is in the way, and no run of learn made it")
                shutil.rmtree(self.folder, ignore_errors=True)
                self.folder.mkdir()
            self.saved = {"identity": identity}

    def save(self, **more: Any) -> None:
        """Note how far the run is."""
        self.saved |= more
        write_whole(self.folder / STATE, json.dumps(self.saved))

    def encoded(
        self, archive: str | Path, columns: str | Path | None, tags: Any, reader: str | None
    ) -> EncodedArchive:
        """The rows of the archive, from an earlier run where that had read them all."""
        if "data" in self.saved:
            return EncodedArchive(self.folder / ROWS, **self.saved["data"])

        def watch(run: RunProgress) -> None:
            self.tell(LearnProgress("reading", 0, 0.0, run.rows))

        shutil.rmtree(self.folder / ROWS, ignore_errors=True)
        model = Model(as_said(self.knowledge) if reader else self.knowledge, compiled=True)
        data = encode_archive(archive, model, self.folder / ROWS, columns, tags, watch)
        kept = {name: value for name, value in _fields(data).items() if name != "folder"}
        self.save(data=kept)
        return data

    def climbed(
        self,
        stage: str,
        pieces: Callable[[], Iterable[Piece]],
        start: State,
        enough: float = ENOUGH,
    ) -> State:
        """The top of the climb over some rows, taken up where it was left."""
        done = self.saved.get(stage, {"done": False, "passes": 0, "reach": 1.0})
        if "state" in done:
            start = State.of_json(done["state"])
        if done["done"]:
            return start
        passes = done["passes"]

        def watch(step: Step) -> None:
            nonlocal passes
            passes += 1
            plain = {"state": step.state.as_json(), "reach": step.reach}
            self.save(**{stage: {**plain, "done": step.over, "passes": passes}})
            self.tell(LearnProgress(stage, passes, step.gain, 0))

        left = MOST_PASSES - passes
        top, _ = self.learner.climb(pieces, start, watch, left, done["reach"], enough)
        self.save(**{stage: {"state": top.as_json(), "done": True, "passes": passes}})
        return top

    def whole(
        self,
        data: EncodedArchive,
        by: str | None,
        reader: str | None,
        anyway: Collection[str],
        rejects: Path,
        ways: str,
        archive: str,
    ) -> Learning:
        """Look at the tests, learn, judge, learn from all rows, write."""
        learner = self.learner
        self.tell(LearnProgress("looking at what drove the tests", 0, 0.0, data.rows))
        first = spread_rows(data.pieces)
        roughly, _ = learner.climb(lambda: first, learner.start, passes=TILT_PASSES)
        seats = seats_of(reader, data.words) if reader is not None else None
        pieces = data.pieces if seats is None else as_seen_by_the_trade(
            learner, data.pieces, roughly, seats, lambda piece: ~kept_back(piece)
        )  # fmt: skip
        driven = selection(learner, pieces, learner.start, roughly).driven
        left_out = tuple(look.test for look in driven if look.test not in anyway)

        def rows(
            judging: bool | None, left: Collection[str] = left_out
        ) -> Callable[[], Iterator[Piece]]:
            def chosen() -> Iterator[Piece]:
                for piece in pieces():
                    if judging is not None:
                        piece = piece.take(np.flatnonzero(kept_back(piece) == judging))
                    if len(piece.numbers):
                        yield without_driven(piece, left, self.knowledge)

            return chosen

        near = learner.start
        if data.rows > 2 * FIRST_ROWS:
            few = thinned(rows(False), FIRST_ROWS)
            near = self.climbed("learning from some rows", lambda: few, near, NEARLY)
        taught = self.climbed("learning", rows(False), near, ALMOST)
        score, outcomes = judged(learner, rows(True), learner.start, taught)
        written = score.gain >= 0
        final = self.climbed("learning from all rows", rows(None), taught) if written else taught
        self.tell(LearnProgress("weighing", 0, 0.0, data.rows))
        changes = self.changes(final, rows(None if written else False))
        tilts = tuple(
            tilted_answers(
                learner,
                look.test,
                rows(None),
                rows(None, [t for t in left_out if t != look.test]),
                final,
            )
            for look in driven
            if look.test in left_out
        )
        reports = learner.expect(rows(None), final).reports
        rates = moved_rates(learner.start.rates, final.rates, reports)
        lookers, eyes = learnt_readers(learner, data.pieces, final, seats)
        shown = own_shares(learner, rows(None), final, changes, by, data.words[by]) if by else ()
        if data.rejected:
            shutil.copyfile(data.folder / "rejects.csv", rejects)
        result = Learning(
            self.out, written, data.rows, data.rejected, rejects if data.rejected else None, score,
            outcomes, changes, rates, driven, left_out, tilts, tuple(shown), lookers,
            sum(self.saved[s]["passes"] for s in self.saved if s.startswith("learning")),
            self.warnings(data, archive),
        )  # fmt: skip
        if written:
            text = readers_text(eyes, self.knowledge.nodes) if eyes else ""
            self.write(result, ways, archive, text)
        return result

    def changes(
        self, state: State, pieces: Callable[[], Iterable[Piece]]
    ) -> tuple[NumberChange, ...]:
        """What moved, with the cars that spoke, furthest first."""
        found = []
        for key, (information, tally) in self.learner.information(pieces, state).items():
            held = self.learner.lists[key]
            now = state.values.get(key, held.values)
            levels = held.kind in ("levels", "passing")
            cars = float((now * tally).sum() if levels else tally[0])
            if held.kind == "slips":
                cars += float(tally[1])
            spoke = min(effective_rows(held, now, information), cars)
            about = number_words(self.knowledge.node(held.node), held.path)
            weight = held.grounds.weight + spoke
            found.append(NumberChange(held, rounded(held, now), weight, spoke, cars, about))
        return tuple(sorted(moved_lists(found), key=lambda change: -change.deviations))

    def warnings(self, data: EncodedArchive, archive: str) -> tuple[str, ...]:
        """What a reader of the result must know."""
        said = [INVENTED] * archive.startswith(MARK)
        if CONFIRMED_BY not in data.words:
            said.append(f"no column {CONFIRMED_BY}: every outcome counts as a technician's word")
        if not any(name.startswith("asked_by") for name in data.words):
            said.append("no column asked_by: why tests were done is open on every row")
        if not (self.learner.census or data.stated):
            said.append("no setting is stated: cars are taken to have come as often as they do")
        return (*said, *data.warnings)

    def write(self, result: Learning, ways: str, archive: str, readers: str) -> None:
        """The folder of knowledge, and what came of it beside."""
        name = Path(archive).name
        about = {
            "title": f"Learnt from the archive {name}",
            "year": date.today().year,
            "kind": "archive",
            "note": f"{result.rows} inspections; weights are those before and the cars that spoke.",
        }
        rates = {
            name: (after, self.learner.ways[name].weight + reports)
            for name, (_, after, reports) in result.rates.items()
        }
        beside = {FILE: rewritten_ways(ways, rates)} | ({READERS: readers} if readers else {})
        write_knowledge(self.knowledge, result.changes, about, beside, self.out)
        write_whole(self.out / RESULT, json.dumps(result.as_json(), indent=1))


def _fields(data: EncodedArchive) -> dict[str, Any]:
    return {name: getattr(data, name) for name in data.__dataclass_fields__}
