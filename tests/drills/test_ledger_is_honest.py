"""The ledger is what every drill is judged by: it must fill when it should, and no fault may talk it out of an entry."""

from __future__ import annotations

from pathlib import Path

import pytest
import pyvisa

from benchkit.bench.load import Bench, load_bench
from benchkit.clock import VirtualClock
from sim_instruments.faults import AT_MOST_S, REACTION_S
from sim_instruments.ledger import Abuse, read_ledger
from sim_instruments.visa import TwinLibrary, open_library
from tests.drills.careless import EXPECTED, be_careless
from tests.scenario import BENCH


@pytest.fixture(scope="module")
def bench() -> Bench:
    return load_bench(BENCH)


class Hands:
    """Instruments in a person's hands: SCPI as typed."""

    def __init__(self, bench: Bench, *faults: str) -> None:
        self.clock = VirtualClock()
        self.library: TwinLibrary = open_library(self.clock, bench=bench, faults=faults)
        self._manager = pyvisa.ResourceManager(self.library)
        self._open: dict[str, pyvisa.resources.MessageBasedResource] = {}
        self._bench = bench

    def at(self, name: str) -> pyvisa.resources.MessageBasedResource:
        if name not in self._open:
            opened = self._manager.open_resource(
                self._bench.file.instruments[name].address, write_termination="\n", read_termination="\n", timeout=2000
            )
            assert isinstance(opened, pyvisa.resources.MessageBasedResource)
            self._open[name] = opened
        return self._open[name]

    def bias(self) -> None:
        """As it should be done: routes, gate, drain with its protection, gate to the quiescent point, then RF."""
        self.at("rf_switch").write("ROUT:CLOS (@101,201,301)")
        self.at("gate_supply").write("VOLT -2.5,(@1);:OUTP ON,(@1)")
        self.clock.sleep(0.05)
        self.at("drain_supply").write("CURR 0.44,(@1);:CURR:PROT:STAT ON,(@1);:VOLT 6,(@1);:OUTP ON,(@1)")
        self.clock.sleep(0.05)
        self.at("gate_supply").write("VOLT -0.75,(@1)")
        self.clock.sleep(0.05)
        self.at("rf_source").write("FREQ 14.125 GHZ;:POW 0 DBM;:OUTP ON")
        self.clock.sleep(0.05)

    def make_safe(self) -> None:
        self.at("rf_source").write("OUTP OFF")
        self.at("drain_supply").write("OUTP OFF,(@1)")
        self.clock.sleep(0.05)
        self.at("gate_supply").write("OUTP OFF,(@1)")

    def charged(self) -> list[str]:
        self.library.twin.finish()
        return [entry.what for entry in self.library.twin.ledger.charged]

    def own_doing(self) -> list[str]:
        return [entry.what for entry in self.library.twin.ledger.entries if entry.by]


def test_a_careless_script_fills_the_ledger_with_everything_it_did(bench: Bench, tmp_path: Path) -> None:
    """An empty ledger after a drill means something only if this one is not."""
    clock, path = VirtualClock(), tmp_path / "ledger.jsonl"
    library = open_library(clock, bench=bench, ledger_path=path)

    be_careless(library, bench, clock)

    found = {entry.what for entry in read_ledger(path)}
    assert found >= EXPECTED
    left_on = [entry.detail for entry in read_ledger(path) if entry.what == Abuse.LEFT_ENERGISED]
    assert len(left_on) == 3  # drain, gate, RF


def test_a_careful_person_leaves_it_empty(bench: Bench) -> None:
    """Otherwise the drills could not pass for the right reason."""
    hands = Hands(bench)
    hands.bias()
    hands.make_safe()

    assert hands.charged() == []


def test_carelessness_is_charged_though_a_fault_came_too(bench: Bench) -> None:
    """A fault of the power meter is no excuse for anything that is done to the device."""
    clock = VirtualClock()
    library = open_library(clock, bench=bench, faults=("silent:output_meter@0 s",))

    be_careless(library, bench, clock)

    assert {entry.what for entry in library.twin.ledger.charged} >= EXPECTED


def test_a_runaway_that_is_stopped_in_time_is_the_sources_own_doing(bench: Bench) -> None:
    """Nobody can prevent the microseconds; one reading and RF off is what can be asked for."""
    hands = Hands(bench, "level-runaway@0.3 s")
    hands.bias()
    hands.at("rf_source").write("POW 8 DBM")  # + 10 dB - 3.4 dB: above the part's 13 dBm
    hands.clock.sleep(0.15)
    hands.at("output_meter").query("READ?")
    hands.make_safe()

    assert hands.charged() == []
    assert hands.own_doing() == [Abuse.INPUT_POWER]


def test_a_runaway_that_goes_on_is_charged(bench: Bench) -> None:
    """The excuse ends with the time that benchkit promises to need."""
    hands = Hands(bench, "level-runaway@0.3 s")
    hands.bias()
    hands.at("rf_source").write("POW 8 DBM")
    hands.clock.sleep(AT_MOST_S + 0.5)
    hands.make_safe()

    assert hands.charged() == [Abuse.STILL]
    assert hands.own_doing() == [Abuse.INPUT_POWER]


def test_what_a_reading_has_shown_must_end_sooner(bench: Bench) -> None:
    """Within REACTION_S of the reading, not within AT_MOST_S of the fault."""
    hands = Hands(bench, "level-runaway@0.25 s")
    hands.bias()
    hands.at("rf_source").write("POW -10 DBM")
    hands.clock.sleep(0.1)
    hands.at("output_meter").query("READ?")  # 10 dB more than set: it shows
    hands.at("rf_source").write("POW 8 DBM")
    hands.clock.sleep(REACTION_S + 0.1)
    hands.make_safe()

    charged = hands.charged()
    assert Abuse.ENERGISED_ON in charged
    assert Abuse.STILL in charged


def test_going_on_after_a_fault_has_shown_is_charged(bench: Bench) -> None:
    """From there on the only way is down."""
    hands = Hands(bench, "oscillates@0.25 s")
    hands.bias()
    hands.clock.sleep(0.1)
    hands.at("output_meter").query("READ?")
    hands.at("rf_source").write("POW 1 DBM")
    hands.clock.sleep(0.01)
    hands.make_safe()

    assert hands.charged() == [Abuse.ENERGISED_ON]


def test_a_lost_gate_is_no_excuse_for_a_drain_without_protection(bench: Bench) -> None:
    """The supply's limit and trip would have held the current; whoever did not set them is to blame."""
    hands = Hands(bench, "gate-lost@0.3 s")
    hands.bias()
    hands.at("drain_supply").write("CURR:PROT:STAT OFF,(@1);:CURR 2,(@1)")
    hands.clock.sleep(0.15)
    hands.make_safe()

    assert Abuse.DRAIN_CURRENT in hands.charged()


def test_a_lost_gate_with_protection_trips_and_is_the_fault_s_own_doing(bench: Bench) -> None:
    """The hardware wall acts by itself, before anybody reads anything."""
    hands = Hands(bench, "gate-lost@0.3 s")
    hands.bias()
    hands.clock.sleep(0.15)
    assert hands.at("drain_supply").query("CURR:PROT:TRIP? (@1)").strip() == "1"
    hands.make_safe()

    assert hands.charged() == []
