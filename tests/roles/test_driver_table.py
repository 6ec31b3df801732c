"""The table of drivers is text; a driver is found by its name, for its role, and refused for another."""

from __future__ import annotations

import subprocess
import sys
from contextlib import suppress
from importlib.metadata import entry_points

import pytest

from benchkit.bench import model
from benchkit.errors import FileError
from benchkit.roles import Instrument, driver_class, driver_names, settings
from drivers.scpi_supply import ScpiSupply


def test_a_driver_is_found_by_its_name():
    assert driver_class("scpi-supply", "supply") is ScpiSupply


def test_every_driver_in_the_table_can_be_loaded_and_has_a_role_of_the_bench_file():
    roles = {
        kind.model_fields["role"].annotation.__args__[0]  # type: ignore[union-attr]
        for kind in (
            model.SourceSettings, model.PowerMeterSettings, model.AnalyserSettings, model.SupplySettings,
            model.VoltmeterSettings, model.ChamberSettings, model.SwitchSettings, model.NetworkAnalyserSettings,
        )
    }  # fmt: skip
    classes = [entry.load() for entry in entry_points(group="benchkit.drivers")]

    assert {driver.ROLE for driver in classes} == roles
    for name in driver_names():
        assert any(driver in classes for driver in fitting(name, roles))


def fitting(name: str, roles: set[str]) -> list[type[Instrument]]:
    """The driver in each role it can be asked for."""
    found = []
    for role in roles:
        with suppress(FileError):
            found.append(driver_class(name, role))
    return found


def test_a_driver_for_another_role_is_refused_with_one_that_fits():
    with pytest.raises(FileError, match=r"'scpi-supply' is for a supply, not for a power meter; .*scpi-power-meter"):
        driver_class("scpi-supply", "power meter")


def test_an_unknown_driver_is_refused_with_what_was_probably_meant_and_the_list():
    with pytest.raises(FileError, match=r"did you mean scpi-source\? There are .*scpi-chamber"):
        driver_class("scpi-sorce", "source")


def test_reading_the_table_imports_no_driver():
    """`benchkit check` must start fast, and a broken driver must not keep others from being listed."""
    code = (
        "import sys; from benchkit.roles import driver_names; assert 'scpi-source' in driver_names();"
        "assert not any(name.split('.')[0] == 'drivers' for name in sys.modules)"
    )

    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


@pytest.mark.parametrize(
    ("protocol", "kind"),
    [
        (settings.SourceSettings, model.SourceSettings),
        (settings.PowerMeterSettings, model.PowerMeterSettings),
        (settings.AnalyserSettings, model.AnalyserSettings),
        (settings.SupplySettings, model.SupplySettings),
        (settings.SupplyChannelSettings, model.SupplyChannelRatings),
        (settings.VoltmeterSettings, model.VoltmeterSettings),
        (settings.ChamberSettings, model.ChamberSettings),
        (settings.SwitchSettings, model.SwitchSettings),
    ],
)
def test_the_bench_files_models_tell_a_role_all_that_it_must_be_told(protocol, kind):
    """Roles do not import the bench file; a field renamed there must not be found out at six in the evening."""
    needed = {name for base in protocol.__mro__ for name, value in vars(base).items() if isinstance(value, property)}

    assert needed
    assert needed <= set(kind.model_fields)
