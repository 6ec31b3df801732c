"""
How much time a soak that asks the device saves against a fixed one, and what that costs in accuracy.

    python -m tests.benchmarks.soak [UNITS]

The same night of four temperatures with four soaks: fixed (the air in tolerance for 30 minutes, nothing else asked), by the case
sensor's drift, and by the case's and the device's own at two rates. Each number is held against that of a night with a very long
soak (2 h, the device biased meanwhile: a part in use has warmed its case) of the same unit and seed. Prints hours, as they are
and as parts of the fixed soak's, and over all numbers of gain, P1dB and quiescent current the root mean square and the largest
difference. Noise of the readings is in every difference alike.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np

from benchkit.campaign import rehearse
from benchkit.plan.files import load_both
from benchkit.record import Record
from tests.scenario import ROOT, changed

__all__ = ["SOAKS"]

SEQUENCE = ROOT / "sequences" / "kd14_sentinel.yaml"
FULL = ROOT / "sequences" / "benches" / "kd14_full.yaml"
AS_SHIPPED = """      in_tolerance_for: 2 min
      drift_max: 0.2 K/min
      device:
        quiescent_drift_max: 50 uA/min
        over: 2 min
      at_most: 90 min
"""
DEVICE = "      device:\n        quiescent_drift_max: {drift} uA/min\n        over: 2 min\n"
SOAKS = {
    "very long": "      in_tolerance_for: 120 min\n" + DEVICE.format(drift=300) + "      at_most: 180 min\n",
    "fixed, 30 min": "      in_tolerance_for: 30 min\n      at_most: 90 min\n",
    "case": "      in_tolerance_for: 2 min\n      drift_max: 0.2 K/min\n      at_most: 90 min\n",
    "device 300 uA/min": AS_SHIPPED.replace("50 uA", "300 uA"),
    "device 50 uA/min": AS_SHIPPED,
}
WANTED = {"small_signal_gain": "dB", "p1db": "dB", "quiescent_current": "mA"}


def one_night(soak: str, seed: int, folder: Path) -> tuple[float, dict[tuple[object, ...], float]]:
    """Hours, and its numbers in dB or mA."""
    path = changed(SEQUENCE, folder, ("bench: benches/kd14_full.yaml\n", ""), (AS_SHIPPED, SOAKS[soak]))
    outcome = rehearse(*load_both(path, FULL), folder / "night.h5", unit=f"L07-W1-{seed:02d}", seed=seed)
    if outcome.outcome != "done":
        raise SystemExit(f"{soak}, seed {seed}: {outcome.message}")
    with Record.open(outcome.record) as record:
        hours = float(record.events()["time_s"].max() - record.attributes["started_s"]) / 3600.0
    numbers = {
        (one.parameter, one.qualifier, one.condition): one.value * (1e3 if one.unit == "A" else 1.0)
        for one in outcome.results
        if one.parameter in WANTED and not one.is_absent
    }
    return hours, numbers


def main() -> None:
    units = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    hours: dict[str, list[float]] = {soak: [] for soak in SOAKS}
    errors: dict[tuple[str, str], list[float]] = {}
    for seed in range(1, units + 1):
        truth: dict[tuple[object, ...], float] = {}
        for soak in SOAKS:
            with tempfile.TemporaryDirectory() as folder:
                took, numbers = one_night(soak, seed, Path(folder))
            hours[soak].append(took)
            truth = truth or numbers
            for key, value in numbers.items():
                errors.setdefault((soak, str(key[0])), []).append(value - truth[key])
    fixed_h = float(np.mean(hours["fixed, 30 min"]))
    print(f"{'soak':18} {'hours':>6} {'of fixed':>9}   rms and largest difference from the very long soak")
    for soak in SOAKS:
        took_h = float(np.mean(hours[soak]))
        told = "; ".join(
            f"{name} {np.sqrt(np.mean(np.square(errors[soak, name]))):.3f}, {np.max(np.abs(errors[soak, name])):.3f} {unit}"
            for name, unit in WANTED.items()
        )
        print(f"{soak:18} {took_h:6.2f} {took_h / fixed_h:9.2f}   {told}")


if __name__ == "__main__":
    main()
