"""
How often the truth lies inside the reported uncertainty, over randomly drawn benches and parts.

    python -m tests.benchmarks.coverage [N] [--first SEED] [--keep FILE.csv]
    python -m tests.benchmarks.coverage --table FILE.csv [FILE.csv ...]

Each draw has a seed of its own and a unit of its own. Of the bench every limit of error that its file states is drawn, anywhere
within it equally likely (`twin: {errors: as stated}`): levels, readings, linearity, zero, drift, mismatch; the expanded
uncertainty of a path's table as a normal of half of it; noise as stated. A short rehearsal measures the paths, a thru,
S-parameters after a calibration, quiescent bias, compression at two frequencies, harmonics and two tones, at two temperatures;
each reported number is held against the twin's true value.

U is k = 2: about 95 % are promised, 93 % overall must be there. Where one rectangular limit is nearly all of a budget (a source's
level, a supply's reading), k = 2 reaches beyond the limit itself (2 / sqrt 3), and every number is inside. An error of 0.5 U rms
is just right.

With --keep, numbers are added to a file draw by draw, so that draws may be made in pieces (and seeds already there are not made
again); --table sums up such files.
"""

from __future__ import annotations

import argparse
import csv
import math
import re
import shutil
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterable, Iterator
from pathlib import Path

import benchkit
from benchkit.clock import VirtualClock
from tests.benchmarks.truth import (
    Key,
    by_key,
    detector_error_truth,
    harmonic_truth,
    ladder_truth,
    path_truth,
    quiescent_truth,
    s_parameter_truth,
    tapped,
    times_of,
    two_tone_truth,
    unpowered_truth,
)
from tests.scenario import ROOT, changed

__all__ = ["PROMISE", "Inside", "one_draw", "stated_bench", "table"]

SEQUENCE = ROOT / "sequences" / "kd14_s_parameters.yaml"
FULL = ROOT / "sequences" / "benches" / "kd14_full.yaml"
PROMISE = 0.93
ROOM_DEGC = 25.0
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
DRIVEN = """  - kind: compression
    name: power sweep
    frequency: [13.875 GHz, 14.375 GHz]
    drive: {from: -16 dBm, to: 10 dBm, step: 1 dB}
    report: {compression: [1 dB, 2 dB], back_off: [3 dB, 6 dB, 10 dB], saturation_slope: 0.25}
  - kind: spectrum
    name: harmonics
    frequency: [13.875 GHz]
    drive: {from: -6 dBm, to: 4 dBm, step: 5 dB}
    harmonics: 3
    resolution_bandwidth: 1 kHz
    attenuation: 20 dB
    check_step: 10 dB
    at: every drive
  - kind: two_tone
    name: two tones
    frequency: [13.875 GHz]
    spacing: 5 MHz
    drive: {from: -20 dBm, to: -6 dBm, step: 2 dB}
    resolution_bandwidth: 100 Hz
    attenuation: 24 dB
    check_step: 10 dB
    report: {back_off: [10 dB]}

decision_rule"""
ATTENUATION_DB = 24.0

Inside = tuple[str, float, float, float]
"""Parameter with its qualifier, value, true value, U."""


def stated_bench(folder: Path) -> Path:
    """The full bench, its errors drawn as stated."""
    for name in ("paths", "twin"):
        shutil.copytree(FULL.parent.parent / name, folder / name, dirs_exist_ok=True)
    return changed(FULL, folder, ("  line: 0.0177 ns", "  errors: as stated\n  line: 0.0177 ns"), name="benches/kd14_full.yaml")


def one_draw(seed: int, folder: Path) -> list[Inside]:
    """Every number of one rehearsal that has a value and a truth, with its U; a number without U counts as never inside."""
    sequence = changed(
        SEQUENCE, folder,
        ("bench: benches/kd14_full.yaml\n", ""),
        ("values: [-30 degC, 25 degC, 70 degC]", "values: [25 degC, 70 degC]"),
        # A chamber may read wrong by its accuracy, 0.5 K, and one that does would never be within 0.5 K.
        ("tolerance: 0.5 K", "tolerance: 1 K"),
        ("measurements:\n", BEFORE),
        ("decision_rule", DRIVEN),
    )  # fmt: skip
    unit = f"L07-W{1 + seed % 3}-{seed % 99 + 1:02d}"
    record = folder / f"{seed}.h5"
    with tapped() as tap:
        outcome = benchkit.rehearse(sequence, record, bench=stated_bench(folder), unit=unit, seed=seed)
    if outcome.outcome != "done":
        raise SystemExit(f"seed {seed}, {unit}: {outcome.outcome}: {outcome.message}")
    epoch_s = VirtualClock().now()
    with benchkit.open_record(record) as opened:
        points, network, tones = opened.points(), opened.stream("network"), opened.stream("tones")
        kinds = re.findall(r"- kind: (\w+)", opened.sequence_text)
        results = opened.results()
    truth: dict[tuple[object, ...], float] = {}
    detectors: dict[float, dict[float, list[float]]] = defaultdict(dict)
    for (measurement, degc), rows in points.groupby(["measurement", "temperature_set_degc"]):
        kind = kinds[measurement]
        for _, ladder in rows.groupby("ladder"):
            times = times_of(ladder, epoch_s)
            hz = float(ladder["frequency_hz"].iloc[0])
            found: dict[Key, float] = {}
            if kind == "compression":
                found = ladder_truth(tap, times, (1.0, 2.0), (3.0, 6.0, 10.0))
                detectors[hz][float(degc)] = times
            elif kind == "spectrum":
                found = harmonic_truth(tap, times, [float(one) for one in ladder["drive_set_dbm"]])
            elif kind == "quiescent":
                found = by_key(quiescent_truth(tap, times))
            truth |= {(*key, float(degc), None if math.isnan(hz) else hz): value for key, value in found.items()}
    for hz, by_degc in detectors.items():
        for degc, times in by_degc.items():
            if degc != ROOM_DEGC:
                error_db = detector_error_truth(tap, by_degc[ROOM_DEGC], times)
                truth["detector_temperature_error", "", degc, hz] = error_db
    for (degc, state), sweep in network.groupby(["temperature_set_degc", "bias_state"]):
        true_at = unpowered_truth if state == "unpowered" else s_parameter_truth
        found = by_key(true_at(tap, float(sweep["time_s"].iloc[0]) - epoch_s))
        truth |= {(*key, float(degc), None): value for key, value in found.items()}
    read = tones[(tones["line"] == "lower tone") & (tones["attenuation_db"] == ATTENUATION_DB)]
    for (degc, hz), rows in read.groupby(["temperature_set_degc", "centre_hz"]):
        found = two_tone_truth(
            tap, times_of(rows, epoch_s), [float(one) for one in rows["drive_set_dbm"]], float(hz),
            float(rows["spacing_hz"].iloc[0]), p1db_dbm=truth["p1db", "", float(degc), float(hz)], back_off_db=10.0,
        )  # fmt: skip
        truth |= {(*key, float(degc), float(hz)): value for key, value in found.items()}
    numbers: list[Inside] = []
    for one in results:
        if one.parameter in ("path_loss", "path_loss_rise", "thru_gain"):
            true = path_truth(tap, one.parameter, one.qualifier, one.condition.frequency_hz or math.nan)
        else:
            key = (one.parameter, one.qualifier, one.condition.temperature_degc, one.condition.frequency_hz)
            true = truth.get(key, math.nan)
        if not one.is_absent and not math.isnan(true):
            name = one.parameter if one.parameter.startswith("thru") else f"{one.parameter} {one.qualifier}".strip()
            numbers.append((name, one.value, true, one.expanded_uncertainty))
    return numbers


def table(numbers: Iterable[Inside]) -> tuple[list[str], float]:
    """Lines of the table, and the share of numbers that have their truth inside U."""
    by_name: dict[str, list[Inside]] = defaultdict(list)
    for number in numbers:
        by_name[number[0]].append(number)
    lines = [f"{'parameter':46s} {'numbers':>7s} {'inside U':>8s} {'largest':>8s} {'rms':>6s} {'mean':>6s}   error / U"]
    inside = count = 0
    for name, own in by_name.items():
        ratios = [(value - true) / expanded if expanded > 0 else math.inf for _, value, true, expanded in own]
        good = sum(abs(ratio) <= 1 for ratio in ratios)
        inside, count = inside + good, count + len(ratios)
        largest, mean = max(map(abs, ratios)), sum(ratios) / len(ratios)
        rms = math.sqrt(sum(ratio * ratio for ratio in ratios) / len(ratios))
        lines.append(f"{name:46s} {len(ratios):7d} {100 * good / len(ratios):7.1f}% {largest:8.2f} {rms:6.2f} {mean:6.2f}")
    share = inside / count if count else math.nan
    lines.append(f"{'overall':46s} {count:7d} {100 * share:7.1f}%   promised {100 * PROMISE:g} %")
    return lines, share


def main() -> int:
    """Print the table; 1 when the promise is not kept."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.coverage")
    parser.add_argument("draws", type=int, nargs="?", default=200)
    parser.add_argument("--first", type=int, default=1, help="seed of the first draw")
    parser.add_argument("--keep", type=Path, help="CSV to which each draw's numbers are added")
    parser.add_argument("--table", type=Path, nargs="+", help="sum up such files; nothing is drawn")
    asked = parser.parse_args()
    kept: dict[int, list[Inside]] = {}
    for path in asked.table or ([asked.keep] if asked.keep is not None and asked.keep.exists() else []):
        for seed, number in _read(path):
            kept.setdefault(seed, []).append(number)
    if asked.table is None:
        begun = time.perf_counter()
        wanted = range(asked.first, asked.first + asked.draws)
        for seed in wanted:
            if seed not in kept:
                with tempfile.TemporaryDirectory() as name:
                    kept[seed] = one_draw(seed, Path(name))
                if asked.keep is not None:
                    _add(asked.keep, seed, kept[seed])
        kept = {seed: kept[seed] for seed in wanted}
        print(f"{asked.draws} draws in {time.perf_counter() - begun:.0f} s")
    lines, share = table(number for seed in sorted(kept) for number in kept[seed])
    print("\n".join(lines))
    print(f"{len(kept)} draws: seeds {min(kept)} to {max(kept)}")
    return 0 if share >= PROMISE else 1


def _add(path: Path, seed: int, numbers: list[Inside]) -> None:
    with path.open("a", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows((seed, name, *map(repr, values)) for name, *values in numbers)


def _read(path: Path) -> Iterator[tuple[int, Inside]]:
    with path.open(encoding="utf-8", newline="") as file:
        for seed, name, value, true, expanded in csv.reader(file):
            yield int(seed), (name, float(value), float(true), float(expanded))


if __name__ == "__main__":
    sys.exit(main())
