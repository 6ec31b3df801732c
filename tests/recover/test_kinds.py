"""Transient trouble in every kind of measurement, and before the first condition: begun again, and nothing wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.plan.files import load_both
from benchkit.record import Record
from tests.recover.nights import Undisturbed, night, undisturbed
from tests.scenario import ROOT, changed

FULL = ROOT / "sequences" / "benches" / "kd14_full.yaml"
OF_ANALYSER = ("late:spectrum_analyser", "half-answer:spectrum_analyser", "reset:spectrum_analyser", "restarts:spectrum_analyser")
# By sequence, where trouble comes; a message is one of what is done before the first condition.
KINDS: dict[str, tuple[str, ...]] = {
    "kd14_two_tone": tuple(
        f"{one}@point 9" for one in (*OF_ANALYSER, "late:drain_supply", "reset:second_source", "restarts:second_source")
    ),
    "kd14_spectrum": tuple(f"{one}@point 5" for one in (*OF_ANALYSER, "late:gate_supply", "reset:rf_source")),
    "kd14_s_parameters": (
        "half-answer:network_analyser@point 3", "reset:network_analyser@point 3", "half-answer:network_analyser@message 60",
        "reset:network_analyser@message 80",
    ),
    "kd14_paths": (
        "late:output_meter@message 200", "reset:rf_source@message 150", "restarts:output_meter@message 200",
        "reset:second_source@message 200",
    ),
    "kd14_verification": ("half-answer:output_meter@message 70", "power-cycled:output_meter@message 65"),
}  # fmt: skip
CASES = [(name, fault) for name, faults in KINDS.items() for fault in faults]


ONE_TEMPERATURE = ("values: [-30 degC, 25 degC, 70 degC]", "values: [25 degC]")
ONE_FREQUENCY = "frequency: [13.9 GHz, 14.125 GHz, 14.35 GHz]"
SHORTER: dict[str, tuple[tuple[str, str], ...]] = {
    "kd14_two_tone": (ONE_TEMPERATURE, (ONE_FREQUENCY, "frequency: 14.125 GHz"), ("spacing: [1 MHz, 10 MHz]", "spacing: 10 MHz")),
    "kd14_spectrum": (ONE_TEMPERATURE,),
    "kd14_s_parameters": (ONE_TEMPERATURE,),
    "kd14_paths": (
        ("{from: 13.5 GHz, to: 14.75 GHz, step: 125 MHz}", "[13.5 GHz, 14.125 GHz, 14.75 GHz]"),
    ),
    "kd14_verification": (),
}


@pytest.fixture(scope="module")
def truths() -> dict[str, Undisturbed]:
    return {}


@pytest.mark.parametrize(("name", "fault"), CASES)
def test_it_is_begun_again_and_every_number_is_that_of_a_quiet_night(
    tmp_path: Path, truths: dict[str, Undisturbed], name: str, fault: str
) -> None:
    """A setting that is told again in the wrong order ends the night as surely as the trouble that it was told again for."""
    source = ROOT / "sequences" / f"{name}.yaml"
    scenario = load_both(changed(source, tmp_path, ("bench: benches/kd14_full.yaml\n", ""), *SHORTER[name]), FULL)
    if name not in truths:
        truths[name] = undisturbed(*scenario, tmp_path)
    found = night(*scenario, (fault,), truths[name], tmp_path)

    assert found.failures == ()
    assert found.is_complete, found.outcome.message
    assert found.again >= 1


def test_the_rows_of_a_first_attempt_before_the_first_condition_are_kept_and_do_not_count(tmp_path: Path) -> None:
    source = ROOT / "sequences" / "kd14_paths.yaml"
    scenario = load_both(changed(source, tmp_path, ("bench: benches/kd14_full.yaml\n", "")), FULL)
    found = night(*scenario, ("late:output_meter@message 200",), undisturbed(*scenario, tmp_path), tmp_path)
    with Record.open(found.outcome.record) as record:
        levels, paths = record.stream("power_levels"), record.stream("paths")
    assert set(levels.loc[levels["channel"] == "A", "attempt"]) == {1, 2}
    assert paths.groupby("path")["attempt"].nunique().eq(1).all()
