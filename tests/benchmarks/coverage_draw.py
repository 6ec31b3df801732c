"""One draw of the coverage benchmark: a bench and a part, a short rehearsal, and each reported number with the twin's truth."""

from __future__ import annotations

import math
import re
import shutil
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import skrf
from numpy.typing import NDArray

import benchkit
from benchkit.clock import VirtualClock
from benchkit.results.result import Result
from tests.benchmarks.truth import (
    Key,
    Tap,
    by_key,
    detector_error_truth,
    ladder_truth,
    path_truth,
    quiescent_truth,
    tapped,
    times_of,
)
from tests.benchmarks.truth_network import s_parameter_truth, unpowered_truth
from tests.benchmarks.truth_spectrum import harmonic_truth, search_truth, two_tone_truth
from tests.results.two_ports import chain, from_abcd, line
from tests.scenario import ROOT, changed

__all__ = ["FULL", "Inside", "Setting", "one_draw", "stated_bench"]

SEQUENCE = ROOT / "sequences" / "kd14_s_parameters.yaml"
FULL = ROOT / "sequences" / "benches" / "kd14_full.yaml"
ROOM_DEGC = 25.0
MASK_DBM = 12.0
BEFORE = """measurements:
  - kind: path_loss
    frequency: [13.875 GHz, 14.375 GHz]
    level: [-10 dBm, 0 dBm]
    reference: sensor
  - kind: verification
    frequency: [13.875 GHz, 14.375 GHz]
    level: -20 dBm
    limit: 3 dB
"""
DRIVEN = f"""  - kind: compression
    name: power sweep
    frequency: [13.875 GHz, 14.375 GHz]
    drive: {{from: -16 dBm, to: 10 dBm, step: 1 dB}}
    report: {{compression: [1 dB, 2 dB], back_off: [3 dB, 6 dB, 10 dB], saturation_slope: 0.25}}
  - kind: spectrum
    name: harmonics
    frequency: [13.875 GHz]
    drive: {{from: -6 dBm, to: 4 dBm, step: 5 dB}}
    harmonics: 3
    resolution_bandwidth: 1 kHz
    attenuation: 20 dB
    check_step: 10 dB
    at: every drive
    search:
      from: 10 GHz
      to: 43 GHz
      resolution_bandwidth: 300 kHz
      points: 601
      guard: 20 MHz
      leaves_out: carrier
      mask: [{{from: 10 GHz, to: 43 GHz, limit: {MASK_DBM:g} dBm}}]
  - kind: two_tone
    name: two tones
    frequency: [13.875 GHz]
    spacing: 5 MHz
    drive: {{from: -20 dBm, to: -6 dBm, step: 2 dB}}
    resolution_bandwidth: 100 Hz
    attenuation: 24 dB
    check_step: 10 dB
    report: {{back_off: [10 dB]}}
  - kind: two_tone
    name: fifth order
    frequency: [13.875 GHz]
    spacing: 5 MHz
    drive: {{from: -14 dBm, to: -8 dBm, step: 1 dB}}
    products: [3, 5]
    resolution_bandwidth: 3 Hz
    attenuation: 24 dB
    check_step: 10 dB
    report: {{back_off: [9 dB]}}

decision_rule"""
ATTENUATION_DB = 24.0
TONES = {"two tones": ((3,), 10.0), "fifth order": ((3, 5), 9.0)}
# Expanded, as the sequence states it; the files are drawn as normals of half of it.
REFLECTION_U, LOSS_U_DB = 0.01, 0.1
FIXTURES = (
    "deembed: {input: fixtures/input.s2p, output: fixtures/output.s2p, "
    f"reflection_uncertainty: {REFLECTION_U:g}, loss_uncertainty: {LOSS_U_DB:g} dB}}"
)
GRID_HZ = np.linspace(13.5e9, 14.75e9, 51)

Complexes = NDArray[np.complex128]
Truths = dict[tuple[Any, ...], float]


class Inside(NamedTuple):
    """
    One reported number with what was true.

    Attributes:
        kind: Of measurement.
        name: Parameter with its qualifier; of S-parameters how they were had: method, and whether fixtures were taken off.
    """

    kind: str
    name: str
    value: float
    true: float
    expanded: float


@dataclass(frozen=True)
class Setting:
    """What a draw alternates: channel, calibration, and whether the part lies within fixtures that are taken off."""

    channel: str
    method: str
    within_fixtures: bool

    @classmethod
    def of(cls, seed: int) -> Setting:
        """Eight draws in a row have each combination once."""
        return cls("AB"[seed // 2 % 2], ("SOLT", "TRL")[seed % 2], bool(seed // 4 % 2))

    @property
    def said(self) -> str:
        return f"{self.method}, fixtures off" if self.within_fixtures else self.method


def stated_bench(folder: Path) -> Path:
    """The full bench, its errors drawn as stated."""
    for name in ("paths", "twin"):
        shutil.copytree(FULL.parent.parent / name, folder / name, dirs_exist_ok=True)
    return changed(FULL, folder, ("  line: 0.0177 ns", "  errors: as stated\n  line: 0.0177 ns"), name="benches/kd14_full.yaml")


def fixtures(hz: NDArray[np.float64]) -> tuple[Complexes, Complexes]:
    """True ones, shape (n, 2, 2): a connector's series inductance and some line, of a quarter decibel or so."""
    launch = chain(from_abcd(1, 2j * np.pi * hz * 0.03e-9, 0, 1), line(360 * hz * 50e-12, 0.25))
    return launch, launch[:, ::-1, ::-1]


def _write_fixtures(folder: Path, seed: int) -> None:
    """As somebody has measured them: each reflection and the loss off by what is stated, slowly over the band."""
    draw = np.random.default_rng([seed, 51])
    (folder / "fixtures").mkdir(parents=True, exist_ok=True)
    turn = 2j * np.pi * (GRID_HZ - GRID_HZ[0]) / np.ptp(GRID_HZ)
    for name, true in zip(("input", "output"), fixtures(GRID_HZ), strict=True):
        measured = true.copy()
        for port in (0, 1):
            off = REFLECTION_U / 2 * complex(*draw.standard_normal(2))
            measured[:, port, port] += off * np.exp(turn * draw.uniform(-1, 1))
        loss_db = LOSS_U_DB / 2 * draw.standard_normal()
        measured[:, 0, 1] *= 10 ** (-loss_db / 20)
        measured[:, 1, 0] *= 10 ** (-loss_db / 20)
        network = skrf.Network(frequency=skrf.Frequency.from_f(GRID_HZ, unit="Hz"), s=measured, z0=50.0)
        text = network.write_touchstone(f"{name}.s2p", return_string=True, form="ri")
        (folder / "fixtures" / f"{name}.s2p").write_text(text, encoding="utf-8")


def _sequence(folder: Path, seed: int, setting: Setting) -> Path:
    changes = [
        ("bench: benches/kd14_full.yaml\n", ""),
        ("values: [-30 degC, 25 degC, 70 degC]", "values: [25 degC, 70 degC]"),
        # A chamber may read wrong by its accuracy, 0.5 K, and one that does would never be within 0.5 K.
        ("tolerance: 0.5 K", "tolerance: 1 K"),
        ("  channels: [A]\n", f"  channels: [{setting.channel}]\n"),
        ("measurements:\n", BEFORE),
        ("decision_rule", DRIVEN),
    ]
    if setting.method == "TRL":
        changes.append(("method: SOLT", "method: TRL\n    line_delay: 0.0177 ns"))
    if setting.within_fixtures:
        _write_fixtures(folder, seed)
        changes.append(("correction: calibration\n", f"correction: calibration\n    {FIXTURES}\n"))
    return changed(SEQUENCE, folder, *changes)


def one_draw(seed: int, folder: Path) -> list[Inside]:
    """Every number of one rehearsal that has a value and a truth, with its U; a number without U counts as never inside."""
    setting = Setting.of(seed)
    sequence = _sequence(folder, seed, setting)
    unit = f"L07-W{1 + seed % 3}-{seed % 99 + 1:02d}"
    record = folder / f"{seed}.h5"
    with tapped(setting.channel) as tap:
        outcome = benchkit.rehearse(sequence, record, bench=stated_bench(folder), unit=unit, seed=seed)
    if outcome.outcome != "done":
        raise SystemExit(f"seed {seed}, {unit}: {outcome.outcome}: {outcome.message}")
    with benchkit.open_record(record) as opened:
        points, streams = opened.points(), {name: opened.stream(name) for name in ("network", "tones")}
        blocks = re.findall(r"- kind: (\w+)(?:\n    name: (.*))?", opened.sequence_text)
        results = opened.results()
    truth = dict(_truths(tap, points, streams, blocks, setting))
    titles = {name or kind: kind for kind, name in blocks}
    return list(_numbers(tap, results, truth, titles, setting))


def _truths(
    tap: Tap, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame], blocks: list[tuple[str, str]], setting: Setting
) -> Iterator[tuple[tuple[Any, ...], float]]:
    """By parameter, qualifier, temperature and frequency."""
    epoch_s = VirtualClock().now()
    detectors: dict[float, dict[float, list[float]]] = defaultdict(dict)
    p1db_dbm: dict[tuple[float, float], float] = {}
    for (measurement, degc), rows in points.groupby(["measurement", "temperature_set_degc"]):
        kind = blocks[measurement][0]
        for _, ladder in rows.groupby("ladder"):
            times = times_of(ladder, epoch_s)
            hz = float(ladder["frequency_hz"].iloc[0])
            drives = [float(one) for one in ladder["drive_set_dbm"]]
            found: dict[Key, float] = {}
            if kind == "compression":
                found = ladder_truth(tap, times, (1.0, 2.0), (3.0, 6.0, 10.0))
                detectors[hz][float(degc)] = times
                p1db_dbm[float(degc), hz] = found["p1db", ""]
            elif kind == "spectrum":
                found = {**harmonic_truth(tap, times, drives), **search_truth(tap, times, drives, MASK_DBM)}
            elif kind == "quiescent":
                found = by_key(quiescent_truth(tap, times))
            yield from (((*key, float(degc), None if math.isnan(hz) else hz), value) for key, value in found.items())
    for hz, by_degc in detectors.items():
        for degc, times in by_degc.items():
            if degc != ROOM_DEGC:
                yield ("detector_temperature_error", "", degc, hz), detector_error_truth(tap, by_degc[ROOM_DEGC], times)
    for (degc, state), sweep in streams["network"].groupby(["temperature_set_degc", "bias_state"]):
        true_at = unpowered_truth if state == "unpowered" else s_parameter_truth
        found = by_key(true_at(tap, float(sweep["time_s"].iloc[0]) - epoch_s, fixtures if setting.within_fixtures else None))
        yield from (((*key, float(degc), None), value) for key, value in found.items())
    tones = streams["tones"]
    read = tones[(tones["line"] == "lower tone") & (tones["attenuation_db"] == ATTENUATION_DB)]
    for (measurement, degc, hz), rows in read.groupby(["measurement", "temperature_set_degc", "centre_hz"]):
        orders, back_off_db = TONES[blocks[measurement][1]]
        drives, spacing_hz = [float(one) for one in rows["drive_set_dbm"]], float(rows["spacing_hz"].iloc[0])
        for order in orders:
            found = two_tone_truth(
                tap, times_of(rows, epoch_s), drives, float(hz), spacing_hz, p1db_dbm=p1db_dbm[float(degc), float(hz)],
                back_off_db=back_off_db, order=order,
            )  # fmt: skip
            yield from (((*key, float(degc), float(hz)), value) for key, value in found.items())


def _numbers(
    tap: Tap, results: list[Result], truth: Truths, titles: Mapping[str, str], setting: Setting
) -> Iterator[Inside]:
    for one in results:
        kind = titles[one.measurement]
        if one.parameter in ("path_loss", "path_loss_rise", "thru_gain"):
            true = path_truth(tap, one.parameter, one.qualifier, one.condition.frequency_hz or math.nan)
        else:
            key = (one.parameter, one.qualifier, one.condition.temperature_degc, one.condition.frequency_hz)
            true = truth.get(key, math.nan)
        if not one.is_absent and not math.isnan(true):
            yield Inside(kind, f"{one.parameter} {_how(one, kind, setting)}".strip(), one.value, true, one.expanded_uncertainty)


def _how(one: Result, kind: str, setting: Setting) -> str:
    if kind == "s_parameters":
        return setting.said
    # A path's name ends with its channel.
    return "" if kind == "verification" else one.qualifier.removesuffix(f"_{setting.channel.lower()}")
