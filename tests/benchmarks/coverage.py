"""
How often the truth lies inside the reported uncertainty, over randomly drawn benches and parts.

    python -m tests.benchmarks.coverage [N]

Each draw has a seed of its own (every instrument's and path's error, all within what the bench file states; the noise) and a unit
of its own (the part). A short rehearsal measures quiescent bias, S-parameters after a calibration, and compression at two
frequencies and two temperatures; each reported number is held against the twin's true value. U is k = 2: about 95 % are promised,
93 % overall must be there. The twin has no mismatch between paths and device, which the bench file states and U includes, and it
draws its errors of level from within +-accuracy, mostly well within: more than 95 % is to be expected.
"""

from __future__ import annotations

import math
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path

import benchkit
from benchkit.clock import VirtualClock
from tests.benchmarks.truth import by_key, ladder_truth, quiescent_truth, s_parameter_truth, tapped, times_of
from tests.scenario import ROOT, changed

__all__ = ["PROMISE", "Inside", "one_draw"]

SEQUENCE = ROOT / "sequences" / "kd14_s_parameters.yaml"
FULL = ROOT / "sequences" / "benches" / "kd14_full.yaml"
PROMISE = 0.93
COMPRESSION = """  - kind: compression
    name: power sweep
    frequency: [13.875 GHz, 14.375 GHz]
    drive: {from: -16 dBm, to: 9 dBm, step: 1 dB}
    report: {compression: [1 dB, 2 dB], back_off: [3 dB, 6 dB, 10 dB]}

decision_rule"""

Inside = tuple[str, float, float, float]
"""Parameter with its qualifier, value, true value, U."""


def one_draw(seed: int, folder: Path) -> list[Inside]:
    """Every number of one rehearsal that has a value, with its truth and U; a number without U counts as never inside."""
    sequence = changed(
        SEQUENCE, folder,
        ("bench: benches/kd14_full.yaml\n", ""),
        ("values: [-30 degC, 25 degC, 70 degC]", "values: [25 degC, 70 degC]"),
        ("decision_rule", COMPRESSION),
    )  # fmt: skip
    unit = f"L07-W{1 + seed % 3}-{seed % 99 + 1:02d}"
    record = folder / f"{seed}.h5"
    with tapped() as tap:
        outcome = benchkit.rehearse(sequence, record, bench=FULL, unit=unit, seed=seed)
    if outcome.outcome != "done":
        raise SystemExit(f"seed {seed}, {unit}: {outcome.outcome}: {outcome.message}")
    epoch_s = VirtualClock().now()
    truth: dict[tuple[object, ...], float] = {}
    with benchkit.open_record(record) as opened:
        points, network = opened.points(), opened.stream("network")
        results = opened.results()
    for (measurement, degc), rows in points.groupby(["measurement", "temperature_set_degc"]):
        for _, ladder in rows.groupby("ladder"):
            driven = ladder["frequency_hz"].notna().all()
            times = times_of(ladder, epoch_s)
            if driven:
                found = ladder_truth(tap, times, (1.0, 2.0), (3.0, 6.0, 10.0))
                where: tuple[object, ...] = (float(degc), float(ladder["frequency_hz"].iloc[0]))
            elif measurement == 1:
                found, where = by_key(quiescent_truth(tap, times)), (float(degc), None)
            else:
                continue
            truth |= {(*key, *where): value for key, value in found.items()}
    for degc, sweep in network.groupby("temperature_set_degc"):
        found = by_key(s_parameter_truth(tap, float(sweep["time_s"].iloc[0]) - epoch_s))
        truth |= {(*key, float(degc), None): value for key, value in found.items()}
    numbers: list[Inside] = []
    for one in results:
        key = (one.parameter, one.qualifier, one.condition.temperature_degc, one.condition.frequency_hz)
        if not one.is_absent and key in truth:
            name = f"{one.parameter} {one.qualifier}".strip()
            numbers.append((name, one.value, truth[key], one.expanded_uncertainty))
    return numbers


def main(draws: int = 200) -> int:
    """Print the table; 1 when the promise is not kept."""
    begun = time.perf_counter()
    by_name: dict[str, list[Inside]] = defaultdict(list)
    with tempfile.TemporaryDirectory() as name:
        for seed in range(1, draws + 1):
            for number in one_draw(seed, Path(name) / str(seed)):
                by_name[number[0]].append(number)
    print(f"{'parameter':48s} {'numbers':>7s} {'inside U':>8s} {'largest |error| / U':>19s} {'mean error / U':>14s}")
    inside = count = 0
    for name, numbers in by_name.items():
        ratios = [(value - true) / expanded if expanded > 0 else math.inf for _, value, true, expanded in numbers]
        good = sum(abs(ratio) <= 1 for ratio in ratios)
        inside, count = inside + good, count + len(ratios)
        largest, mean = max(map(abs, ratios)), sum(ratios) / len(ratios)
        print(f"{name:48s} {len(ratios):7d} {100 * good / len(ratios):7.1f}% {largest:19.2f} {mean:14.2f}")
    share = inside / count
    print(f"{'overall':48s} {count:7d} {100 * share:7.1f}%   promised {100 * PROMISE:g} %")
    print(f"{draws} draws in {time.perf_counter() - begun:.0f} s")
    return 0 if share >= PROMISE else 1


if __name__ == "__main__":
    sys.exit(main(*(int(argument) for argument in sys.argv[1:])))
