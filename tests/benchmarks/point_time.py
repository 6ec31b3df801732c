"""
Time per point on the served twin, against its slowest instrument and against a plain script that asks one after the other.

    python -m tests.benchmarks.point_time [POINTS]

The plain script is what one writes first: set, wait, ask every instrument in turn with pyvisa, on the same bench, the same
levels, the same instruments. Promises: at most 1.10 x (slowest instrument + settling); at least 1.8 x faster than the script.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pyvisa

import benchkit
from benchkit.bench.load import Bench, load_bench
from benchkit.plan.estimate import point_time_s
from tests.scenario import SHORT, changed, served_twin

SETTLING_S = 0.005


def ours(bench: Path, folder: Path, points: int) -> float:
    """Median time from one point of a ladder to the next, as recorded. [s]"""
    sequence = changed(
        SHORT, folder,
        ("{from: -12 dBm, to: 9 dBm, step: 1 dB}", f"{{from: -12 dBm, to: 6 dBm, points: {points}}}"),
    )  # fmt: skip
    outcome = benchkit.run(sequence, folder / "ours.h5", bench=bench, unit="L07-W1-01")
    assert outcome.outcome == "done", outcome.message
    with benchkit.open_record(outcome.record) as record:
        rows = record.points()
    times = rows.loc[rows["drive_set_dbm"].notna(), "time_s"].to_numpy()
    return float(np.mean(np.diff(times)))


def plain(bench: Bench, points: int) -> float:
    """Mean time per point of the plain script; gate and drain are brought up first, in order. [s]"""
    manager = pyvisa.ResourceManager("@py")
    opened = {}
    for name, settings in bench.file.instruments.items():
        opened[name] = manager.open_resource(settings.address, read_termination="\n", write_termination="\n")
        opened[name].timeout = 5000
    source, meter, drain, gate = (opened[name] for name in ("rf_source", "output_meter", "drain_supply", "gate_supply"))
    for name in ("detector_voltmeter", "reference_voltmeter"):
        opened[name].write("CONF:VOLT:DC")
    opened["case_voltmeter"].write("CONF:FRES")
    opened["rf_switch"].write("ROUT:OPEN:ALL")
    opened["rf_switch"].write(f"ROUT:CLOS (@{','.join(map(str, bench.file.wiring.channels['A'].position.close))})")
    meter.write("INIT:CONT OFF")
    gate.write("VOLT -2.5,(@1)")
    gate.write("OUTP ON,(@1)")
    time.sleep(0.2)
    drain.write("CURR 0.44,(@1)")
    drain.write("VOLT 6,(@1)")
    drain.write("OUTP ON,(@1)")
    time.sleep(0.2)
    gate.write("VOLT -0.75,(@1)")
    source.write("FREQ 14.125 GHZ")
    time.sleep(0.2)
    loss_db = bench.paths["input_a"].loss_db(14.125e9)
    begun = time.perf_counter()
    try:
        for level_dbm in np.linspace(-12, 6, points):
            source.write(f"POW {level_dbm + loss_db:.2f} DBM")
            source.write("OUTP ON")
            time.sleep(SETTLING_S)
            meter.query("READ?")
            for supply in (drain, gate):
                supply.query("MEAS:VOLT? (@1)")
                supply.query("MEAS:CURR? (@1)")
            for name in ("detector_voltmeter", "reference_voltmeter", "case_voltmeter"):
                opened[name].query("READ?")
        return (time.perf_counter() - begun) / points
    finally:
        source.write("OUTP OFF")
        drain.write("OUTP OFF,(@1)")
        time.sleep(0.2)
        gate.write("OUTP OFF,(@1)")
        source.query("*OPC?")
        gate.query("*OPC?")
        manager.close()


def main(points: int = 100) -> None:
    with tempfile.TemporaryDirectory() as name, served_twin(Path(name)) as twin:
        bench = load_bench(twin.bench)
        ideal = point_time_s(bench.file, "A")
        own = ours(twin.bench, Path(name), points)
        script = plain(bench, points)
    print(f"slowest instrument + settling  {ideal * 1e3:.1f} ms")
    print(f"benchkit                       {own * 1e3:.1f} ms a point = {own / ideal:.3f} x")
    print(f"plain script                   {script * 1e3:.1f} ms a point = {script / own:.2f} x benchkit's")


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
