"""A run may start on a bench that somebody, or a run that died, has left on."""

from __future__ import annotations

from pathlib import Path

import pyvisa

import benchkit
from benchkit.bench.load import load_bench
from tests.scenario import BENCH, SHORT, changed, served_twin

FEW = ("{from: -12 dBm, to: 9 dBm, step: 1 dB}", "{from: -12 dBm, to: -6 dBm, step: 2 dB}")


def leave_on(bench_path: Path) -> None:
    """Channel A pinched, its drain at 6 V: in the right order, and left so."""
    bench = load_bench(bench_path)
    manager = pyvisa.ResourceManager("@py")
    opened = {
        name: manager.open_resource(bench.file.instruments[name].address, read_termination="\n", write_termination="\n")
        for name in ("gate_supply", "drain_supply")
    }
    for name, voltage in (("gate_supply", -2.5), ("drain_supply", 6.0)):
        opened[name].write(f"VOLT {voltage},(@1);:OUTP ON,(@1)")
        opened[name].query("*OPC?")
    manager.close()


def test_a_bench_found_energised_is_made_safe_as_a_whole_before_anything_else(tmp_path: Path) -> None:
    """Prepared one by one in this file's order, the gate would go while its drain is at 6 V."""
    gate_first = BENCH.read_text()
    start, end = gate_first.index("  drain_supply:\n"), gate_first.index("  gate_supply:\n")
    rest = gate_first.index("  detector_voltmeter:\n")
    text = gate_first[:start] + gate_first[end:rest] + gate_first[start:end] + gate_first[rest:]
    for folder in ("paths", "twin"):
        (tmp_path / folder).mkdir()
        for source in (BENCH.parent.parent / folder).iterdir():
            (tmp_path / folder / source.name).write_bytes(source.read_bytes())
    bench = tmp_path / "benches" / "gate_first.yaml"
    bench.parent.mkdir()
    bench.write_text(text)

    with served_twin(tmp_path, bench=bench) as twin:
        leave_on(twin.bench)
        outcome = benchkit.run(changed(SHORT, tmp_path, FEW), tmp_path / "a.h5", bench=twin.bench, unit="L07-W1-01")
        twin.stop()

    assert outcome.outcome == "done"
    assert twin.ledger() == []
    with benchkit.open_record(outcome.record) as record:
        found = record.events().set_index("kind").loc["found energised"]
    assert found["severity"] == "warning"
    assert "output 1 of drain_supply" in found["text"]
