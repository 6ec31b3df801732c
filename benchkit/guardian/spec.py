"""What the guardian is told when it starts: all it needs to make the bench safe without asking the run anything."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from benchkit.bench.load import Bench, load_bench_text

__all__ = ["GOODBYE", "HEARTBEAT", "HELP", "READY", "GuardianSpec"]

# On the pipe from the run: one byte each.
HEARTBEAT = b"."  # the run's main thread is getting on
GOODBYE = b"q"  # the run has made the bench safe itself and verified it
HELP = b"!"  # the run could not verify that the bench is safe; try over other connections
# On the guardian's standard output, once: it is watching, with everything it needs already loaded.
READY = "guardian ready"


@dataclass(frozen=True)
class GuardianSpec:
    """
    Attributes:
        run_pid: Process to watch, and to end before the guardian touches an instrument.
        record: The record's path; the account is written beside it.
        bench_text, bench_name, table_files: The bench as load_bench_text() takes it.
        instruments: Names of the instruments the run uses.
        library: VISA library.
        hold_gate_v: Where a gate is held when its drain cannot be verified off. [V]
        idle_temperature_degc: Where the chamber is sent; None: left alone. [degC]
        silence_s: Without a heartbeat for longer than this, the run counts as stuck. [s]
        started_s: When the run began, seconds since 1970. [s]
        notify: Whom to tell that the run is dead, as NotifySettings in plain data.
        facts: What such a message says of the run.
    """

    run_pid: int
    record: str
    bench_text: str
    bench_name: str
    table_files: dict[str, bytes]
    instruments: tuple[str, ...]
    library: str
    hold_gate_v: float
    idle_temperature_degc: float | None
    silence_s: float
    started_s: float
    notify: tuple[dict[str, Any], ...] = ()
    facts: Mapping[str, str | int | float] = field(default_factory=dict)

    def as_data(self) -> dict[str, Any]:
        """For JSON."""
        files = {name: base64.b64encode(data).decode("ascii") for name, data in self.table_files.items()}
        return {**vars(self), "instruments": list(self.instruments), "table_files": files, "notify": list(self.notify)}

    @classmethod
    def from_data(cls, data: dict[str, Any]) -> GuardianSpec:
        files = {name: base64.b64decode(text) for name, text in data["table_files"].items()}
        lists = {name: tuple(data[name]) for name in ("instruments", "notify")}
        return cls(**{**data, **lists, "table_files": files})

    def bench(self) -> Bench:
        return load_bench_text(self.bench_text, self.bench_name, self.table_files)
