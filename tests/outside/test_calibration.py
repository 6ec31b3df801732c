"""
Outside checks of calibrations: the truth is known because the error boxes were put there, by formulas not scikit-rf's.

Rehnmark's and Marks's error models (IEEE Trans. MTT 22 (1974) 457; 50th ARFTG Digest (1997) 115), Engen and Hoer's TRL
(MTT 27 (1979) 987), Koolen's dummies (BCTM 1991, 188), IEEE 370-2020's self-check, Butterworth's prototype (Pozar, Table 8.3).
"""

from __future__ import annotations

import numpy as np
import pytest
import skrf
from hypothesis import given
from hypothesis import strategies as st

from benchkit.results import (
    ERROR_TERMS,
    Absent,
    Calibration,
    Halves,
    Standard,
    cascade,
    deembed,
    line_band,
    remove_dummies,
    residuals,
    solt,
    split_two_x_thru,
    trl,
    turn_round,
)
from benchkit.results.calibration import apply
from tests.results.two_ports import Analyser, chain, device, from_abcd, line, reflect

F = np.array([13.75e9, 14.0e9, 14.25e9, 14.5e9])
N = F.size
seeds = st.integers(0, 2**32 - 1)


def solt_of(analyser: Analyser, thru: np.ndarray, **options) -> Calibration:
    gammas = {"short": -0.98 * np.exp(-0.3j), "open": 0.97 * np.exp(-0.4j), "load": 0.02 + 0.01j}
    reflects = [Standard(name, analyser.measure(reflect(g, N)), reflect(g, N)) for name, g in gammas.items()]
    found = solt(F, reflects, Standard("thru", analyser.measure(thru), thru), **options)
    assert isinstance(found, Calibration)
    return found


@given(seeds)
def test_solt_recovers_the_device_behind_random_error_boxes(seed):
    """Kruppa and Sodomsky's 12 terms, crosstalk included: exact, with a thru that is not flush either."""
    rng = np.random.default_rng(seed)
    analyser, truth = Analyser.random(rng, N, crosstalk=0.01), device(rng, N)
    isolation = analyser.measure(reflect(0.0, N))

    calibration = solt_of(analyser, line(35.0, 0.2) + np.zeros((N, 2, 2)), isolation=isolation)

    assert np.abs(apply(calibration, F, analyser.measure(truth)) - truth).max() < 1e-9


@given(seeds)
def test_trl_recovers_device_line_and_reflect_behind_random_error_boxes(seed):
    """Engen and Hoer: reflect -0.9-0.1j and a line of 3 dB and 45 degrees, unknown to the calibration, come back exactly."""
    rng = np.random.default_rng(seed)
    analyser, truth = Analyser.random(rng, N), device(rng, N)
    gamma, delay = -0.9 - 0.1j, 45 / 360 / 14.125e9
    degrees = 360 * F * delay
    raw = {"thru": line(np.zeros(N)), "reflect": reflect(gamma, N), "line": line(degrees, 3.0)}
    raw = {name: analyser.measure(s) for name, s in raw.items()}

    calibration = trl(F, **raw, line_delay_s=1.2 * delay, reflect_sign=-1, switch_terms=analyser.switch)

    assert isinstance(calibration, Calibration)
    assert np.abs(apply(calibration, F, analyser.measure(truth)) - truth).max() < 1e-6
    assert np.abs(apply(calibration, F, raw["line"]) - line(degrees, 3.0)).max() < 1e-6
    assert np.abs(apply(calibration, F, raw["reflect"])[:, 0, 0] - gamma).max() < 1e-6
    assert np.abs(apply(calibration, F, raw["reflect"])[:, 1, 1] - gamma).max() < 1e-6


def test_solt_and_trl_of_one_analyser_give_the_same_twelve_terms():
    """Marks's conversion from 8 to 12 terms: with a 50 ohm line, both kinds must find what the analyser is made of."""
    analyser = Analyser.random(np.random.default_rng(5), N)
    known = solt_of(analyser, line(np.zeros(N)))
    raw = {"thru": line(np.zeros(N)), "reflect": reflect(-1.0, N), "line": line([60, 80, 100, 120])}
    raw = {name: analyser.measure(s) for name, s in raw.items()}
    delay = float(np.mean(np.array([60, 80, 100, 120]) / 360 / F))

    self_made = trl(F, **raw, line_delay_s=delay, reflect_sign=-1, switch_terms=analyser.switch)

    assert isinstance(self_made, Calibration)
    for name in ERROR_TERMS:
        assert self_made.terms[name] == pytest.approx(known.terms[name], abs=1e-6)
    assert known.terms["forward directivity"] == pytest.approx(analyser.left[:, 0, 0], abs=1e-12)
    assert known.terms["forward source match"] == pytest.approx(analyser.left[:, 1, 1], abs=1e-12)


def test_terms_agree_with_scikit_rf_conversion_of_its_own_trl():
    """scikit-rf's `coefs_12term`, where its switch terms are not zero."""
    analyser = Analyser.random(np.random.default_rng(8), N)
    raw = [analyser.measure(s) for s in (line(np.zeros(N)), reflect(-1.0, N), line(np.full(N, 90.0)))]
    networks = [skrf.Network(f=F, f_unit="Hz", s=s) for s in raw]
    switch = [skrf.Network(f=F, f_unit="Hz", s=g) for g in analyser.switch]
    reference = skrf.calibration.TRL(measured=networks, switch_terms=switch).coefs_12term

    ours = trl(
        F, thru=raw[0], reflect=raw[1], line=raw[2], line_delay_s=0.25 / 14.125e9, reflect_sign=-1, switch_terms=analyser.switch
    )

    assert isinstance(ours, Calibration)
    for name in (n for n in ERROR_TERMS if "isolation" not in n):
        assert ours.terms[name] == pytest.approx(reference[name], abs=1e-9)


@pytest.mark.parametrize(("degrees", "usable"), [(19.0, False), (21.0, True), (90.0, True), (159.0, True), (161.0, False)])
def test_length_of_the_line_is_measured_through_the_error_boxes(degrees, usable):
    """Similar matrices have the same eigenvalues (Engen and Hoer, eq. 24): fixtures do not change the line's phase."""
    analyser = Analyser.random(np.random.default_rng(2), N)
    analyser.switch = (np.zeros(N), np.zeros(N))
    thru, longer = analyser.measure(line(np.zeros(N))), analyser.measure(line(degrees * F / F[0], 0.3))

    found = line_band(F, thru, longer, degrees / 360 / F[0])

    assert not isinstance(found, Absent)
    assert found.phase_deg == pytest.approx(degrees * F / F[0], abs=1e-6)
    assert found.usable[0] == usable


@given(seeds)
def test_fixtures_are_removed_from_a_cascade(seed):
    """Identities of transfer matrices (Pozar, 4.4): A^-1 (A D B) B^-1 = D; our cascade is the signal flow graph's."""
    rng = np.random.default_rng(seed)
    boxes, truth = Analyser.random(rng, N), device(rng, N)

    whole = cascade(boxes.left, truth, boxes.right)

    assert np.abs(whole - chain(chain(boxes.left, truth), boxes.right)).max() < 1e-12
    for left, right in ((boxes.left, boxes.right), (boxes.left, None), (None, boxes.right)):
        part = cascade(*(s for s in (left, truth, right) if s is not None))
        assert np.abs(deembed(part, left, right) - truth).max() < 1e-10
    assert np.abs(turn_round(turn_round(truth)) - truth).max() == 0


def test_a_bond_wire_between_pads_is_a_butterworth_low_pass():
    """
    Third-order prototype g 1, 2, 1: L 0.3 nH and C 60.00 fF, fc 53.0516 GHz. At 28 GHz 0.092873 dB loss, 16.7453 dB
    return loss, (L alone: 1.06721, 6.61803); at 39 GHz 0.636455 and 8.65451 dB; everywhere -10 log10(1 + x^6).
    """
    f = np.array([28e9, 39e9])
    w, inductance, c = 2 * np.pi * f, 0.3e-9, 60e-15
    pad, wire = from_abcd(1, 0, 1j * w * c, 1), from_abcd(1, 1j * w * inductance, 0, 1)

    whole = cascade(pad, wire, pad)

    assert -20 * np.log10(np.abs(whole[:, 1, 0])) == pytest.approx([0.092873, 0.636455], abs=1e-6)
    assert -20 * np.log10(np.abs(whole[:, 0, 0])) == pytest.approx([16.7453, 8.65451], abs=5e-5)
    assert -20 * np.log10(np.abs(wire[0, (1, 0), (0, 0)])) == pytest.approx([1.06721, 6.61803], abs=1e-5)
    assert np.abs(whole[:, 1, 0]) ** 2 == pytest.approx(1 / (1 + (f / 53.0516477e9) ** 6), rel=1e-8)
    assert deembed(whole, pad, pad) == pytest.approx(wire, abs=1e-12)


@pytest.mark.parametrize("method", ["open-short", "short-open", "open", "short"])
def test_an_inductor_comes_back_from_its_pads_and_leads(method):
    """Koolen et al.: with pads and leads as the method assumes, 1 nH between them is 1 nH afterwards, 1 to 10 GHz."""
    f = np.linspace(1e9, 10e9, 10)
    w = 2 * np.pi * f
    pads = [from_abcd(1, 0, 1j * w * c, 1) for c in (80e-15, 60e-15)]
    leads = [from_abcd(1, 0.4 + 1j * w * value, 0, 1) for value in (60e-12, 90e-12)]
    # An open passes next to nothing, a short next to everything to ground: limits in place of the ideal ones.
    core = {"device": from_abcd(1, 1j * w * 1e-9, 0, 1), "open": from_abcd(1, 1e12, 0, 1), "short": from_abcd(1, 0, 1e9, 1)}
    inside, outside = {"open-short": (leads, pads), "short-open": (pads, leads), "open": ([], pads), "short": ([], leads)}[method]

    def put(name: str) -> np.ndarray:
        s = core[name]
        for a, b in ((inside or None), outside) if inside else (outside,):
            s = chain(chain(a, s), b)
        return s

    dummies = {f"{name}ed": put(name) for name in ("open", "short") if name in method}

    found = remove_dummies(
        put("device"), method, **{"opened" if k.startswith("open") else "shorted": v for k, v in dummies.items()}
    )

    y21 = -2 * found[:, 1, 0] / ((1 + found[:, 0, 0]) * (1 + found[:, 1, 1]) - found[:, 0, 1] * found[:, 1, 0]) / 50
    assert (-1 / y21).imag / w == pytest.approx(1e-9, rel=1e-6)


def test_a_two_x_thru_is_split_into_its_halves():
    """IEEE 370-2020: with both halves removed the 2x-thru itself leaves less than 0.1 dB and 1 degree; and they are halves."""
    f = np.arange(1, 2001) * 10e6
    loss = 0.05 * np.sqrt(f / 1e9)  # dB; skin effect
    length = 360 * f * 0.8e-9  # degrees
    launch = from_abcd(1, 2j * np.pi * f * 20e-12, 0, 1)
    left = chain(launch, line(length) * (10 ** (-loss / 20))[:, None, None])
    whole = chain(left, turn_round(left))

    halves = split_two_x_thru(f, whole)

    assert isinstance(halves, Halves)
    assert halves.is_consistent
    middle = (f > 0.5e9) & (f < 15e9)
    assert np.abs(halves.left - left)[middle].max() < 0.02
    assert np.abs(halves.right - turn_round(left))[middle].max() < 0.02


def test_a_check_standard_shows_a_calibration_that_went_wrong():
    """What determined a calibration comes back exactly whatever it was; a standard that had no part in it does not."""
    analyser = Analyser.random(np.random.default_rng(11), N)
    thru = line(np.zeros(N))
    truth = [("short", -1.0), ("open", 1.0), ("load", 0.0)]
    used = [Standard(name, analyser.measure(reflect(g, N)), reflect(g, N)) for name, g in truth]
    # The load was not fully screwed on: measured at gamma 0.1, taken for 0.
    used[2] = Standard("load", analyser.measure(reflect(0.1, N)), reflect(0.0, N))
    through = Standard("thru", analyser.measure(thru), thru)
    check = Standard("offset short", analyser.measure(reflect(-0.9j, N)), reflect(-0.9j, N))

    calibration = solt(F, used, through)

    assert isinstance(calibration, Calibration)
    found = {r.name: r for r in residuals(calibration, [*used, through, check])}
    assert max(found[name].largest for name in ("short", "open", "load", "thru")) < 1e-12
    assert found["offset short"].reflection > 0.05
    assert found["offset short"].transmission < 1e-12
