"""The link between an axis of a photo and the words of the trade, learnt from labelled photos.

A folder holds pictures and ``labels.csv`` with the columns ``file``, ``path`` and a word for each
finding that was judged by eye. Every place moves from what it was by as much as its photos weigh
against its weight, as :func:`loopodds.doubt.updating.updated` moves any mean and spread; one photo
in five judges, and where those are told apart worse than before nothing is written.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.base.errors import FileError, InspectionError, listed
from loopodds.doubt.numbers import Numbers
from loopodds.doubt.rewriting import LEARNT, write_knowledge
from loopodds.doubt.updating import effective_rows, updated
from loopodds.inspection.vocabulary import unknown_word
from loopodds.knowledge.records import PHOTO, Knowledge
from loopodds.photo.beside import glass_of
from loopodds.photo.links import REACH, Link, Links, Place, along, links_of, weights_of
from loopodds.photo.liquids import Glass
from loopodds.photo.pictures import PictureError, open_picture
from loopodds.photo.reading import Reading, read_picture
from loopodds.upkeep.held_out import Gain, gain_between

LABELS = "labels.csv"
HELD_BACK = 5
"""One photo of so many judges."""
LEAST_PHOTOS, LARGEST_LIST = 20, 4_000_000
"""Photos that can be used, and bytes of the labels."""
PASSES, ENOUGH = 200, 1e-6


class Labelled(NamedTuple):
    """A photo that could be read, with the words for it."""

    file: str
    posterior: FloatArray
    words: Mapping[str, str]


@dataclass(frozen=True, slots=True, eq=False)
class PhotoLearning:
    """What came of labelled photos."""

    out: Path
    written: bool
    used: int
    refused: Mapping[str, str]  # file to why it teaches nothing
    scores: Mapping[str, Gain]  # of each finding, of the photos kept back
    before: Links
    after: Links

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "out": str(self.out),
            "written": self.written,
            "used": self.used,
            "refused": dict(self.refused),
            "scores": {n: {**g._asdict(), "gain": g.gain} for n, g in self.scores.items()},
            "before": msgspec.to_builtins(self.before),
            "after": msgspec.to_builtins(self.after),
        }


def learn_photos(
    folder: str | Path,
    out: str | Path,
    knowledge: Knowledge | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> PhotoLearning:
    """Learn from a folder of labelled photos, into a folder of knowledge of the same form.

    Args:
        tell: Told the name of each photo before it is read.

    Raises:
        InspectionError: if the labels cannot be read, or too few photos can be used.
        FileError: if a file cannot be read, or the folder of knowledge is there already.
    """
    known, out = knowledge or Knowledge(), Path(out)
    if out.exists():
        raise FileError(f"{out}: is there already; choose another name")
    before = links_of(known)
    used, refused = _read(Path(folder), before, known, tell)
    if len(used) < LEAST_PHOTOS:
        why = "; ".join(f"{name}: {text}" for name, text in [*refused.items()][:3])
        problem = f"{len(used)} photos can be used; at least {LEAST_PHOTOS} are needed"
        raise InspectionError(f"{folder}: {problem}" + f" ({why})" * bool(why))
    judging = used[::HELD_BACK]
    teaching = [photo for number, photo in enumerate(used) if number % HELD_BACK]
    taught = {name: learnt(name, link, teaching) for name, link in before.items()}
    scores = {
        name: gain_between(_scores(name, link, judging), _scores(name, taught[name], judging))
        for name, link in before.items()
        if any(name in photo.words for photo in judging)
    }
    written = all(score.gain >= 0 for score in scores.values())
    after = {n: learnt(n, link, used) for n, link in before.items()} if written else taught
    result = PhotoLearning(out, written, len(used), refused, scores, before, after)
    if written:
        about = {
            "title": f"Learnt from photos in {Path(folder).name}",
            "year": date.today().year,
            "kind": "archive",
            "note": f"{len(used)} labelled photos of samples.",
        }
        write_knowledge(known, (), about, {PHOTO: links_text(after)}, out)
    return result


class _Row(NamedTuple):
    """A row of the labels, found to be one."""

    file: str
    glass: Glass
    words: Mapping[str, str]


def _read(
    folder: Path, links: Links, knowledge: Knowledge, tell: Callable[[str], None]
) -> tuple[list[Labelled], dict[str, str]]:
    used, refused = [], {}
    # every row is looked at before the first picture is: reading them takes its time
    rows = [_checked(folder, number, row, links, knowledge)
            for number, row in _labels(folder / LABELS, links)]  # fmt: skip
    for name, glass, words in rows:
        tell(name)
        try:
            reading = read_picture(open_picture((folder / name).read_bytes()), glass)
        except PictureError as error:
            refused[name] = str(error)
            continue
        except OSError as error:
            raise FileError(f"{folder / name}: {error.strerror or error}") from error
        if reading.measured is None or reading.refusals:
            refused[name] = "; ".join(r.problem for r in reading.refusals)
            continue
        used.append(Labelled(name, reading.measured.posterior, _seen(words, reading, links)))
    return used, refused


def _checked(
    folder: Path, number: int, row: Mapping[str, str], links: Links, knowledge: Knowledge
) -> _Row:
    name, where = row["file"], f"{folder / LABELS}: row {number}"
    if not name or Path(name).name != name:
        raise InspectionError(f"{where}: {name[:60]!r} is no name of a file in this folder")
    if not (folder / name).is_file():
        raise FileError(f"{where}: there is no file {name[:60]!r} in this folder")
    try:
        glass = glass_of(row["path"], row.get("path_error") or None)
    except InspectionError as error:
        raise InspectionError(f"{where}: path: {error}") from error
    return _Row(name, glass, _words(row, links, knowledge, where))


def _labels(path: Path, links: Links) -> Iterator[tuple[int, dict[str, str]]]:
    """Rows of the labels with their numbers, the first behind the head being 2."""
    try:
        if path.stat().st_size > LARGEST_LIST:
            raise InspectionError(f"{path}: is larger than any list of photos")
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise FileError(f"{path}: cannot be read: {error}") from error
    rows = csv.DictReader(text.splitlines(), restval="")
    head = rows.fieldnames or []
    for needed in ("file", "path"):
        if needed not in head:
            raise InspectionError(f"{path}: needs the column {needed!r}; has {listed(head)}")
    if not {*head} & {*links}:
        raise InspectionError(f"{path}: needs a column of {' or '.join(links)}")
    for number, row in enumerate(rows, start=2):
        if None in row:
            raise InspectionError(f"{path}: row {number}: has more cells than the head")
        yield number, {key: (value or "").strip() for key, value in row.items()}


def _words(
    row: Mapping[str, str], links: Links, knowledge: Knowledge, where: str
) -> dict[str, str]:
    words = {name: row[name] for name in links if row.get(name)}
    for name, word in words.items():
        states = knowledge.node(name).states
        if word not in states:
            hint = unknown_word(word, name, states)
            raise InspectionError(f"{where}: {name}: unknown state {word[:60]!r}; {hint}")
    return words


def _seen(words: Mapping[str, str], reading: Reading, links: Links) -> dict[str, str]:
    """The words of what the photo tells: greenness that cannot be seen teaches nothing."""
    return {
        name: word
        for name, word in words.items()
        if links[name].axis != "green" or reading.green_seen
    }


def _scores(name: str, link: Link, photos: Sequence[Labelled]) -> FloatArray:
    """Log share of the right word among equally likely ones, of each photo that has one."""
    states = [*link.states]
    found = []
    for photo in photos:
        if name in photo.words:
            weights = weights_of(link, photo.posterior)
            found.append(np.log(weights[states.index(photo.words[name])] / weights.sum()))
    return np.array(found)


def learnt(name: str, link: Link, photos: Sequence[Labelled]) -> Link:
    """A link with every place moved by the photos that were called so."""
    values = along(link.axis)
    states = {}
    for state, place in link.states.items():
        told = [p.posterior for p in photos if p.words.get(name) == state]
        states[state] = _moved(place, link, values, np.array(told)) if told else place
    return msgspec.structs.replace(link, states=states)


def _moved(place: Place, link: Link, values: FloatArray, told: FloatArray) -> Place:
    """One place, by photos each a posterior over the liquids, shape (photos, liquids)."""
    first = np.array([place.mean, place.spread])
    held = Numbers("", (), "shift", first, place, ())
    now = first
    for _ in range(PASSES):
        slopes = _slopes(now, link, values, told)
        new = updated(held, now, slopes.sum(axis=0))
        change, now = float(np.abs(new - now).max()), new
        if change < ENOUGH:
            break
    information = np.array([(_slopes(now, link, values, told)[:, 1] ** 2).sum()])
    gained = min(effective_rows(held, now, information), float(len(told)))
    return Place(
        source=LEARNT, grade="measured", weight=float(f"{place.weight + gained:.4g}"),
        mean=float(f"{now[0]:.6g}"), spread=float(f"{now[1]:.6g}"),
    )  # fmt: skip


def _slopes(now: FloatArray, link: Link, values: FloatArray, told: FloatArray) -> FloatArray:
    """For each photo its share that is no slip, and slopes of its log chance by mean, variance."""
    low, high = REACH[link.axis]
    mean, variance = now[0], now[1] ** 2
    off = np.clip(values, low, high) - mean
    plain = (1 - link.slips) * np.exp(-(off**2) / 2 / variance) / np.sqrt(2 * np.pi * variance)
    by_photo = told * plain
    whole = by_photo.sum(axis=1) + link.slips / (high - low) * told.sum(axis=1)
    return np.stack(
        [
            by_photo.sum(axis=1) / whole,
            by_photo @ (off / variance) / whole,
            by_photo @ ((off / variance) ** 2 - 1 / variance) / 2 / whole,
        ],
        axis=1,
    )


def links_text(links: Links) -> str:
    """The file of the links."""
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment("What a photo of the sample says of its words, learnt."))
    for name, link in links.items():
        table = tomlkit.table()
        table["axis"], table["title"], table["slips"] = link.axis, link.title, link.slips
        states = tomlkit.table(is_super_table=True)
        for state, place in link.states.items():
            states[state] = msgspec.to_builtins(place)
        table["states"] = states
        document[name] = table
    return tomlkit.dumps(document)
