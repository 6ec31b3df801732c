"""
The simulated instruments, one file per role; `make_instrument` picks by the bench file's settings.

Each has the same face to a transport: `open_port`, `wake`, `read_status_byte`, `clear` (see instrument.py).
"""

from sim_instruments.instruments.factory import make_instrument
from sim_instruments.instruments.instrument import SimulatedInstrument
from sim_instruments.instruments.port import Port, Reply
from sim_instruments.instruments.surroundings import Surroundings, Terminal

__all__ = ["Port", "Reply", "SimulatedInstrument", "Surroundings", "Terminal", "make_instrument"]
