"""
What the proof is for: whatever is true within what the files state, no command of an accepted plan passes a limit.

The truths are drawn, and what comes of them is worked out here from first principles, not by the proof's own arithmetic: a path
takes off what it truly takes off, a source gives what it truly gives, a device amplifies and saturates as it truly does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import pytest
from hypothesis import HealthCheck, assume, event, given, settings
from hypothesis import strategies as st

from benchkit.envelope import prove
from benchkit.errors import FileError
from tests.envelope.benches import FREQUENCIES_GHZ, Numbers, loaded

# Binary fractions of decimal numbers; the proof allows as much.
ROUNDING = 2e-9


def between(low: float, high: float) -> st.SearchStrategy[float]:
    """Rounded, so that files are readable and limits are met exactly now and then."""
    return st.floats(low, high).map(lambda value: round(value, 3))


# Where in its stated limits a truth lies: anywhere, and often at the very end.
FRACTION = st.one_of(st.sampled_from((-1.0, 1.0)), st.floats(-1.0, 1.0))


@st.composite
def drawn_numbers(draw: st.DrawFn) -> Numbers:
    """Files whose limits lie around the worst case, so that some are accepted and some are refused, by little."""
    top = draw(between(-10.0, 14.0))
    accuracy, overshoot = draw(between(0.0, 1.0)), draw(between(0.0, 1.0))
    amplifier = draw(st.booleans())
    loss = tuple(draw(between(-25.0, -15.0) if amplifier else between(0.5, 10.0)) for _ in FREQUENCIES_GHZ)
    u_in = tuple(draw(between(0.0, 1.0)) for _ in FREQUENCIES_GHZ)
    out_loss = tuple(draw(between(5.0, 25.0)) for _ in FREQUENCIES_GHZ)
    u_out = tuple(draw(between(0.0, 1.0)) for _ in FREQUENCIES_GHZ)
    gain, saturation = draw(between(5.0, 30.0)), draw(between(10.0, 35.0))
    room = st.one_of(st.just(0.0), between(0.0, 2.0))
    # At most one limit is too tight, so that plans are accepted more often than not.
    too_tight = draw(st.one_of(st.none(), st.integers(0, 11)))
    limits_seen = iter(range(100))
    input_saturation = round(top + draw(between(0.0, 5.0)), 3) if amplifier else None
    worst_in = min(top + accuracy + overshoot + max(u_in), math.inf if input_saturation is None else input_saturation)
    worst_out = min(worst_in + gain, saturation)
    supply, supply_floor, supply_part = draw(between(1.0, 10.0)), draw(between(0.0, 0.1)), draw(between(0.0, 1.0))
    worst_v = supply * (1 + supply_part / 100) + supply_floor
    limit, limit_floor, limit_part = draw(between(0.15, 1.0)), draw(between(0.0, 0.05)), draw(between(0.0, 1.0))
    worst_a = limit * (1 + limit_part / 100) + limit_floor
    set_degc, chamber, past = draw(between(30.0, 100.0)), draw(between(0.0, 3.0)), draw(between(0.0, 3.0))
    rise, gate_floor = draw(between(0.0, 10.0)), draw(between(0.0, 0.1))

    def near(worst: float, scale: float = 1.0) -> float:
        spoilt = -0.05 if next(limits_seen) == too_tight else draw(room)
        return math.ceil((worst + scale * spoilt) * 1e6) / 1e6

    return Numbers(
        top_dbm=top,
        source_accuracy_db=accuracy,
        source_overshoot_db=overshoot,
        input_loss_db=loss,
        input_u_db=u_in,
        input_saturation_dbm=input_saturation,
        output_loss_db=out_loss,
        output_u_db=u_out,
        gain_max_db=gain,
        saturation_dbm=saturation,
        input_power_max_dbm=near(worst_in),
        output_power_max_dbm=near(worst_out),
        input_path_max_dbm=near(top + max(loss) + accuracy + overshoot),
        output_path_max_dbm=near(worst_out),
        meter_max_dbm=near(worst_out - min(a - b for a, b in zip(out_loss, u_out, strict=True)) + 0.01),
        supply_v=supply,
        supply_floor_v=supply_floor,
        supply_of_reading_percent=supply_part,
        drain_voltage_max_v=near(worst_v, 0.1),
        current_limit_a=limit,
        current_floor_a=limit_floor,
        current_of_reading_percent=limit_part,
        drain_current_max_a=near(worst_a, 0.1),
        dissipation_max_w=near(worst_v * worst_a + 0.3, 0.05),
        gate_floor_v=gate_floor,
        pinch_off_v=-2.5,
        gate_to_v=-0.5,
        gate_voltage_min_v=-near(2.5 + gate_floor, 0.1),
        gate_voltage_max_v=near(-0.5 + gate_floor, 0.1),
        set_degc=set_degc,
        chamber_accuracy_k=chamber,
        chamber_overshoot_k=past,
        case_rise_k=rise,
        temperature_max_degc=near(set_degc + chamber + max(past, 0.2) + rise),
    )


@dataclass(frozen=True)
class Truth:
    """Where everything truly lies within what is stated; parts from -1 to 1, or from 0 to 1 where only one end is known."""

    source: float
    input_loss: float
    output_loss: float
    gain: float
    saturation: float
    is_soft: bool
    supply: float
    current: float
    gate: float
    gate_current: float
    chamber: float
    past: float
    rise: float


TRUTHS = st.builds(
    Truth, FRACTION, FRACTION, FRACTION, FRACTION, FRACTION, st.booleans(), FRACTION, FRACTION, FRACTION, FRACTION, FRACTION,
    FRACTION, FRACTION,
)  # fmt: skip


def interpolated(values: tuple[float, ...], frequency_ghz: float) -> float:
    """Linear between the table's rows."""
    for (f0, a), (f1, b) in zip(
        zip(FREQUENCIES_GHZ, values, strict=True), list(zip(FREQUENCIES_GHZ, values, strict=True))[1:], strict=False
    ):
        if f0 <= frequency_ghz <= f1:
            return a + (frequency_ghz - f0) / (f1 - f0) * (b - a)
    raise AssertionError(f"{frequency_ghz} GHz is not in the table")


def saturating(linear_dbm: float, ceiling_dbm: float | None, is_soft: bool) -> float:
    """An amplifier never gives more than linear, nor than its ceiling; softly or at a corner."""
    if ceiling_dbm is None:
        return linear_dbm
    if not is_soft:
        return min(linear_dbm, ceiling_dbm)
    return -10.0 * math.log10(10.0 ** (-linear_dbm / 10.0) + 10.0 ** (-ceiling_dbm / 10.0))


def half(part: float) -> float:
    """-1..1 to 0..1."""
    return (part + 1.0) / 2.0


def passed_limits(n: Numbers, truth: Truth) -> list[str]:
    """Every limit that some command of the plan passes, if this is true."""
    found = []

    def at_most(what: str, value: float, limit: float) -> None:
        if value > limit + ROUNDING:
            found.append(f"{what}: {value} above {limit}")

    error = truth.source * n.source_accuracy_db + half(truth.source) * n.source_overshoot_db
    gain = n.gain_max_db - 5.0 * (1.0 - half(truth.gain))
    ceiling = n.saturation_dbm - 3.0 * (1.0 - half(truth.saturation))
    for step in range(13):
        ghz = 13.0 + 0.125 * step
        loss, loss_u = interpolated(n.input_loss_db, ghz), interpolated(n.input_u_db, ghz)
        out, out_u = interpolated(n.output_loss_db, ghz), interpolated(n.output_u_db, ghz)
        for level in (-20.0 + (n.top_dbm + 20.0) * i / 4 for i in range(5)):
            leaves = level + loss + error
            arrives = saturating(leaves - (loss + truth.input_loss * loss_u), n.input_saturation_dbm, truth.is_soft)
            output = saturating(arrives + gain, ceiling, truth.is_soft)
            at_most("source", level + loss, 25.0)
            at_most("input path", leaves, n.input_path_max_dbm)
            at_most("device input", arrives, n.input_power_max_dbm)
            at_most("device output", output, n.output_power_max_dbm)
            at_most("output path", output, n.output_path_max_dbm)
            at_most("meter", output - (out + truth.output_loss * out_u), n.meter_max_dbm)
    drain_v = n.supply_v + truth.supply * (n.supply_v * n.supply_of_reading_percent / 100 + n.supply_floor_v)
    error_a = n.current_limit_a * n.current_of_reading_percent / 100 + n.current_floor_a
    drain_a = n.current_limit_a + half(truth.current) * error_a
    gate_a = truth.gate_current * 5.001e-3
    at_most("drain voltage", drain_v, n.drain_voltage_max_v)
    at_most("drain current", drain_a, n.drain_current_max_a)
    for gate_set_v in (n.pinch_off_v, -1.6, n.gate_to_v):
        gate_v = gate_set_v + truth.gate * n.gate_floor_v
        at_most("gate, upper", gate_v, n.gate_voltage_max_v)
        at_most("gate, lower", -gate_v, -n.gate_voltage_min_v)
        rf_w = 1e-3 * 10 ** (n.input_power_max_dbm / 10)
        at_most("heat", drain_v * drain_a + gate_v * gate_a + rf_w, n.dissipation_max_w)
    for set_degc in (20.0, n.set_degc, 25.0):
        air = set_degc + truth.chamber * n.chamber_accuracy_k + truth.past * n.chamber_overshoot_k
        at_most("case, upper", air + half(truth.rise) * n.case_rise_k, n.temperature_max_degc)
        at_most("case, lower", -air, -n.temperature_min_degc)
    return found


def accepts(n: Numbers) -> bool:
    try:
        prove(*loaded(n))
    except FileError:
        return False
    return True


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow])
@given(numbers=drawn_numbers(), truths=st.lists(TRUTHS, min_size=4, max_size=4))
def test_no_truth_within_what_is_stated_passes_a_limit_of_an_accepted_plan(numbers: Numbers, truths: list[Truth]) -> None:
    """The one promise of the proof."""
    accepted = accepts(numbers)
    event("accepted" if accepted else "refused")
    assume(accepted)

    # The worst corner is among them every time.
    for truth in (*truths, *corners()):
        assert passed_limits(numbers, truth) == []


def corners() -> list[Truth]:
    """Everything at its upper end, losses at their lower; and the same with the currents and temperatures turned round."""
    high = Truth(1, -1, -1, 1, 1, False, 1, 1, 1, 1, 1, 1, 1)
    low = Truth(-1, 1, 1, -1, -1, False, -1, -1, -1, -1, -1, -1, -1)
    return [high, low]


WORST = {
    "input_power_max_dbm": 5.0 + 0.7 + 0.3,
    "output_power_max_dbm": 30.0,
    "output_path_max_dbm": 30.0,
    "input_path_max_dbm": 5.0 + 4.0 + 0.7,
    "meter_max_dbm": 30.0 - (20.0 - 0.2),
    "drain_voltage_max_v": 6.0 * 1.0005 + 0.01,
    "drain_current_max_a": 0.4 * 1.001 + 0.001,
    "gate_voltage_max_v": -0.3 + 0.002,
    "temperature_max_degc": 70.0 + 0.5 + 1.0 + 4.0,
}
"""The defaults' worst cases, by hand: sums of what the files state."""


@pytest.mark.parametrize("name", WORST)
def test_a_limit_at_the_worst_case_is_met_and_one_a_hair_below_is_not(name: str) -> None:
    """A proof that leaves room it does not say costs range; one that is short of the worst case costs the part."""
    worst = WORST[name]

    assert accepts(Numbers().but(**{name: round(worst, 6)}))
    assert not accepts(Numbers().but(**{name: round(worst - 1e-4, 6)}))
    assert passed_limits(Numbers().but(**{name: round(worst - 1e-4, 6)}), corners()[0]) != []
