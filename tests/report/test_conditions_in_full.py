"""Promise: a report says at which planes, at which case temperatures and beside what its numbers were measured."""

from __future__ import annotations

from pathlib import Path

import pytest

import benchkit
from benchkit.record import Record, export_touchstone
from benchkit.report import write_report
from benchkit.report.conditions import conditions_of
from benchkit.report.reading import read_sources
from tests.report.page import Page
from tests.scenario import BIASED_ONLY, ROOT, S_PARAMETERS, changed

PLANE = "package pins, evaluation board and bias tees taken out by path tables and calibration"
FEW = tuple(
    (f"from: {low}, to: {high}, step: 25 MHz", "from: 13.75 GHz, to: 14.5 GHz, step: 250 MHz")
    for low, high in (("13.75 GHz", "14.5 GHz"), ("13.5 GHz", "14.75 GHz"))
)


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("conditions")
    sequence = changed(
        S_PARAMETERS, folder, ("bench: benches/kd14_full.yaml\n", ""), BIASED_ONLY, *FEW,
        ("values: [-30 degC, 25 degC, 70 degC]", "values: [-30 degC, 25 degC]"),
    )  # fmt: skip
    bench = ROOT / "sequences" / "benches" / "kd14_full.yaml"
    return benchkit.rehearse(sequence, folder / "r.h5", bench=bench, unit="L07-W1-01", seed=1).record


def test_planes_case_and_other_channels_stand_in_the_conditions(record: Path) -> None:
    told = dict(conditions_of(read_sources([record])))
    with Record.open(record) as opened:
        points = opened.points()
    cold = points.loc[points["temperature_set_degc"] == -30, "case_degc"]

    assert told["Device's planes"] == PLANE
    assert told["Other channels"] == "one channel is biased at a time, the others unpowered"
    ends = " to ".join(
        dict.fromkeys(f"{one:.1f} °C".replace("-", "\N{MINUS SIGN}") for one in (cold.min(), cold.max()))
    )
    assert told["Case temperature"].startswith(f"{ends} at ")
    page = Page(write_report([record], record.with_name("page.html"))).text
    assert PLANE in page
    # One wording for currents and voltages, the same as in the table of results.
    assert "Drain and gate current drain pin, gate pin" in page
    assert "Drain voltage supply terminals" in page


def test_a_touchstone_file_says_what_the_planes_are(record: Path, tmp_path: Path) -> None:
    with Record.open(record) as opened:
        files = export_touchstone(opened, tmp_path / "ts")

    assert all(f"! device's planes: {PLANE}" in one.read_text("ascii") for one in files)
