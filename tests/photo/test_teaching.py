"""Labelled photos move the link between scale and words, or nothing is written."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from loopodds.base.errors import FileError, InspectionError, KnowledgeError
from loopodds.knowledge.records import PHOTO, Knowledge
from loopodds.photo import teaching
from loopodds.photo.links import links_of, photo_likelihoods, weights_of
from loopodds.photo.liquids import Glass, family
from loopodds.photo.pictures import Picture
from loopodds.photo.reading import Reading
from loopodds.photo.teaching import LEARNT, Labelled, learn_photos, learnt
from loopodds_cli.main import main
from photo_shots import read, rendered

DARK = links_of(Knowledge())["sample_darkening"]


def photo(dark: float, word: str, spread: float = 0.3) -> Labelled:
    """A photo that was read as so dark."""
    liquids = family()
    posterior = liquids.weight * np.exp(-(((liquids.dark - dark) / spread) ** 2) / 2)
    return Labelled("", posterior / posterior.sum(), {"sample_darkening": word})


def test_places_go_as_far_as_the_photos_weigh():
    rng = np.random.default_rng(3)
    told = [photo(rng.normal(4.0, 0.5), "light_grey") for _ in range(45)]
    moved = learnt("sample_darkening", DARK, told)
    place = moved.states["light_grey"]
    # 45 photos about 4.0 against a weight of 5 at 3.2
    assert place.mean == pytest.approx((45 * 4.0 + 5 * 3.2) / 50, abs=0.15)
    assert place.spread < 0.8
    assert 30 < place.weight <= 50
    assert place.source == LEARNT
    assert moved.states["brown"] == DARK.states["brown"]
    few = learnt("sample_darkening", DARK, told[:3]).states["light_grey"]
    assert 3.2 < few.mean < place.mean
    assert learnt("sample_darkening", DARK, []) == DARK


def test_a_slip_hardly_moves_anything():
    told = [photo(3.2, "light_grey") for _ in range(20)]
    once = learnt("sample_darkening", DARK, [*told, photo(12.0, "light_grey")])
    never = learnt("sample_darkening", DARK, told)
    assert once.states["light_grey"].mean == pytest.approx(
        never.states["light_grey"].mean, abs=0.15
    )


@pytest.fixture
def labelled(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Makes a folder of photos whose readings are those given; pictures themselves are one."""

    def made(rows: list[tuple[float, str]]) -> Path:
        folder = tmp_path / "photos"
        folder.mkdir(exist_ok=True)
        lines = ["file,path,sample_darkening"]
        queue = []
        base = read(rendered())
        for number, (dark, word) in enumerate(rows):
            (folder / f"{number}.jpg").write_bytes(b"x")
            lines.append(f"{number}.jpg,14 mm,{word}")
            shown = photo(dark, word).posterior
            assert base.measured is not None
            queue.append(base.measured._replace(posterior=shown))
        (folder / "labels.csv").write_text("\n".join(lines), encoding="utf-8")
        left = iter(queue)

        def told(picture: Picture, glass: Glass | None) -> Reading:
            return Reading((), glass, next(left), None, (), 0.0, 0.0, picture)

        monkeypatch.setattr(teaching, "open_picture", lambda _: base.picture)
        monkeypatch.setattr(teaching, "read_picture", told)
        return folder

    return made


def drawn(shift: float, count: int = 120) -> list[tuple[float, str]]:
    rng = np.random.default_rng(8)
    words = rng.choice([*DARK.states], count)
    return [
        (float(np.clip(rng.normal(DARK.states[w].mean + shift, DARK.states[w].spread), 0.3, 13)), w)
        for w in words
    ]


def test_what_is_learnt_is_used_by_whoever_reads_with_it(labelled: Any, tmp_path: Path):
    result = learn_photos(labelled(drawn(1.2)), tmp_path / "ours")
    assert result.written
    assert result.used == 120
    assert result.scores["sample_darkening"].gain > 0
    ours = Knowledge(tmp_path / "ours")
    assert ours.digest != Knowledge().digest
    link = links_of(ours)["sample_darkening"]
    assert link.states["brown"].mean > DARK.states["brown"].mean + 0.5
    assert ours.sources[LEARNT].note == "120 labelled photos of samples."
    reading = read(rendered())
    assert photo_likelihoods(reading, ours) != photo_likelihoods(reading, Knowledge())


def test_nothing_is_written_where_photos_are_told_apart_worse(labelled: Any, tmp_path: Path):
    # the photos that judge lie where the shipped links have them, the others do not
    rows = drawn(0.0)
    other = {"none": "black", "black": "none", "light_grey": "brown", "brown": "light_grey"}
    mixed = [(d, w) if n % 5 == 0 else (d, other[w]) for n, (d, w) in enumerate(rows)]
    result = learn_photos(labelled(mixed), tmp_path / "worse")
    assert not result.written
    assert result.scores["sample_darkening"].gain < 0
    assert not (tmp_path / "worse").exists()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("file,path\n", "needs a column of sample_darkening or sample_greenness"),
        ("file,sample_darkening\n", "needs the column 'path'; has file, sample_darkening"),
        ("file,path,sample_darkening\na.jpg,14 mm,borwn\n", "row 2: sample_darkening: unknown "
         "state 'borwn'; did you mean 'brown'?"),
        ("file,path,sample_darkening\n../a.jpg,14 mm,brown\n", "'../a.jpg' is no name of a file"),
        ("file,path,sample_darkening\na.jpg,14 mm,brown\nb.jpg,14 mm,brown\n", "row 3: there is no "
         "file 'b.jpg' in this folder"),
        ("file,path,sample_darkening\na.jpg,14,brown\n", "row 2: path: '14' is no length"),
        ("file,path,sample_darkening\na.jpg,14 mm,brown\n", "0 photos can be used; at least 20 are "
         "needed (a.jpg: this is no JPEG or PNG picture"),
    ],
)  # fmt: skip
def test_labels_that_cannot_be_used_are_named(tmp_path: Path, text: str, said: str):
    (tmp_path / "labels.csv").write_text(text, encoding="utf-8")
    (tmp_path / "a.jpg").write_bytes(b"no picture")
    with pytest.raises((InspectionError, FileError)) as caught:
        learn_photos(tmp_path, tmp_path / "out")
    assert said in str(caught.value)


def test_the_command_tells_what_moved(labelled: Any, tmp_path: Path):
    folder = labelled(drawn(1.2))
    shown = CliRunner().invoke(main, ["photo", "learn", str(folder), "--out", str(tmp_path / "o")])
    assert shown.exit_code == 0, shown.output
    assert "120 PHOTOS LEARNT FROM" in shown.output
    assert "light grey" in shown.output
    assert "not validated on real samples" in " ".join(shown.output.split())


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("spread = 0.7", "spread = 0.0"),
        ("[sample_darkening.states.none]", "[sample_darkening.states.nine]"),
        ('axis = "dark"', 'axis = "dork"'),
        ("mean = 1.2", "meen = 1.2"),
    ],
)
def test_a_link_that_cannot_be_is_refused_with_its_place(change: str, said: str):
    texts = {**Knowledge().texts}
    texts[PHOTO] = texts[PHOTO].replace(change, said, 1)
    with pytest.raises(KnowledgeError, match=r"^photo\.toml: sample_darkening"):
        links_of(Knowledge.of_texts(texts))


def test_a_likelihood_is_never_quite_zero():
    weights = weights_of(DARK, photo(0.5, "none", 0.1).posterior)
    assert weights.min() > 0
    assert weights[0] == 1
