"""A short run of the benchmark: what it would say of hundreds, said of a few."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="module")
def campaign() -> ModuleType:
    path = Path(__file__).parents[1] / "benchmarks" / "photo.py"
    spec = importlib.util.spec_from_file_location("photo_campaign", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.slow
def test_a_few_photos_of_every_kind(
    campaign: ModuleType, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
):
    campaign.good(3, 40)
    told = capsys.readouterr().out
    assert "good photos, first renderer: 3, refused 0.000" in told
    assert "scale: within .5 1.000" in told
    campaign.good(4, 40, "held-out")
    told = capsys.readouterr().out
    assert "held-out renderer: 4, refused 0.000" in told
    some = {kind: campaign.WRONG[kind] for kind in ("hand", "cup of coffee", "fogged glass")}
    monkeypatch.setattr(campaign, "WRONG", some)
    monkeypatch.setattr(campaign, "ALIKE", {})
    campaign.wrong(1, 40)
    assert "wrong scenes: 1.000 of 3 refused" in capsys.readouterr().out
