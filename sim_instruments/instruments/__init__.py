"""
The simulated instruments, one file per role; `make_instrument` picks by the bench file's settings.

Each has the same face to a transport: `open_port`, `wake` (executor.py), `read_status_byte`, `clear` (instrument.py).
"""

from sim_instruments.instruments.executor import Executor
from sim_instruments.instruments.factory import make_instrument
from sim_instruments.instruments.instrument import SimulatedInstrument
from sim_instruments.instruments.port import Port, Reply
from sim_instruments.instruments.surroundings import Surroundings, Terminal

__all__ = ["Executor", "Port", "Reply", "SimulatedInstrument", "Surroundings", "Terminal", "make_instrument"]
