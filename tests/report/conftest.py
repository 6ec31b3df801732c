"""Records are made once: a report changes nothing in them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from benchkit.campaign.shortcuts import rehearse
from benchkit.report import write_report
from benchkit.report.options import ReportOptions
from tests.report.many import UNITS, two_channels
from tests.report.page import Page
from tests.report.sample import ROOT, Sample, write_sample


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("reports")


@pytest.fixture(scope="session")
def record(folder: Path) -> Path:
    """One whole night, measured."""
    return write_sample(folder / "night.h5")


@pytest.fixture(scope="session")
def rehearsed(folder: Path) -> Path:
    """One whole night on the twin, as the command line does it."""
    return rehearse(ROOT / "kd14_overnight.yaml", folder / "rehearsed.h5", operator="E. Example").record


@pytest.fixture(scope="session")
def page(record: Path, folder: Path) -> Page:
    return Page(write_report([record], folder / "night.html"))


@pytest.fixture(scope="session")
def rehearsed_page(rehearsed: Path, folder: Path) -> Page:
    return Page(write_report([rehearsed], folder / "rehearsed.html"))


@pytest.fixture(scope="session")
def both(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Two units with two channels; the first once more with finer steps, so that its readings are other ones."""
    folder = tmp_path_factory.mktemp("channels")
    return [
        two_channels(folder, UNITS[0], name="first"), two_channels(folder, UNITS[1], name="second"),
        two_channels(folder, UNITS[0], ("step: 1 dB", "step: 0.5 dB"), name="again"),
    ]  # fmt: skip


@pytest.fixture
def report(tmp_path: Path) -> Callable[..., Page]:
    """Samples to a page."""

    def make(*samples: Sample, options: ReportOptions | None = None) -> Page:
        records = [write_sample(tmp_path / f"record{place}.h5", sample) for place, sample in enumerate(samples)]
        return Page(write_report(records, tmp_path / "report.html", options))

    return make
