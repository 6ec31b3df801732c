"""Promise: an output intercept point is right within its uncertainty, or absent with the reason why."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchkit.bench.load import load_bench_text
from benchkit.campaign import CampaignOutcome, rehearse
from benchkit.envelope import prove
from benchkit.errors import ProofError
from benchkit.plan.files import load_both
from benchkit.record import Record
from benchkit.report import write_report
from benchkit.results.result import Result
from sim_instruments.physics.channel import DeviceChannel
from tests.scenario import ROOT, changed

SEQUENCE = ROOT / "sequences" / "kd14_two_tone.yaml"
FULL = ROOT / "sequences" / "benches" / "kd14_full.yaml"
CENTRE_HZ, SPACING_HZ = 14.125e9, 10e6
SHORTER = (
    ("bench: benches/kd14_full.yaml\n", ""),
    ("values: [-30 degC, 25 degC, 70 degC]", "values: [25 degC]"),
    ("frequency: [13.9 GHz, 14.125 GHz, 14.35 GHz]    # the middle between the tones", "frequency: 14.125 GHz"),
    ("frequency: [13.9 GHz, 14.125 GHz, 14.35 GHz]", "frequency: 14.125 GHz"),
    ("spacing: [1 MHz, 10 MHz]", "spacing: 10 MHz"),
    ("drive: {from: -14 dBm, to: -6 dBm, step: 1 dB}", "drive: {from: -20 dBm, to: -6 dBm, step: 2 dB}"),
    ("resolution_bandwidth: 3 Hz ", "resolution_bandwidth: 100 Hz "),
    ("back_off: [7 dB]", "back_off: [10 dB]"),
)
# Lower and upper tone, lower and upper third-order product: frequency less that of the centre, in spacings.
TONES, PRODUCTS = (-0.5, 0.5), (-1.5, 1.5)


@contextmanager
def true_lines() -> Iterator[list[dict[float, float]]]:
    """What leaves the simulated device's output pin, whenever somebody looks: level by frequency. [Hz, dBm]"""
    found: list[dict[float, float]] = []
    lines = DeviceChannel.lines

    def looked_at(channel: DeviceChannel, *arguments: Any) -> Any:
        there = lines(channel, *arguments)
        found.append({round(hz): level_dbm for hz, level_dbm in there})
        return there

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(DeviceChannel, "lines", looked_at)
        yield found


def carried_out(folder: Path, *changes: tuple[str, str], bench: tuple[str, str] | None = None) -> CampaignOutcome:
    sequence, own = load_both(changed(SEQUENCE, folder, *SHORTER, *changes), FULL)
    if bench is not None:
        assert bench[0] in own.text
        own = load_bench_text(own.text.replace(*bench), own.path.name, own.table_files, own.path.parent)
    return rehearse(sequence, own, folder / "record.h5")


def of(outcome: CampaignOutcome, parameter: str) -> Result:
    (found,) = [one for one in outcome.results if one.parameter == parameter]
    return found


def at(lines: dict[float, float], places: tuple[float, ...]) -> list[float]:
    return [lines.get(round(CENTRE_HZ + place * SPACING_HZ), float("nan")) for place in places]


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> tuple[CampaignOutcome, list[dict[float, float]]]:
    with true_lines() as truth:
        outcome = carried_out(tmp_path_factory.mktemp("two_tone"))
    return outcome, [lines for lines in truth if np.isfinite(at(lines, TONES + PRODUCTS)).all()]


Seen = tuple[CampaignOutcome, list[dict[float, float]]]


def test_the_intercept_point_is_the_true_one_within_its_uncertainty(seen: Seen) -> None:
    """True: from the lines at the simulated device's own pin, by the definition of the intercept point."""
    outcome, truth = seen
    assert outcome.outcome == "done", outcome.message
    assert outcome.record.with_suffix(".ledger.jsonl").read_text(encoding="utf-8") == ""
    p1db, found = of(outcome, "p1db"), of(outcome, "oip3")
    intercepts = []
    for lines in truth:
        tone_dbm = float(np.mean(at(lines, TONES)))
        product_dbm = 10 * np.log10(np.mean(10 ** (np.array(at(lines, PRODUCTS)) / 10)))
        if p1db.value - 20 < tone_dbm + 3.01 < p1db.value - 10:
            intercepts.append(tone_dbm + (tone_dbm - product_dbm) / 2)
    assert len(intercepts) >= 3
    assert np.ptp(intercepts) < 0.5
    assert abs(found.value - np.mean(intercepts)) < found.expanded_uncertainty < 1.5
    assert found.budget
    above = of(outcome, "oip3_above_p1db")
    assert above.value == pytest.approx(found.value - p1db.value, abs=1e-6)
    # Common practice, no source: some 9 to 10 dB for a class-AB GaAs part; a decibel more is no news.
    assert 8.5 < above.value < 11.5


def test_the_fifth_order_intercept_is_the_true_one_where_its_products_can_be_read(tmp_path: Path) -> None:
    """Narrow enough and near enough to compression, as it is shipped: tone + (tone - product) / 4 at the device's own pin."""
    with true_lines() as truth:
        sequence, bench = load_both(changed(SEQUENCE, tmp_path, *SHORTER[:-3]), FULL)
        outcome = rehearse(sequence, bench, tmp_path / "record.h5")
    p1db, found = of(outcome, "p1db"), of(outcome, "oip5")
    assert not found.is_absent, found.reason
    intercepts = []
    for lines in truth:
        fifth = np.array(at(lines, (-2.5, 2.5)))
        tone_dbm = float(np.mean(at(lines, TONES)))
        if np.isfinite(fifth).all() and p1db.value - 13 < tone_dbm + 3.01 < p1db.value - 7:
            intercepts.append(tone_dbm + (tone_dbm - 10 * np.log10(np.mean(10 ** (fifth / 10)))) / 4)
    assert len(intercepts) >= 3
    assert abs(found.value - np.mean(intercepts)) < found.expanded_uncertainty < 1.2


def test_each_line_is_the_true_one_within_its_uncertainty(seen: Seen) -> None:
    """Tones and products, at every drive: corrected to the device's output pin."""
    outcome, truth = seen
    with Record.open(outcome.record) as record:
        rows = record.stream("tones")
    rows = rows[rows["line"].isin(["lower tone", "upper tone"]) & rows["output_dbm"].notna()]
    assert len(rows) > 20
    for row in rows.to_dict("records"):
        levels = [lines[round(row["frequency_hz"])] for lines in truth if round(row["frequency_hz"]) in lines]
        error_db = min(abs(level - row["output_dbm"]) for level in levels)
        assert error_db <= 2.5 * np.hypot(row["u_path_db"], row["u_analyser_db"])


def test_products_rise_by_about_three_decibels_per_decibel(seen: Seen) -> None:
    """A number whose products do not would mean nothing."""
    outcome, _ = seen
    for side in ("lower", "upper"):
        assert of(outcome, f"im3_slope_{side}").value == pytest.approx(3.0, abs=0.3)


def test_a_slope_is_uncertain_by_what_differs_from_level_to_level_alone(seen: Seen) -> None:
    """A few points may lie on a line by chance, and linearity turns it all the same; what all levels share turns no line."""
    outcome, _ = seen
    lines = {line.name: line for line in of(outcome, "im3_slope_lower").budget}
    # As the bench file states: 0.15 dB between two levels of the analyser, 0.02 dB (and steps of 0.01 dB) of a source.
    span_db = 1.5 / lines["analyser, difference of two levels"].sensitivity
    assert span_db == pytest.approx(round(span_db / 2) * 2)
    assert lines["analyser, difference of two levels"].standard_uncertainty == pytest.approx(0.15 / 3**0.5)
    sources = lines["sources, difference of two levels"]
    assert sources.standard_uncertainty == pytest.approx(np.hypot(0.02, 0.01 / 2**0.5) / 3**0.5)
    assert sources.sensitivity == pytest.approx(3 * 1.5 / span_db)
    assert not any("path" in name or "common" in name for name in lines)


def test_close_to_compression_the_slope_is_wrong_and_there_is_no_number(tmp_path: Path) -> None:
    """Near P1dB every order adds to the third product; a line through it gives an intercept point of nothing."""
    outcome = carried_out(
        tmp_path,
        ("{from: -20 dBm, to: -6 dBm, step: 2 dB}", "{from: -5 dBm, to: -1 dBm, step: 1 dB}"),
        ("back_off: [10 dB]", "back_off: [1 dB]"),
    )
    found = of(outcome, "oip3")
    assert found.is_absent
    assert "dB per dB of drive, not 3 within" in found.reason


def test_products_below_the_noise_give_no_number(tmp_path: Path) -> None:
    outcome = carried_out(tmp_path, ("drive: {from: -20 dBm, to: -6 dBm", "drive: {from: -34 dBm, to: -28 dBm"))
    found = of(outcome, "oip3")
    assert found.is_absent
    assert "above the noise" in found.reason


def test_products_of_the_analyser_itself_are_told_and_give_no_number(tmp_path: Path) -> None:
    """With no attenuator the analyser's own products stand where the device's do; the step of the attenuator tells."""
    outcome = carried_out(
        tmp_path, ("attenuation: 24 dB", "attenuation: 6 dB"),
        bench=("    intercept: 16 dBm\n", "    intercept: -8 dBm\n"),
    )  # fmt: skip
    found = of(outcome, "oip3")
    assert found.is_absent
    assert "attenuat" in found.reason


def test_without_compression_in_the_record_there_is_no_distance_from_p1db(tmp_path: Path) -> None:
    text = changed(SEQUENCE, tmp_path, *SHORTER).read_text(encoding="utf-8")
    text = text[: text.index("  - kind: compression")] + text[text.index("  - kind: two_tone") :]
    path = tmp_path / "without.yaml"
    path.write_text(text.replace("  - {parameter: p1db, min: 26 dBm}\n", ""), encoding="utf-8")
    outcome = rehearse(*load_both(path, FULL), tmp_path / "record.h5")
    assert of(outcome, "oip3_above_p1db").is_absent
    assert "P1dB" in of(outcome, "oip3_above_p1db").reason


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        # Two tones are 6 dB more at the peak of the envelope than one of them.
        ("{from: -20 dBm, to: -6 dBm, step: 2 dB}", "{from: 0 dBm, to: 8 dBm, step: 2 dB}", "limits.input_power_max"),
        ("frequency: 14.125 GHz\n    spacing", "frequency: 21 GHz\n    spacing", "outside"),
        ("spacing: 10 MHz", "spacing: 3 GHz", "outside"),
        ("attenuation: 24 dB", "attenuation: 80 dB", "attenuation"),
    ],
)
def test_what_two_tones_must_not_or_cannot_do_is_refused_on_paper(tmp_path: Path, old: str, new: str, says: str) -> None:
    with pytest.raises(ProofError, match=says):
        carried_out(tmp_path, (old, new))


def test_the_report_and_the_method_say_how(seen: Seen, tmp_path: Path) -> None:
    page = write_report([seen[0].record], tmp_path / "page.html").read_text(encoding="utf-8")
    for told in ("Tones and products against drive", "Output intercept point of order 3", "mean of both products"):
        assert told in page


def test_tones_where_nothing_is_compressed_are_told_before_the_night(tmp_path: Path) -> None:
    """The reason why every intercept point is absent is then known before power."""
    there = prove(*load_both(changed(SEQUENCE, tmp_path, *SHORTER), FULL)).warnings
    moved = prove(*load_both(changed(SEQUENCE, tmp_path, *SHORTER[:2], (SHORTER[2][0], "frequency: 14.25 GHz")), FULL)).warnings

    assert not any("no intercept point" in one for one in there)
    assert any("no intercept point at 14.25 GHz" in one and "back_off_from" in one for one in moved)
