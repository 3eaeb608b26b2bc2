"""A case as evidence: the same bytes twice, and whatever is changed in it is noticed."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from loopodds.base.errors import FileError
from loopodds.casebook.book import CaseBook
from loopodds.casebook.sources import read_case
from loopodds.casebook.work import Casework
from loopodds.papers.pack import MANIFEST, checksum_of, verify_pack
from loopodds.papers.photos import photo_folder, photos_of
from loopodds_cli.main import main
from shared import shipped

PNG = b"\x89PNG\r\n\x1a\n" + b"a picture, invented"
NASTY = '=cmd|"/C calc"!A0 <script>x</script>\x1b[2J'


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A book with a case of which every free text is hostile, and a photo."""
    path = tmp_path_factory.mktemp("pack") / "book.db"
    with CaseBook(path) as opened:
        work = Casework(opened, shipped(), who=NASTY, note=NASTY)
        work.open(NASTY, [("refrigerant", "R134a"), ("setting", "complaint")])
        work.record(1, [("low_side", "1.2 bar"), ("sample_bubbles", "persisting")])
    folder = photo_folder(path, 1)
    folder.mkdir(parents=True)
    (folder / f"sample_bubbles-{hashlib.sha256(PNG).hexdigest()}.png").write_bytes(PNG)
    return path


def run(book: Path, *words: str) -> Result:
    return CliRunner().invoke(main, ["pack", *words], env={"LOOPODDS_BOOK": str(book)})


@pytest.fixture(scope="module")
def packed(book: Path) -> Path:
    out = book.with_name("case.zip")
    found = run(book, "1", "--out", str(out), "--workshop", NASTY, "--address", NASTY)
    assert found.exit_code == 0, found.output
    assert checksum_of(out.read_bytes()) in found.output
    return out


def files(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def repacked(path: Path, held: dict[str, bytes], *more: tuple[str, bytes]) -> Path:
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in [*held.items(), *more]:
            archive.writestr(name, content)
    return path


def test_a_pack_holds_papers_case_photos_log_and_version(packed: Path) -> None:
    held = files(packed)
    photo = f"photos/sample_bubbles-{hashlib.sha256(PNG).hexdigest()}.png"
    assert held[photo] == PNG
    assert held.keys() - {photo} == {
        MANIFEST, "case.toml", "customer.html", "knowledge.json", "log.csv", "log.json",
        "record.html", "report.json",
    }  # fmt: skip
    manifest = json.loads(held[MANIFEST])
    assert {one["name"]: one["sha256"] for one in manifest["files"]} == {
        name: hashlib.sha256(content).hexdigest()
        for name, content in held.items()
        if name != MANIFEST
    }
    assert manifest["knowledge"] == [shipped().knowledge.digest]
    links = [event["link"] for event in json.loads(held["log.json"])]
    assert len(set(links)) == len(links) == 5


def test_the_case_in_a_pack_gives_the_belief_of_its_papers(packed: Path) -> None:
    held = files(packed)
    case = read_case(held["case.toml"].decode(), shipped().knowledge)
    assert case.readings["low_side"].text == "1.2 bar"
    assert case.findings["sample_bubbles"] == "persisting"


def test_the_same_case_gives_the_same_bytes(packed: Path, book: Path) -> None:
    again = book.with_name("again.zip")
    run(book, "1", "--out", str(again), "--workshop", NASTY, "--address", NASTY)
    assert again.read_bytes() == packed.read_bytes()


def test_a_sound_pack_is_verified_and_is_the_one_that_was_noted(packed: Path, book: Path) -> None:
    noted = checksum_of(packed.read_bytes())
    found = run(book, "--verify", str(packed), "--checksum", noted.upper())
    assert found.exit_code == 0
    assert found.output.endswith("as noted\n")
    other = run(book, "--verify", str(packed), "--checksum", "0" * 64)
    assert other.exit_code == 1
    assert "not the one noted" in other.output


@pytest.mark.parametrize("name", ["case.toml", "record.html", "log.csv", "knowledge.json"])
def test_every_file_that_is_changed_missing_or_added_is_named(
    packed: Path, tmp_path: Path, name: str
) -> None:
    held = files(packed)
    changed = {**held, name: held[name].replace(b"1", b"2")}
    assert verify_pack(repacked(tmp_path / "a.zip", changed)).problems == (
        f"{name}: is not what was packed",
    )
    longer = {**held, name: held[name] + b" "}
    assert verify_pack(repacked(tmp_path / "b.zip", longer)).problems
    less = {one: content for one, content in held.items() if one != name}
    assert verify_pack(repacked(tmp_path / "c.zip", less)).problems == (f"{name}: is missing",)
    more = {**held, f"../{name}": b"x"}
    (problem,) = verify_pack(repacked(tmp_path / "d.zip", more)).problems
    assert problem == f"../{name}: is not in the manifest"


def test_a_manifest_rewritten_to_match_has_another_checksum(packed: Path, tmp_path: Path) -> None:
    held = files(packed)
    text = held["case.toml"].replace(b"1.2 bar", b"2.2 bar")
    manifest = json.loads(held[MANIFEST])
    for one in manifest["files"]:
        if one["name"] == "case.toml":
            one["sha256"], one["bytes"] = hashlib.sha256(text).hexdigest(), len(text)
    forged = {**held, "case.toml": text, MANIFEST: json.dumps(manifest).encode()}
    found = verify_pack(repacked(tmp_path / "a.zip", forged))
    assert not found.problems
    assert found.checksum != checksum_of(packed.read_bytes())


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "is no pack"),
        (b"PK\x03\x04 nothing", "is no pack"),
        ({"a": b"x"}, "it has no manifest.json"),
        ({MANIFEST: b"[1]"}, "manifest.json cannot be read"),
        ({MANIFEST: b'{"layout": 1}'}, "manifest.json cannot be read"),
    ],
)
def test_what_is_no_pack_is_refused(tmp_path: Path, content: object, message: str) -> None:
    path = tmp_path / "a.zip"
    if isinstance(content, dict):
        repacked(path, content)
    else:
        path.write_bytes(content)
    with pytest.raises(FileError, match=message):
        verify_pack(path)


def test_a_pack_that_was_compressed_is_refused_before_any_of_it_is_unpacked(
    packed: Path, tmp_path: Path
) -> None:
    path = tmp_path / "a.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files(packed).items():
            archive.writestr(name, content)
    with pytest.raises(FileError, match="something in it is compressed"):
        verify_pack(path)


def test_a_pack_that_was_damaged_anywhere_is_no_sound_one(packed: Path, tmp_path: Path) -> None:
    whole = packed.read_bytes()
    path = tmp_path / "a.zip"
    for place in range(100, len(whole), len(whole) // 40):
        path.write_bytes(whole[:place] + bytes([whole[place] ^ 1]) + whole[place + 1 :])
        try:
            assert verify_pack(path).problems or checksum_of(path.read_bytes()) != checksum_of(
                whole
            )
        except FileError:
            continue


def test_a_photo_that_was_exchanged_is_not_packed(packed: Path, book: Path) -> None:
    (photo,) = photos_of(book, 1)
    photo.path.write_bytes(PNG + b"!")
    try:
        found = run(book, "1", "--out", str(book.with_name("bad.zip")))
        assert "is not the photo that was kept under this name" in found.output
        assert found.exit_code == 1
    finally:
        photo.path.write_bytes(PNG)


def test_hostile_text_of_a_case_is_inert_in_every_file(packed: Path) -> None:
    held = files(packed)
    for name in ("customer.html", "record.html"):
        page = held[name].decode()
        assert "<script" not in page
        assert "&lt;script&gt;" in page
        assert "\x1b" not in page
    cells = [cell for row in csv.reader(io.StringIO(held["log.csv"].decode())) for cell in row]
    assert any("calc" in cell for cell in cells)
    assert not any(cell.lstrip().startswith(("=", "+", "-", "@")) for cell in cells)
    assert not any("\x1b" in content.decode() for n, content in held.items() if "photos" not in n)


def test_hostile_text_does_not_steer_the_terminal(packed: Path, book: Path, tmp_path: Path) -> None:
    env = {"LOOPODDS_BOOK": str(book)}
    shown = CliRunner().invoke(main, ["compare", "1", "first", "last"], env=env).output
    assert "\x1b" not in shown
    evil = repacked(tmp_path / "a.zip", {**files(packed), "x\x1b[2J": b""})
    assert "\x1b" not in run(book, "--verify", str(evil)).output


@pytest.mark.parametrize(
    "words", [(), ("1",), ("--out", "x.zip"), ("1", "--verify", __file__)], ids=str
)
def test_a_call_that_says_too_little_or_too_much_is_refused(
    book: Path, words: tuple[str, ...]
) -> None:
    assert run(book, *words).exit_code == 2
