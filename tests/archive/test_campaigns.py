"""The campaigns that run for a stated time, for a moment: that they work, and what they find."""

from __future__ import annotations

from pathlib import Path

import fuzz
import kills
import pytest


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")  # threads of arrow, idle then
@pytest.mark.parametrize("kind", ["csv", "gzip", "parquet"])
def test_killed_and_taken_up_nothing_is_lost_and_every_byte_is_the_same(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kills, "ROWS", 600)
    done = kills.campaign(kind, count=6, seed=7)
    assert done.kills == 6
    assert done.midway
    assert (done.lost, done.different) == (0, 0)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
@pytest.mark.parametrize(("kind", "count"), [("append", 3), ("fleet", 1)])
def test_a_grown_archive_and_a_page_are_taken_up_where_they_were_killed(
    kind: str, count: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kills, "ROWS", 200)
    monkeypatch.setattr(kills, "ADVISED_ROWS", 40)
    done = kills.campaign(kind, count=count, seed=5)
    assert done.kills == count
    assert (done.lost, done.different) == (0, 0)


@pytest.mark.slow
@pytest.mark.parametrize("target", ["case_files", "archives", "entries"])
def test_kept_inputs_end_in_an_answer_or_an_error_of_its_own_kind(
    target: str, tmp_path: Path
) -> None:
    seeds, check = fuzz.TARGETS[target](tmp_path)
    kept = sorted((fuzz.CORPUS / target).iterdir())
    assert len(kept) > 5
    for data in [*seeds, *(path.read_bytes() for path in kept)]:
        fuzz.outcome(check, data)


def test_an_input_that_breaks_the_program_is_kept_and_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def brittle(folder: Path) -> tuple[list[bytes], fuzz.Check]:
        def check(data: bytes) -> str:
            return str(data.decode())  # whatever is no UTF-8 is a traceback

        return [b"gr\xc3\xbc\xc3\x9fe"], check

    monkeypatch.setattr(fuzz, "TARGETS", {"brittle": brittle})
    monkeypatch.setattr(fuzz, "CORPUS", tmp_path)
    monkeypatch.setattr(fuzz, "FAILING", tmp_path / "failing")
    result = fuzz.attack("brittle", 0.2, 1, tmp_path / "current")
    (end,) = {found.split(":")[0] for found in result["failing"]}
    assert end == "FAILED UnicodeDecodeError"
    assert list((tmp_path / "failing").iterdir())
