"""`twin: {errors: as stated}`: a simulated bench is as wrong as its file says it may be, nowhere more, in every way it states."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from benchkit.bench.load import Bench, load_bench
from benchkit.bench.model import MismatchSettings
from benchkit.clock import VirtualClock
from sim_instruments.instruments.factory import make_instrument
from sim_instruments.instruments.network_drift import NetworkDrift
from sim_instruments.instruments.noise import StatedError, SystematicError, error_within
from sim_instruments.ledger import Ledger
from sim_instruments.physics.mismatch import PortMismatch
from sim_instruments.world import World
from tests.benchmarks.coverage import FULL, stated_bench
from tests.twin.instruments.conftest import Console, DeskWorld

SEEDS = range(400)


def test_an_error_lies_anywhere_within_its_limit_equally_likely() -> None:
    """What a budget takes it for: u = a / sqrt(3) (JCGM 100, 4.3.7)."""
    drawn = np.array([StatedError(seed, "meter", period=900e6).at(14.1e9) for seed in SEEDS])

    assert np.abs(drawn).max() <= 1
    assert np.abs(np.quantile(drawn, [0.1, 0.3, 0.5, 0.7, 0.9]) - [-0.8, -0.4, 0.0, 0.4, 0.8]).max() < 0.15
    assert drawn.std() == pytest.approx(1 / math.sqrt(3), abs=0.04)


def test_without_being_asked_errors_stay_what_they_were() -> None:
    """Two rehearsals of one seed give one record, whichever version: the default draws nothing anew."""
    assert isinstance(error_within(1, "meter", period=1.0, errors="mostly within"), SystematicError)
    assert isinstance(error_within(1, "meter", period=1.0, errors="as stated"), StatedError)


def test_drift_grows_from_nothing_to_its_limit_and_linearity_is_that_of_a_difference() -> None:
    hz = np.linspace(13.75e9, 14.5e9, 31)
    true = np.broadcast_to(np.array([[0.3, 0.002], [15.0, 0.35]], dtype=complex), (31, 2, 2))
    worst = []
    for seed in SEEDS:
        drift = NetworkDrift(seed, "analyser", 0.0, 0.03, 100.0)
        assert np.abs(drift.seen(true, hz, 100.0) / true - 1).max() < 1e-12
        late = drift.seen(true, hz, 100.0 + 24 * 3600.0) / true
        worst.append(float(np.abs(20 * np.log10(np.abs(late))).max()))
    assert 0.02 < max(worst) <= 0.03 + 1e-9

    levels = 10 ** (-np.linspace(0.0, 60.0, 121) / 20)
    sweep = np.zeros((121, 2, 2), dtype=complex)
    sweep[:, 0, 0] = levels
    for seed in SEEDS[:50]:
        seen = NetworkDrift(seed, "analyser", 0.02, 0.0, 0.0).seen(sweep, np.full(121, 14e9), 0.0)
        off_db = 20 * np.log10(np.abs(seen[:, 0, 0]) / levels)
        assert 0.018 < np.ptp(off_db) <= 0.02 + 1e-9


@pytest.mark.parametrize(
    ("convention", "part"), [("known magnitudes", math.sqrt(2.0)), ("largest magnitudes", 1 / math.sqrt(2.0))]
)
def test_mismatch_has_the_standard_deviation_that_its_convention_says(convention: str, part: float) -> None:
    """Of a power: sqrt(2) rho rho for known magnitudes (EA-4/02, S6), half for anywhere in the disc (meter makers' guides)."""
    stated = MismatchSettings.model_validate(
        {"path_return_loss": "20 dB", "device_return_loss": "14 dB", "convention": convention}, strict=False
    )
    product = 10 ** (-34 / 20)

    drawn = [PortMismatch(stated, seed, "A", "output").gain_db(14e9) for seed in range(3000)]

    assert np.std(drawn) == pytest.approx(part * product * 10 / math.log(10), rel=0.06)
    assert max(map(abs, drawn)) <= -20 * math.log10(1 - product)


def world_of(bench: Bench) -> World:
    return World(bench, VirtualClock(), ledger=Ledger(), seed=5, unit="L07-W1-01")


def test_a_bench_as_stated_is_mismatched_where_the_file_says_so_and_others_are_not(tmp_path: Path) -> None:
    stated, plain = world_of(load_bench(stated_bench(tmp_path))), world_of(load_bench(FULL))

    for drawn, matched in zip(stated.channels, plain.channels, strict=True):
        path = matched.input_path
        assert drawn.input_mismatch is not None
        assert drawn.output_mismatch is not None
        assert matched.input_mismatch is None
        assert matched.output_mismatch is None
        assert matched.at_meter_dbm(path, 0.0, 14e9) == -path.loss_db(14e9)
        assert drawn.at_meter_dbm(path, 0.0, 14e9) == pytest.approx(drawn.output_mismatch.gain_db(14e9) - path.loss_db(14e9))
        # With a standard or a sensor in the fixture it is not the device that reflects.
        drawn.fixture.put("thru")
        assert drawn.at_meter_dbm(path, 0.0, 14e9) == -path.loss_db(14e9)


def test_a_source_and_a_meter_never_leave_their_accuracy(tmp_path: Path) -> None:
    """Linearity lies within the accuracy: a level is off by no more than that, two levels by no more than linearity."""
    bench = load_bench(stated_bench(tmp_path)).file
    for seed in SEEDS[:40]:
        desk = DeskWorld()
        source, meter = (
            Console(make_instrument(name, bench, desk, file="bench.yaml", seed=seed, t=0.0), 0.0)
            for name in ("rf_source", "output_meter")
        )
        source.write("FREQ 14.1 GHZ;:OUTP ON")
        meter.write("FREQ 14.1 GHZ;:AVER:COUN 64")
        off_db: dict[str, list[float]] = {"source": [], "meter": []}
        for level_dbm in range(-20, 11, 2):
            source.t = max(source.t, meter.t)
            source.write(f"POW {level_dbm} DBM")
            off_db["source"].append(desk.source["level_dbm"] - level_dbm)
            desk.level_dbm = float(level_dbm)
            off_db["meter"].append(float(meter.ask("READ?")) - level_dbm)
        # Noise of 64 readings and half a step on top.
        assert max(map(abs, off_db["source"])) <= 0.4
        assert np.ptp(off_db["source"]) <= 0.02 + 1e-9
        assert max(map(abs, off_db["meter"])) <= 0.12 + 0.003
        assert np.ptp(off_db["meter"]) <= 0.02 + 0.005
