"""`python -m sim_instruments serve BENCH`: the twin over TCP, for trying benchkit with real delays and real sockets."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path
from typing import Annotated

import typer

from benchkit.bench.load import load_bench
from benchkit.errors import FileError
from sim_instruments.bench_copy import write_bench_copy
from sim_instruments.faults import read_faults
from sim_instruments.served import QuickClock, serve
from sim_instruments.twin import build_twin

app = typer.Typer(add_completion=False, no_args_is_help=True)


@app.callback()
def twin() -> None:
    """The simulated bench."""


@app.command("serve")
def serve_command(
    bench_path: Annotated[Path, typer.Argument(metavar="BENCH", help="Bench file (YAML)")],
    seed: Annotated[int, typer.Option(min=0, help="Of everything that is drawn")] = 1,
    unit: Annotated[str, typer.Option(help="Serial number of the unit on the bench")] = "L07-W1-01",
    host: Annotated[str, typer.Option(help="Interface to listen on; the default is reached from this computer only")] = (
        "127.0.0.1"
    ),
    port_base: Annotated[
        int,
        typer.Option(min=0, max=65000, help="Port of the first instrument, the others follow; 0: the system chooses"),
    ] = 0,
    ledger: Annotated[Path | None, typer.Option(help="File for what was done to the device, one JSON object a line")] = None,
    speed: Annotated[float, typer.Option(min=0.001, help="Seconds of the twin in one second")] = 1.0,
    fault: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME@WHEN", help="Goes wrong on purpose, e.g. gate-lost@12.5s or silent:output_meter@message 300"),
    ] = None,
    write_bench: Annotated[
        Path | None, typer.Option(metavar="OUT", help="Write a copy of the bench file with the served addresses")
    ] = None,
) -> None:
    """Serve each instrument of BENCH on a TCP port of its own, until Ctrl-C or SIGTERM."""
    clock = QuickClock(speed)
    try:
        bench = load_bench(bench_path)
        faults = [read_faults(fault, bench)] if fault else []
        twin = build_twin(bench, clock, seed=seed, unit=unit, ledger_path=ledger, faults=faults)

        def announce(addresses: dict[str, str]) -> None:
            if write_bench is not None:
                # Hands are no instrument, and stand in no bench file.
                its_own = {name: address for name, address in addresses.items() if name in bench.file.instruments}
                write_bench_copy(bench, its_own, write_bench)
            for name, address in addresses.items():
                print(name, address, flush=True)
            print("ready", flush=True)

        asyncio.run(serve(twin, clock, host=host, port_base=port_base, on_ready=announce))
    except FileError as error:
        print(error, file=sys.stderr)
        raise typer.Exit(error.exit_code) from None
    except OSError as error:
        print(f"cannot serve: {error}", file=sys.stderr)
        raise typer.Exit(2) from None


if __name__ == "__main__":
    app()
