"""
SCPI from the device's side, independent of benchkit's own: tokens, parameters, the header tree, status, responses.

Each module imports only from those before it: formats, faults, tokens, units, parameters, tree, compiler, status.
"""

from sim_instruments.scpi.compiler import Compiler, Step
from sim_instruments.scpi.faults import ERROR_TEXTS, ErrorQueue, Fault
from sim_instruments.scpi.parameters import (
    AnyNumber,
    Boolean,
    Channels,
    Choice,
    Integer,
    LimitWord,
    Many,
    Maybe,
    Number,
    Parameter,
    Text,
)
from sim_instruments.scpi.status import Status
from sim_instruments.scpi.tree import Command, HeaderTree

__all__ = [
    "ERROR_TEXTS",
    "AnyNumber",
    "Boolean",
    "Channels",
    "Choice",
    "Command",
    "Compiler",
    "ErrorQueue",
    "Fault",
    "HeaderTree",
    "Integer",
    "LimitWord",
    "Many",
    "Maybe",
    "Number",
    "Parameter",
    "Status",
    "Step",
    "Text",
]
