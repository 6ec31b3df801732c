"""What instruments hold on their connectors: on its way from one setting to the next, in closed form."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from benchkit.bench.load import Bench
from benchkit.bench.paths import LossPath
from sim_instruments.physics.paths import PathTruth
from sim_instruments.physics.settling import Settling
from sim_instruments.physics.source import SourcePort
from sim_instruments.physics.supply import SupplyPort


def test_a_voltage_is_within_a_thousandth_after_its_settling_time_and_visibly_off_before() -> None:
    """Who measures too early must see it; who waits must not."""
    voltage = Settling(10e-3, 0.0)
    voltage.move(1.0, 6.0)

    assert voltage.at(1.0) == 0.0
    assert voltage.at(1.001) == pytest.approx(6.0 * (1 - math.exp(-0.7)))
    assert abs(voltage.at(1.010) - 6.0) < 6e-3
    assert voltage.at(1.1) == 6.0


def test_a_voltage_redirected_on_its_way_starts_where_it_is() -> None:
    voltage = Settling(10e-3, 0.0)
    voltage.move(0.0, 6.0)
    before = voltage.at(0.002)
    voltage.move(0.002, -1.0)

    assert voltage.at(0.002) == pytest.approx(before)


def test_the_moment_a_level_is_reached_is_exact() -> None:
    """The ledger judges what stood on the gate when the drain came on; a guessed moment would judge wrongly."""
    voltage = Settling(7e-3, -2.5)
    voltage.move(0.0, 0.0)
    t = voltage.reaches(-1.6, 0.0)

    assert voltage.at(t) == pytest.approx(-1.6)
    assert voltage.reaches(0.1, 0.0) == math.inf
    assert voltage.reaches(-3.0, 0.5) == 0.5


def test_a_jump_without_settling_time_is_immediate() -> None:
    voltage = Settling(0.0, 1.0)
    voltage.move(3.0, 2.0)

    assert voltage.at(3.0) == 2.0
    assert voltage.reaches(1.5, 3.0) == 3.0


def test_a_source_switched_on_comes_up_from_nothing_and_off_goes_at_once() -> None:
    source = SourcePort("s", 5e-3, 0.3)
    source.change(0.0, 14e9, 3.0, True)

    assert source.level_dbm(0.0) == -math.inf
    assert -10 < source.level_dbm(0.1e-3) < 0
    assert source.level_dbm(5e-3) == pytest.approx(3.0, abs=0.005)
    source.change(0.1, 14e9, 3.0, False)
    assert source.level_dbm(0.1) == -math.inf


def test_a_step_up_overshoots_by_no_more_than_stated_and_says_when_it_peaks() -> None:
    """The proof before power counts on the stated overshoot; the ledger looks at the peak."""
    source = SourcePort("s", 5e-3, 0.3)
    source.change(0.0, 14e9, 0.0, True)
    source.change(0.1, 14e9, 1.0, True)
    times = 0.1 + np.linspace(0, 10e-3, 4001)
    levels = [source.level_dbm(t) for t in times]

    assert 1.2 < max(levels) <= 1.3
    assert times[int(np.argmax(levels))] == pytest.approx(source.look_at, abs=5e-6)
    assert source.level_dbm(0.1 + 5e-3) == pytest.approx(1.0, abs=0.01)


def test_a_step_down_does_not_overshoot_and_a_large_one_settles_in_decibels() -> None:
    source = SourcePort("s", 5e-3, 0.3)
    source.change(0.0, 14e9, 10.0, True)
    source.change(0.1, 14e9, -20.0, True)
    levels = [source.level_dbm(0.1 + k * 1e-4) for k in range(100)]

    assert all(b <= a for a, b in pairwise(levels))
    assert source.level_dbm(0.105) == pytest.approx(-20.0, abs=0.03)


def test_a_retuned_source_dips() -> None:
    source = SourcePort("s", 5e-3, 0.3)
    source.change(0.0, 14e9, 0.0, True)
    source.change(0.1, 14.1e9, 0.0, True)

    assert source.level_dbm(0.1) == pytest.approx(-3.0)
    assert source.level_dbm(0.105) == pytest.approx(0.0, abs=0.01)


def test_an_output_that_was_never_told_anything_is_off_at_nothing() -> None:
    port = SupplyPort("drain_supply", 1, 10e-3)

    assert not port.is_on
    assert port.open_voltage_v(5.0) == 0.0
    assert port.over_voltage_at(5.0) == math.inf


def test_a_path_is_off_from_its_table_by_what_its_uncertainty_allows() -> None:
    """Standard deviation U / 2 over many paths: k = 2 means what it says, no more and no less."""
    path = LossPath.table("p", (13e9, 15e9), (20.0, 21.0), (0.3, 0.3), "p.csv")
    errors = [PathTruth(path, seed).loss_db(14e9) - path.loss_db(14e9) for seed in range(600)]

    assert np.std(errors) == pytest.approx(0.15, rel=0.1)
    assert abs(np.mean(errors)) < 3 * 0.15 / math.sqrt(600)


def test_a_path_has_a_loss_outside_its_table_too(bench: Bench) -> None:
    """Only who measures must not extrapolate; a harmonic at 28 GHz meets a real cable."""
    truth = PathTruth(bench.paths["output_a"], 1)

    assert truth.loss_db(28.25e9) > truth.loss_db(15.5e9)
    assert truth.loss_db(10e6) < truth.loss_db(13e9)


def test_two_paths_of_one_bench_are_off_by_different_amounts(bench: Bench) -> None:
    a, b = (PathTruth(bench.paths[name], 1).loss_db(14e9) - bench.paths[name].loss_db(14e9) for name in ("output_a", "output_b"))

    assert a != b
