"""
Quantities: dBm and watts, units read from text, platinum resistors, dew point. No I/O.

units (the table), then parse and format on top; levels, pt100 and dew_point stand alone.
"""

from benchkit.quantities.dew_point import dew_point_of
from benchkit.quantities.format import format_quantity
from benchkit.quantities.levels import db_from_ratio, dbm_from_volts_rms, dbm_from_watts, ratio_from_db, watts_from_dbm
from benchkit.quantities.parse import parse_quantity, quantity_pattern
from benchkit.quantities.pt100 import pt100_resistance_ohm, pt100_temperature_degc
from benchkit.quantities.units import UNITS, Unit

__all__ = [
    "UNITS",
    "Unit",
    "db_from_ratio",
    "dbm_from_volts_rms",
    "dbm_from_watts",
    "dew_point_of",
    "format_quantity",
    "parse_quantity",
    "pt100_resistance_ohm",
    "pt100_temperature_degc",
    "quantity_pattern",
    "ratio_from_db",
    "watts_from_dbm",
]
