"""Calibrations: what is stored and applied, and everything that must be refused rather than corrected."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchkit.results import (
    ERROR_TERMS,
    Absent,
    Calibration,
    Standard,
    cascade,
    check_age,
    check_band,
    deembed,
    line_band,
    remove_dummies,
    residuals,
    solt,
    split_two_x_thru,
    trl,
)
from benchkit.results.calibration import apply
from tests.results.two_ports import Analyser, device, line, reflect

F = np.linspace(13.75e9, 14.5e9, 16)
N = F.size


def smooth_analyser(delay_s: float) -> Analyser:
    """Error boxes as cables make them: they turn with frequency."""
    turn = np.exp(-2j * np.pi * F * delay_s)
    box = line(360 * F * delay_s, 1.0)
    box[:, 0, 0], box[:, 1, 1] = 0.05 * turn, 0.08 * turn
    return Analyser(box, box[:, ::-1, ::-1], (0.05 * turn, 0.04 * turn), (np.zeros(N), np.zeros(N)))


def calibrated(delay_s: float = 0.1e-9, made_s: float = 1000.0) -> tuple[Analyser, Calibration]:
    analyser = smooth_analyser(delay_s)
    reflects = [Standard(n, analyser.measure(reflect(g, N)), reflect(g, N)) for n, g in (("short", -1), ("open", 1), ("load", 0))]
    thru = line(np.zeros(N))
    found = solt(F, reflects, Standard("thru", analyser.measure(thru), thru), made_s=made_s)
    assert isinstance(found, Calibration)
    return analyser, found


def trl_standards(degrees: np.ndarray) -> dict[str, np.ndarray]:
    return {"thru": line(np.zeros(N)), "reflect": reflect(-1.0, N), "line": line(degrees)}


def test_a_calibration_stored_as_arrays_is_the_same_afterwards():
    """It is made in the evening and applied to a record next year."""
    analyser, calibration = calibrated()
    raw = analyser.measure(device(np.random.default_rng(1), N))

    stored = calibration.to_arrays()
    again = Calibration.from_arrays(stored)

    assert all(isinstance(array, np.ndarray) and array.dtype.kind in "fcU" for array in stored.values())
    assert (again.kind, again.standards, again.reference) == ("SOLT", ("short", "open", "load", "thru"), calibration.reference)
    assert again.made_s == 1000.0
    assert (apply(again, F, raw) == apply(calibration, F, raw)).all()


def test_a_stored_calibration_that_lacks_something_is_refused():
    stored = calibrated()[1].to_arrays()

    with pytest.raises(ValueError, match="lacks reverse load match"):
        Calibration.from_arrays({name: array for name, array in stored.items() if name != "reverse load match"})
    with pytest.raises(ValueError, match="forward isolation has shape"):
        Calibration.from_arrays(stored | {"forward isolation": np.full(N, np.nan)})
    with pytest.raises(ValueError, match="nothing comes through"):
        Calibration.from_arrays(stored | {"forward transmission tracking": np.zeros(N)})
    with pytest.raises(ValueError, match="kind"):
        Calibration.from_arrays(stored | {"kind": "other"})


def test_nothing_is_corrected_outside_the_calibrated_band():
    _, calibration = calibrated()
    one = reflect(0.1, 1)

    for hz in (13.7e9, 14.6e9, math.nan):
        with pytest.raises(ValueError):
            apply(calibration, [hz], one, interpolate=True)
    with pytest.raises(ValueError, match=r"14.6 GHz is outside the calibrated band, 13.75 to 14.5 GHz"):
        check_band(calibration, [14e9, 14.6e9])
    check_band(calibration, F)


def test_frequencies_between_those_calibrated_need_to_be_asked_for():
    analyser, calibration = calibrated()
    truth = line(30 + np.zeros(N), 0.5)
    raw = analyser.measure(truth)
    half = replace(calibration, frequency_hz=F[::3], terms={n: v[::3] for n, v in calibration.terms.items()})

    with pytest.raises(ValueError, match="not one of the 6 calibrated frequencies"):
        apply(half, F, raw)
    assert apply(half, F[::3], raw[::3]) == pytest.approx(truth[::3], abs=1e-12)
    corrected = apply(half, F, raw, interpolate=True)

    assert corrected[::3] == pytest.approx(truth[::3], abs=1e-12)
    # 0.15 GHz of 0.1 ns cable, there and back: 10.8 degrees; short by up to 1 - cos(5.4 degrees) = 0.0044.
    error = np.abs(corrected - truth).max()
    assert 1e-6 < error < 0.006


def test_a_calibration_too_coarse_to_interpolate_is_not_interpolated():
    """A metre of cable turns by a quarter turn in 50 MHz: a line between two such points cuts across the circle."""
    _, calibration = calibrated(delay_s=5e-9)

    with pytest.raises(ValueError, match="too far apart to interpolate"):
        apply(calibration, [13.76e9], reflect(0.1, 1), interpolate=True)


def test_a_point_without_reading_stays_without():
    analyser, calibration = calibrated()
    raw = analyser.measure(line(np.full(N, 30.0)))
    raw[3] = np.nan

    corrected = apply(calibration, F, raw)

    assert np.isnan(corrected[3]).all()
    assert np.isfinite(np.delete(corrected, 3, axis=0)).all()


def test_an_old_calibration_is_refused_with_its_age():
    _, calibration = calibrated(made_s=1000.0)

    assert check_age(calibration, 4600.0, 3600.0) == 3600.0
    with pytest.raises(ValueError, match="3601 s old, more than the 3600 s"):
        check_age(calibration, 4601.0, 3600.0)
    with pytest.raises(ValueError, match="clocks"):
        check_age(calibration, 900.0, 3600.0)
    with pytest.raises(ValueError, match="not known"):
        check_age(replace(calibration, made_s=math.nan), 900.0, 3600.0)


def test_a_line_out_of_its_band_gives_no_calibration_but_the_band():
    """Near 180 degrees a TRL returns numbers that look well and are noise."""
    degrees = 155 * F / F[0]
    raw = {name: smooth_analyser(0.1e-9).measure(s) for name, s in trl_standards(degrees).items()}

    absent = trl(F, **raw, line_delay_s=155 / 360 / F[0], reflect_sign=-1, switch_terms=smooth_analyser(0.1e-9).switch)

    assert isinstance(absent, Absent)
    assert "the line is 160.1 degrees longer than the thru at 14.2 GHz" in absent.reason
    assert "usable (20 to 160 degrees) from 13.75 to 14.15 GHz of this sweep" in absent.reason


def test_a_line_that_is_not_what_it_is_said_to_be_gives_no_calibration():
    band = line_band(F, line(np.zeros(N)), line(np.full(N, 90.0)), 130 / 360 / 14e9)

    assert isinstance(band, Absent)
    assert "measures 90 degrees" in band.reason


def test_trl_of_a_perfect_analyser():
    """Error boxes without any reflection are where Engen and Hoer's quadratic has no quadratic term."""
    none = np.zeros(N)
    perfect = Analyser(line(none), line(none), (none, none), (none, none))
    truth = device(np.random.default_rng(4), N)
    raw = {name: perfect.measure(s) for name, s in trl_standards(np.full(N, 90.0)).items()}

    found = trl(F, **raw, line_delay_s=0.25 / 14e9, reflect_sign=-1)

    assert isinstance(found, Calibration)
    # scikit-rf puts 1e-7 in place of the reflections that are zero.
    assert np.abs(apply(found, F, truth) - truth).max() < 1e-6


def test_standards_that_look_alike_give_no_calibration():
    """An offset short and an offset open meet on the chart once per quarter wave of their difference."""
    same = [Standard(name, reflect(g, N), reflect(g, N)) for name, g in (("short", -1.0), ("open", -0.95 + 0.1j), ("load", 0.0))]
    thru = Standard("thru", line(np.zeros(N)), line(np.zeros(N)))

    absent = solt(F, same, thru)

    assert isinstance(absent, Absent)
    assert "0.112 apart at 13.75 GHz" in absent.reason


def test_bad_calls_of_calibrations_are_refused():
    _, calibration = calibrated()
    thru = Standard("thru", line(np.zeros(N)), line(np.zeros(N)))
    reflects = [Standard(name, reflect(g, N), reflect(g, N)) for name, g in (("short", -1), ("open", 1), ("load", 0))]
    raw = trl_standards(np.full(N, 90.0))

    with pytest.raises(ValueError, match="three or more"):
        solt(F, reflects[:2], thru)
    with pytest.raises(ValueError, match="lets nothing through"):
        solt(F, reflects, reflects[0])
    with pytest.raises(ValueError, match="short has 16 points, frequency has 15"):
        solt(F[1:], reflects, thru)
    with pytest.raises(ValueError, match="reflect_sign"):
        trl(F, **raw, line_delay_s=1e-11, reflect_sign=0)
    with pytest.raises(ValueError, match="above zero"):
        trl(F, **raw, line_delay_s=0.0, reflect_sign=-1)
    with pytest.raises(ValueError, match="switch terms"):
        trl(F, **raw, line_delay_s=1e-11, reflect_sign=-1, switch_terms=(np.zeros(2), np.zeros(2)))
    with pytest.raises(ValueError, match="no reading"):
        Standard("short", np.full((N, 2, 2), np.nan), reflect(-1, N))
    with pytest.raises(ValueError, match="ideal 15"):
        Standard("short", reflect(-1, N), reflect(-1, N - 1))
    with pytest.raises(ValueError, match="ascending"):
        apply(calibration, F[::-1], reflect(0.1, N))
    with pytest.raises(ValueError, match="raw S has 2 points"):
        apply(calibration, F, reflect(0.1, 2))
    with pytest.raises(ValueError, match="12 terms"):
        replace(calibration, terms={n: calibration.terms[n] for n in ERROR_TERMS[1:]})
    with pytest.raises(ValueError, match="line has 15"):
        residuals(calibration, [Standard("line", line(np.zeros(15)), line(np.zeros(15)))])


def test_a_fixture_that_lets_nothing_through_hides_the_device():
    blocked = line(np.zeros(N), 61.0)

    absent = deembed(line(np.zeros(N)), blocked)

    assert isinstance(absent, Absent)
    assert "left fixture passes only 0.00089" in absent.reason


def test_bad_calls_of_de_embedding_are_refused():
    one = line(np.zeros(N))

    with pytest.raises(ValueError, match="nothing to remove"):
        deembed(one)
    with pytest.raises(ValueError, match="right fixture has 3 points"):
        deembed(one, right=line(np.zeros(3)))
    with pytest.raises(ValueError, match="no reading"):
        deembed(one, np.full((N, 2, 2), np.nan))
    with pytest.raises(ValueError, match="no two-port"):
        cascade()
    with pytest.raises(ValueError, match="needs the short dummy"):
        remove_dummies(one, "open-short", opened=one)
    with pytest.raises(ValueError, match="no use for the short dummy"):
        remove_dummies(one, "open", opened=one, shorted=one)
    with pytest.raises(ValueError, match="method"):
        remove_dummies(one, "thru", opened=one)


def test_a_sweep_that_does_not_start_at_its_step_cannot_be_split_in_time():
    """The missing low frequencies would have to be made up."""
    absent = split_two_x_thru(F, line(np.zeros(N)))

    assert isinstance(absent, Absent)
    assert "1, 2, 3, ... times the first" in absent.reason
    with pytest.raises(ValueError, match="16 or more"):
        split_two_x_thru([1e9], line([0.0]))
