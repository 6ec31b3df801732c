"""
The abstract instruments: what each role promises, kept once, for every driver.

How it stacks: settings (what a role is told), dialect (commands as data), limits and units, then instrument (what all
promise), reading (arm and collect), arrays (blocks of numbers), one file per role, and drivers (the table of them).
"""

from benchkit.roles.analyser import Analyser
from benchkit.roles.chamber import Chamber
from benchkit.roles.drivers import driver_class, driver_names
from benchkit.roles.instrument import Instrument, Listener
from benchkit.roles.network_analyser import NetworkAnalyser
from benchkit.roles.power_meter import PowerMeter
from benchkit.roles.reading import ReadingInstrument
from benchkit.roles.rf_output import RfOutput
from benchkit.roles.source import Source
from benchkit.roles.supply import Supply
from benchkit.roles.switch import Switch
from benchkit.roles.voltmeter import Voltmeter

__all__ = [
    "Analyser",
    "Chamber",
    "Instrument",
    "Listener",
    "NetworkAnalyser",
    "PowerMeter",
    "ReadingInstrument",
    "RfOutput",
    "Source",
    "Supply",
    "Switch",
    "Voltmeter",
    "driver_class",
    "driver_names",
]
