"""Promise: two tones, harmonics and searches that are repeated say what a mean can say, and where there is none, the worst."""

from __future__ import annotations

import math
import statistics
from dataclasses import replace
from pathlib import Path

import pytest

from benchkit.bench.load import load_bench
from benchkit.campaign import CampaignOutcome, rehearse
from benchkit.campaign.summary import own_streams, summarise
from benchkit.clock import VirtualClock
from benchkit.errors import FileError
from benchkit.measurements.spurious_repeats import OfSearch, worst_of
from benchkit.measurements.two_tone_repeats import of_repeats
from benchkit.plan import estimate, make_plan
from benchkit.plan.files import load_both
from benchkit.record import Record
from benchkit.report import write_report
from benchkit.results.repeats import MOVED, REPEATABILITY
from benchkit.results.result import Result, ResultCondition
from benchkit.sequence.load import load_sequence, load_sequence_text
from tests.benchmarks.truth import tapped, times_of
from tests.benchmarks.truth_spectrum import harmonic_truth, two_tone_truth
from tests.measurements.test_spectrum import ALONE, HIGH_DRIVE, ONE_CARRIER
from tests.measurements.test_spectrum import SEQUENCE as SPECTRUM
from tests.measurements.test_two_tone import FULL, SHORTER
from tests.measurements.test_two_tone import SEQUENCE as TWO_TONE
from tests.report.page import Page
from tests.scenario import changed

REPEATS = 3
CENTRE_HZ, SPACING_HZ = 14.125e9, 10e6
SPECTRUM_SHORT = (
    *ALONE, ONE_CARRIER, HIGH_DRIVE,
    ("bench: benches/kd14_full.yaml\n", ""),
    ("values: [-30 degC, 25 degC, 70 degC]", "values: [25 degC]"),
    ("    name: harmonics and spurious\n", f"    name: harmonics and spurious\n    repeats: {REPEATS}\n"),
    ("      guard: 20 MHz", "      guard: 20 MHz\n      points: 2001\n      leaves_out: carrier"),
)  # fmt: skip
TONES, BACK_OFF, ATTENUATION_DB = "two tones", "10 dB back-off", 24.0
Walk = dict[tuple[str, str], Result]
Seen = tuple[CampaignOutcome, dict[tuple[str, str], float]]


def carried_out(
    folder: Path, shipped: Path, *changes: tuple[str, str], faults: tuple[str, ...] = ()
) -> CampaignOutcome:
    sequence, bench = load_both(changed(shipped, folder, *changes), FULL)
    outcome = rehearse(sequence, bench, folder / "record.h5", faults=faults)
    assert outcome.outcome == "done", outcome.message
    return outcome


def reported(outcome: CampaignOutcome, measurement: str) -> Walk:
    """By parameter and qualifier: each is there once."""
    own = [one for one in outcome.results if one.measurement == measurement]
    found = {(one.parameter, one.qualifier): one for one in own}
    assert len(found) == len(own)
    return found


def of_each_repeat(outcome: CampaignOutcome, measurement: str) -> list[Walk]:
    """What each repeat gives by itself: summed up from its own ladders, by the same sequence without repeats."""
    with Record.open(outcome.record) as record:
        text = record.sequence_text.replace(f"repeats: {REPEATS}", "repeats: 1")
        sequence = load_sequence_text(text, "sequence.yaml")
        points, ladders, streams = record.points(), record.ladders(), own_streams(record, sequence)
    index = [block.title for block in sequence.file.measurements].index(measurement)
    walks = []
    for ladder in sorted(ladders[ladders["measurement"] == index]["ladder"].unique()):
        kept = (ladders["measurement"] != index) | (ladders["ladder"] == ladder)
        results = summarise(sequence, points, ladders[kept], streams)
        walks.append({(one.parameter, one.qualifier): one for one in results if one.measurement == measurement})
    assert len(walks) == REPEATS
    return walks


@pytest.fixture(scope="module")
def tones(tmp_path_factory: pytest.TempPathFactory) -> Seen:
    repeated = ("    spacing: 10 MHz", f"    spacing: 10 MHz\n    repeats: {REPEATS}")
    with tapped() as tap:
        outcome = carried_out(tmp_path_factory.mktemp("tones"), TWO_TONE, *SHORTER, repeated)
    with Record.open(outcome.record) as record:
        rows = record.stream("tones")
    p1db_dbm = reported(outcome, "power sweep")["p1db", ""].value
    read = rows[(rows["line"] == "lower tone") & (rows["attenuation_db"] == ATTENUATION_DB)]
    first = read[read["ladder"] == read["ladder"].min()]
    drives = [float(one) for one in first["drive_set_dbm"]]
    times = times_of(first, VirtualClock().now())
    return outcome, two_tone_truth(tap, times, drives, CENTRE_HZ, SPACING_HZ, p1db_dbm=p1db_dbm, back_off_db=10.0)


@pytest.fixture(scope="module")
def spectra(tmp_path_factory: pytest.TempPathFactory) -> Seen:
    with tapped() as tap:
        outcome = carried_out(tmp_path_factory.mktemp("spectra"), SPECTRUM, *SPECTRUM_SHORT)
    with Record.open(outcome.record) as record:
        points = record.points()
    first = points[points["ladder"] == points["ladder"].min()]
    drives = [float(one) for one in first["drive_set_dbm"]]
    return outcome, harmonic_truth(tap, times_of(first, VirtualClock().now()), drives)


def test_an_intercept_point_is_the_mean_of_its_repeats_and_the_truth_lies_in_its_uncertainty(tones: Seen) -> None:
    """What all repeats share stays whole; what one of them scatters by does not."""
    outcome, truth = tones
    found, walks = reported(outcome, TONES), of_each_repeat(outcome, TONES)
    for key in (("oip3", BACK_OFF), ("oip3_lower", BACK_OFF), ("oip3_above_p1db", BACK_OFF), ("im3_slope_upper", BACK_OFF)):
        alone = [walk[key] for walk in walks]
        assert found[key].value == pytest.approx(statistics.fmean(one.value for one in alone), abs=1e-9)
        assert found[key].found.startswith(f"mean of {REPEATS} repeats")
        assert abs(found[key].value - truth[key]) <= found[key].expanded_uncertainty
        assert found[key].note == ""
    lines = {line.name: line.amount for line in found["oip3", BACK_OFF].budget}
    first = {line.name: line.amount for line in max(alone_of(walks, "oip3"), key=lambda one: one.expanded_uncertainty).budget}
    path, scatter = "path from the device to the analyser, common to all lines", "scatter by noise at the product"
    assert lines[path] == pytest.approx(first[path])
    assert lines[scatter] == pytest.approx(first[scatter] / math.sqrt(REPEATS))
    # Two degrees of freedom: Student's t for 95.45 % is 4.53 (JCGM 100, table G.2), and k is 2.
    deviation = statistics.stdev(one.value for one in alone_of(walks, "oip3"))
    expected = 4.53 / 2 * deviation / math.sqrt(REPEATS)
    assert lines[f"{REPEATABILITY}, 2 degrees of freedom"] == pytest.approx(expected, rel=2e-3)


def alone_of(walks: list[Walk], parameter: str) -> list[Result]:
    return [walk[parameter, BACK_OFF] for walk in walks]


def test_the_worse_side_is_the_lower_of_both_means_and_a_check_is_its_worst(tones: Seen) -> None:
    """A mean of each repeat's lower side would mix the sides; a mean of checks would hide the one that failed."""
    outcome, _ = tones
    found, walks = reported(outcome, TONES), of_each_repeat(outcome, TONES)
    sides = [found[f"oip3_{side}", BACK_OFF] for side in ("lower", "upper")]
    worst = found["oip3_worst", BACK_OFF]
    assert worst.value == min(side.value for side in sides)
    assert worst.expanded_uncertainty in [side.expanded_uncertainty for side in sides]
    assert worst.found.startswith("the lower one; mean of 3 repeats")
    changes = [one.value for one in alone_of(walks, "im3_attenuator_change")]
    assert found["im3_attenuator_change", BACK_OFF].value == max(changes, key=abs)


def test_a_product_that_one_repeat_lacks_leaves_no_mean() -> None:
    """The fifth order is often read in one repeat and lost in the noise in the next: a mean of the rest would be a choice."""
    results = [_number("oip5", 30.0), replace(_number("oip5", math.nan), reason="1 of 8 points are left"), _number("oip5", 31.0)]
    (found,) = of_repeats(results, ("scatter",), 3)
    assert found.is_absent
    assert found.reason == "absent in 1 of 3 repeats: 1 of 8 points are left"


def test_harmonics_are_means_and_a_search_tells_the_worst_of_all_repeats(spectra: Seen) -> None:
    """Two repeats' strongest lines need not be one line: there is no mean of them."""
    outcome, truth = spectra
    found, walks = reported(outcome, "harmonics and spurious"), of_each_repeat(outcome, "harmonics and spurious")
    compared = 0
    for key, true in truth.items():
        if key in found:
            assert found[key].value == pytest.approx(statistics.fmean(walk[key].value for walk in walks), abs=1e-9)
            assert abs(found[key].value - true) <= found[key].expanded_uncertainty
            compared += 1
    assert compared == 4
    drive = next(qualifier for parameter, qualifier in found if parameter == "spurious_margin")
    margin, level, relative = (found[f"spurious_{name}", drive] for name in ("margin", "level", "relative"))
    margins, levels = ([walk[f"spurious_{name}", drive] for walk in walks] for name in ("margin", "level"))
    assert margin.value == min(one.value for one in margins)
    assert level.value == max(one.value for one in levels)
    strongest = next(walk for walk in walks if walk["spurious_level", drive].value == level.value)
    assert relative.value == strongest["spurious_relative", drive].value
    assert abs(level.value - truth["harmonic_2", drive]) <= level.expanded_uncertainty
    assert margin.convention == "smallest over the band searched, of all repeats"
    for place, one in enumerate(margins, 1):
        assert f"of repeat {place}" in margin.found or f"repeat {place}: {one.value:.2f} dB {one.found}" in margin.found


def test_a_line_of_a_search_counts_drive_and_noise_and_a_bound_does_not(spectra: Seen, tmp_path: Path) -> None:
    """Told for a drive, a harmonic is off by its slope times what the drive is off by; what is noise has no such slope."""
    outcome, _ = spectra
    found = reported(outcome, "harmonics and spurious")
    drive = next(qualifier for parameter, qualifier in found if parameter == "spurious_level")
    lines, of_harmonic = (
        {line.name: line for line in found[name, drive].budget} for name in ("spurious_level", "harmonic_2")
    )
    told = "level at the device's input"
    # The search's line is the second harmonic, and it stands far above the noise: budgets alike but for what was checked.
    assert lines[told].amount == pytest.approx(of_harmonic[told].amount, rel=1e-6)
    assert "scatter by noise at the line" in lines
    left_out = ("      leaves_out: carrier", "      leaves_out: carrier and harmonics")
    once = (f"    repeats: {REPEATS}\n", "    repeats: 1\n")
    changes = [*SPECTRUM_SHORT[:-2], *((old, new.replace(*once).replace(*left_out)) for old, new in SPECTRUM_SHORT[-2:])]
    quiet = reported(carried_out(tmp_path, SPECTRUM, *changes), "harmonics and spurious")
    margin = next(one for (parameter, _), one in quiet.items() if parameter == "spurious_margin")
    assert "a bound: it is noise" in margin.found
    assert not any("noise" in line.name or line.name == told for line in margin.budget)


def test_every_ladder_is_walked_again_and_time_and_rows_are_counted(spectra: Seen, tones: Seen) -> None:
    for outcome, _ in (spectra, tones):
        with Record.open(outcome.record) as record:
            sequence, bench = load_sequence_text(record.sequence_text, "sequence.yaml"), load_bench(FULL)
            plan = make_plan(sequence.file)
            points, ladders = record.points(), record.ladders()
            assert len(ladders) == plan.ladder_count
            assert len(points) == plan.point_count
            once = load_sequence_text(record.sequence_text.replace(f"repeats: {REPEATS}", "repeats: 1"), "sequence.yaml")
            for index, block in enumerate(sequence.file.measurements):
                for stream in block.streams:
                    rows = record.stream(stream.name)
                    own = rows[rows["measurement"] == index]
                    # What stands out and is looked at again is not foreseen.
                    foreseen = own[~own["line"].str.startswith("response")] if "line" in own else own
                    assert len(foreseen) == block.stream_rows(stream.name)
        *_, repeated, _ = estimate(plan, sequence.file, bench.file).stages
        *_, single, _ = estimate(make_plan(once.file), once.file, bench.file).stages
        assert repeated.time_s == pytest.approx(REPEATS * single.time_s)
        own = ladders[ladders["measurement"] == len(sequence.file.measurements) - 1]
        # Looked at again are lines above the mask alone, and two tones have none.
        if outcome is tones[0]:
            assert repeated.time_s == pytest.approx((own["end_s"] - own["start_s"]).sum(), rel=0.1)


def test_the_report_draws_every_repeat_and_one_mask(spectra: Seen, tmp_path: Path) -> None:
    page = Page(write_report([spectra[0].record], tmp_path / "page.html"))
    title = "Spectrum with mask"
    traces = page.traces(title, page.plot(title)["sets"][0]["name"])
    for repeat in range(1, REPEATS + 1):
        assert any(f"repeat {repeat}" in name for name in traces)
    assert sum("mask" in name for name in traces) == 1


def test_a_path_that_shifts_between_repeats_widens_the_uncertainty_and_is_noted(spectra: Seen, tmp_path: Path) -> None:
    """Nothing of one ladder shows it, and the mean hides it: the note stands in the record and on the report."""
    shift = ("path-shifts:spectrum_analyser@point 3",)
    outcome = carried_out(tmp_path, SPECTRUM, *SPECTRUM_SHORT, faults=shift)
    key = ("harmonic_2", "+4 dBm drive")
    moved, still = reported(outcome, "harmonics and spurious")[key], reported(spectra[0], "harmonics and spurious")[key]
    assert moved.expanded_uncertainty > 1.1 * still.expanded_uncertainty
    assert moved.note.startswith(f"{MOVED}: 0.4")
    assert still.note == ""
    page = Page(write_report([outcome.record], tmp_path / "page.html"))
    assert "Repeats lie further apart than they scatter" in page.section("Drift and return").text
    assert "0.4" in page.section("Drift and return").text


def _number(parameter: str, value: float, found: str = "", **more: str) -> Result:
    condition = ResultCondition(25.0, "A", 6.0, CENTRE_HZ)
    return Result(parameter, value, "dBm", "device output", condition, found=found, expanded_uncertainty=1.0, **more)


def _search(margin: float, level: float, where: str) -> OfSearch:
    line = _number("spurious_level", level, where, reason="none stands out of the noise" if math.isnan(level) else "")
    return OfSearch(
        _number("spurious_margin", margin, where, reason="the analyser's noise reads -40 dBm" if math.isnan(margin) else ""),
        line, replace(line, parameter="spurious_relative", value=level - 20.0),
    )  # fmt: skip


def test_a_line_that_came_once_is_told_with_those_that_did_not() -> None:
    """A line and its absence have no mean; and a search that could not see leaves no distance from the mask."""
    quiet, seen = _search(20.0, math.nan, "at 9 GHz"), _search(3.0, -33.0, "at 7 GHz")

    margin, level, relative = worst_of([quiet, seen, quiet], 3)

    assert (margin.value, level.value, relative.value) == (3.0, -33.0, -53.0)
    assert level.found == (
        "strongest of 3 repeats, of repeat 2; at 7 GHz; repeat 1: none stands out of the noise; "
        "repeat 3: none stands out of the noise"
    )
    margin, level, _ = worst_of([quiet, quiet], 3)
    assert margin.found.startswith("smallest of 2 of 3 repeats: the others were not finished")
    assert level.is_absent
    assert level.reason == "repeat 1: none stands out of the noise; repeat 2: none stands out of the noise"
    blind = worst_of([seen, _search(math.nan, math.nan, "")], 2)
    assert all(one.is_absent for one in blind)
    assert blind[0].reason == (
        "absent in 1 of 2 repeats: the analyser's noise reads -40 dBm; smallest distance from the mask in the others: "
        "3.00 dBm at 7 GHz"
    )


@pytest.mark.parametrize(("shipped", "name"), [(TWO_TONE, "two tones"), (SPECTRUM, "harmonics and spurious")])
def test_nonsense_is_told_with_its_line(shipped: Path, name: str, tmp_path: Path) -> None:
    path = changed(shipped, tmp_path, (f"    name: {name}\n", f"    name: {name}\n    repeats: 0\n"))
    with pytest.raises(FileError, match=r"repeats: .*1"):
        load_sequence(path)
