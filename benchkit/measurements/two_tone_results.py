"""
What a two-tone ladder comes to: output intercept points, slopes of the products, distance from P1dB, and whose products they are.

The uncertainty of OIPn = Pf + (Pf - Pn) / (n - 1): what all lines share (path, analyser's level) counts once, for it cancels in
the difference; what a product alone is wrong by counts 1 / (n - 1).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchkit.measurements.grouping import condition_of, each_ladder
from benchkit.measurements.level_parts import WORST_SHAPE, mismatch_lines
from benchkit.measurements.tone_rows import LineLadder, line_ladder
from benchkit.measurements.two_tone_repeats import of_repeats
from benchkit.results.absent import Absent
from benchkit.results.intercept import ProductOrder
from benchkit.results.intercept_fit import InterceptFit, ProductSlopes, fit_intercept, product_slopes
from benchkit.results.own_products import attenuator_step
from benchkit.results.result import Parameter, Result, ResultCondition
from benchkit.results.uncertainty import Budget, Contribution, standard_from_u_shaped

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["PARAMETERS", "ToneConventions", "noise_error_db", "two_tone_results"]

_OUT = "device output"


def _of_order(order: int) -> tuple[Parameter, ...]:
    ordinal = {3: "third", 5: "fifth"}[order]
    return (
        Parameter(f"oip{order}", f"Output {ordinal}-order intercept point", "dBm", _OUT),
        Parameter(f"oip{order}_lower", f"Output {ordinal}-order intercept point, lower product", "dBm", _OUT),
        Parameter(f"oip{order}_upper", f"Output {ordinal}-order intercept point, upper product", "dBm", _OUT),
        Parameter(f"oip{order}_worst", f"Output {ordinal}-order intercept point, worse side", "dBm", _OUT),
        Parameter(f"im{order}_slope_lower", f"Slope of the lower {ordinal}-order product against drive", "1", _OUT),
        Parameter(f"im{order}_slope_upper", f"Slope of the upper {ordinal}-order product against drive", "1", _OUT),
        Parameter(f"im{order}_attenuator_change", f"Change of {ordinal}-order products by the attenuator step", "dB", _OUT),
    )


PARAMETERS = (*_of_order(3), *_of_order(5), Parameter("oip3_above_p1db", "OIP3 above P1dB", "dB", _OUT))
NOT_COMPARED = "a check, not a measurement: held against the tolerance stated"
SIDES = ("lower", "upper")
# Contributions that are another from repeat to repeat.
RANDOM = ("scatter",)


@dataclass(frozen=True)
class ToneConventions:
    """From the measurement's YAML block. `names_spacing`: results tell their spacing."""

    orders: tuple[ProductOrder, ...]
    attenuation_db: float
    check_step_db: float | None
    back_offs_db: tuple[float, ...]
    back_off_from_dbm: float | None
    slope_tolerance: float
    noise_margin_db: float
    check_tolerance_db: float
    names_spacing: bool
    repeats: int = 1


def noise_error_db(above_noise_db: float) -> tuple[float, float]:
    """How much a line reads too high by the noise below it, on average, and by how much one reading scatters (1 sigma). [dB]"""
    ratio = 10 ** (-above_noise_db / 10)
    return 10 * math.log10(1 + ratio), 20 / math.log(10) * math.sqrt(ratio / 2)


def two_tone_results(
    points: pd.DataFrame, lines: pd.DataFrame, others: Sequence[Result], conventions: ToneConventions, title: str
) -> list[Result]:
    """
    Results of finished ladders, those of repeats together.

    Args:
        points: Of this measurement.
        lines: Its rows of the stream "tones".
        others: What other measurements came to; P1dB is taken from them.
    """
    results: list[Result] = []
    by_ladder = dict(iter(lines.groupby("ladder")))
    for rows in each_ladder(points):
        ladder = int(rows["ladder"].to_numpy()[0])
        own = by_ladder.get(ladder)
        if own is None:
            continue
        read = line_ladder(own, conventions.attenuation_db)
        if read is None:
            continue
        step_db = conventions.check_step_db
        again = None if step_db is None else line_ladder(own, conventions.attenuation_db + step_db)
        condition = condition_of(rows)
        p1db = _p1db(others, condition)
        differences_db = rows["u_source_linearity_db"].to_numpy(dtype=float) if "u_source_linearity_db" in rows else np.array([])
        # A record from before that does not know it.
        u_difference_db = float(np.nanmax(differences_db)) if np.isfinite(differences_db).any() else 0.0
        for back_off_db in conventions.back_offs_db:
            qualifier = f"{back_off_db:g} dB back-off"
            if conventions.names_spacing:
                qualifier += f", {read.spacing_hz / 1e6:.6g} MHz spacing"
            for order in conventions.orders:
                summed = _Order(
                    order, read, again, p1db, back_off_db, conventions, condition, qualifier, title, u_difference_db
                )
                results.extend(summed.results())
    return of_repeats(results, RANDOM, conventions.repeats)


def _p1db(others: Sequence[Result], condition: ResultCondition) -> Result | Absent:
    found = [one for one in others if one.parameter == "p1db" and _same(one.condition, condition)]
    present = [one for one in found if not one.is_absent]
    if present:
        return present[-1]
    if found:
        return Absent(f"P1dB at this condition and frequency is absent itself: {found[-1].reason}")
    hz = condition.frequency_hz or math.nan
    return Absent(f"this record has no P1dB at this condition and {hz / 1e9:.9g} GHz; measure compression there")


def _same(one: ResultCondition, other: ResultCondition) -> bool:
    return (
        (one.temperature_degc, one.channel, one.supply_voltage_v)
        == (other.temperature_degc, other.channel, other.supply_voltage_v)
        and one.frequency_hz is not None
        and other.frequency_hz is not None
        and math.isclose(one.frequency_hz, other.frequency_hz, rel_tol=1e-12)
    )


@dataclass
class _Order:
    """Products of one order of one ladder, at one back-off."""

    order: ProductOrder
    read: LineLadder
    again: LineLadder | None
    p1db: Result | Absent
    back_off_db: float
    conventions: ToneConventions
    condition: ResultCondition
    qualifier: str
    title: str
    u_difference_db: float
    own_bound_db: float = field(default=math.nan, init=False)

    def results(self) -> list[Result]:
        n, conventions = self.order, self.conventions
        reference = conventions.back_off_from_dbm
        if reference is None:
            if isinstance(self.p1db, Absent):
                why = Absent(f"back-off is counted from P1dB, and {self.p1db.reason}; or state report: back_off_from")
                return self._all_absent(why)
            reference = self.p1db.value
        noise = self.read.noise_dbm
        if not np.isfinite(noise).all():
            return self._all_absent(Absent("noise at the products is neither stated (noise_floor in the bench file) nor read"))
        lower, upper = (self.read.levels_dbm[f"{side} IM{n}"] for side in SIDES)
        columns = (
            self.read.drive_dbm, self.read.levels_dbm["lower tone"], self.read.levels_dbm["upper tone"], lower, upper
        )  # fmt: skip
        slopes = product_slopes(
            *columns, order=n, p1db_dbm=reference, back_off_db=self.back_off_db, noise_dbm=noise,
            noise_margin_db=conventions.noise_margin_db,
        )  # fmt: skip
        if isinstance(slopes, Absent):
            return self._all_absent(slopes)
        results = [
            self._number(
                f"im{n}_slope_{side}", slope,
                None if math.isnan(error) else self._slope_budget(slopes, error, side),
                f"least squares over the points in back-off and above the noise; {n} where an intercept point means anything",
                f"{len(slopes.places)} points",
            )
            for side, slope, error in (
                ("lower", slopes.lower, slopes.lower_standard_error), ("upper", slopes.upper, slopes.upper_standard_error)
            )
        ]  # fmt: skip
        fit = fit_intercept(
            *columns, order=n, p1db_dbm=reference, back_off_db=self.back_off_db, noise_dbm=noise,
            noise_margin_db=conventions.noise_margin_db, slope_tolerance=conventions.slope_tolerance,
        )  # fmt: skip
        checked, told = self._check(slopes)
        results.append(told)
        if checked is not None and not isinstance(fit, Absent):
            fit = checked
        return [*self._intercepts(fit, slopes), *results]

    # ------------------------------------------------------------------ the analyser's own

    def _check(self, slopes: ProductSlopes) -> tuple[Absent | None, Result]:
        """The attenuator step at every point used. What is not the device's own makes the number absent."""
        n, step_db = self.order, self.conventions.check_step_db
        name = f"im{n}_attenuator_change"
        if step_db is None or self.again is None:
            return None, self._absent(
                name, Absent("no attenuator step was made (check_step): whose products they are is not checked")
            )
        worst_db, worst_reason, judged, unclean = 0.0, "", 0, 0
        unclean_db, why_not = 0.0, ""
        tolerance_db = self.conventions.check_tolerance_db
        for place in slopes.places:
            for side in SIDES:
                product, with_more = self.read.levels_dbm[f"{side} IM{n}"][place], self.again.levels_dbm[f"{side} IM{n}"][place]
                above_db = [product - self.read.noise_dbm[place], with_more - self.again.noise_dbm[place]]
                if not above_db[1] >= self.conventions.noise_margin_db:
                    continue  # with more attenuation noise hides it: no judgement there
                # The tones tell what the attenuator itself is off by.
                off_db = (
                    sum(self.again.levels_dbm[f"{one} tone"][place] - self.read.levels_dbm[f"{one} tone"][place] for one in SIDES)
                    / 2
                )
                bias_db, scatter_db = (np.array([noise_error_db(one) for one in above_db])).max(axis=0)
                allowed_db = tolerance_db + float(bias_db) + 3 * float(scatter_db)
                if allowed_db >= (n - 1) * step_db:
                    continue
                step = attenuator_step(product, with_more - off_db, step_db, tolerance_db=allowed_db, order=n)
                judged += 1
                unclean += not step.is_clean
                told_of = f"{side} {step.reason} (drive {self.read.drive_dbm[place]:+.4g} dBm)"
                if not worst_reason or abs(step.change_db) > abs(worst_db):
                    worst_db, worst_reason = step.change_db, told_of
                if not step.is_clean and (not why_not or abs(step.change_db) > abs(unclean_db)):
                    unclean_db, why_not = step.change_db, told_of
        if not judged:
            why = Absent(
                f"with {step_db:g} dB more attenuation no product stands {self.conventions.noise_margin_db:g} dB above the "
                "noise: whose they are is not checked; narrow the bandwidth, or step by less"
            )
            return None, self._absent(name, why)
        # A product that changes by no more than the tolerance is the analyser's own to no more than this.
        self.own_bound_db = tolerance_db / (1 - 10 ** (-(n - 1) * step_db / 20))
        told = f"of {judged} judged: {worst_reason}"
        result = self._number(name, worst_db, None, "largest of both sides and all points", told, reason=NOT_COMPARED)
        if unclean:
            return Absent(
                f"OIP{n}: {why_not}; {unclean} of {judged} products are not the device's own: more attenuation, or less drive"
            ), result
        return None, result

    def _own_db(self, slopes: ProductSlopes) -> float:
        """Half width of what the analyser's own product may add to the device's or take from it; NaN: not known. [dB]"""
        places = list(slopes.places)
        own = self.read.own_dbm[places]
        if self.order == 3 and np.isfinite(own).all():
            products = np.minimum(*(self.read.levels_dbm[f"{side} IM3"][places] for side in SIDES))
            return float(np.max(20 * np.log10(1 + 10 ** ((own - products) / 20))))
        return self.own_bound_db

    # ------------------------------------------------------------------ intercept points

    def _intercepts(self, fit: InterceptFit | Absent, slopes: ProductSlopes) -> Iterator[Result]:
        n = self.order
        names = [f"oip{n}", *(f"oip{n}_{side}" for side in SIDES), f"oip{n}_worst"]
        if isinstance(fit, Absent):
            yield from (self._absent(name, fit) for name in names)
            if n == 3:
                yield self._absent("oip3_above_p1db", fit)
            return
        mean = fit.intercept_dbm
        values = {
            "": [point.intercept_dbm for point in fit.points],
            "lower": [point.lower_dbm for point in fit.points],
            "upper": [point.upper_dbm for point in fit.points],
        }
        means = {side: math.fsum(many) / len(many) for side, many in values.items()}
        worst = min(SIDES, key=lambda side: means[side])
        count = f"{len(fit.points)} points"
        yield self._number(names[0], mean, self._budget(slopes, values[""]), fit.convention, count)
        for side in SIDES:
            said = f"{side} product alone, unequal tones corrected; mean of the points in back-off"
            yield self._number(f"oip{n}_{side}", means[side], self._budget(slopes, values[side]), said, count)
        said = "the lower of both sides; mean of the points in back-off"
        yield self._number(names[3], means[worst], self._budget(slopes, values[worst]), said, f"the {worst} one; {count}")
        if n == 3:
            yield self._above(mean, self._budget(slopes, values[""]))

    def _above(self, oip3_dbm: float, budget: Budget | None) -> Result:
        name = "oip3_above_p1db"
        if isinstance(self.p1db, Absent):
            return self._absent(name, self.p1db)
        u_p1db = self.p1db.expanded_uncertainty / 2
        whole = None
        if budget is not None and math.isfinite(u_p1db):
            whole = Budget([*budget.contributions, Contribution("P1dB", u_p1db, -1.0)])
        return self._number(
            name, oip3_dbm - self.p1db.value, whole,
            f"OIP3 (mean of both sides) less P1dB of {self.p1db.measurement}; the two by different instruments and paths, taken "
            "as independent", "",
        )  # fmt: skip

    def _slope_budget(self, slopes: ProductSlopes, error: float, side: str) -> Budget:
        """What is off by the same all along the ladder turns no line; what differs from level to level does."""
        read, places = self.read, list(slopes.places)
        drive = read.drive_dbm[places]
        span_db = float(drive[-1] - drive[0])
        lowest = places[0]
        bias_db, _ = noise_error_db(float(read.levels_dbm[f"{side} IM{self.order}"][lowest] - read.noise_dbm[lowest]))
        lines = [
            Contribution("scatter about the line", error, 1.0, max(1, len(places) - 2)),
            Contribution("analyser, difference of two levels", read.u_relative_db, WORST_SHAPE / span_db),
            # Both sources alike, for they may be of one make: a product rises by its order for each dB of both.
            Contribution("sources, difference of two levels", self.u_difference_db, WORST_SHAPE * self.order / span_db),
            # Not corrected for, always upwards, and of the size it is: counted in full (JCGM 100, F.2.4.5). A lift of the last
            # of n points turns the line by at most its own amount over the span (n = 3; less for more).
            Contribution("noise at the lowest product", bias_db, 1.0 / span_db),
        ]
        return Budget([line for line in lines if line.amount > 0] or lines[:1])

    def _budget(self, slopes: ProductSlopes, values: Sequence[float]) -> Budget | None:
        read, places, part = self.read, list(slopes.places), 1.0 / (self.order - 1)
        own_db = self._own_db(slopes)
        if math.isnan(own_db):
            return None
        products = np.minimum(*(read.levels_dbm[f"{side} IM{self.order}"][places] for side in SIDES))
        errors: NDArray[np.float64] = np.array([noise_error_db(float(one)) for one in products - read.noise_dbm[places]])
        scatter_db = math.sqrt(float(np.mean(errors[:, 1] ** 2)) / len(places))
        return Budget(
            [
                Contribution("path from the device to the analyser, common to all lines", read.u_path_db),
                Contribution("analyser's level, common to all lines", read.u_analyser_db, distribution="rectangular"),
                *mismatch_lines(read.u_mismatch_db, ", common to all lines"),
                Contribution("analyser, difference of tone and product", read.u_relative_db, part),
                Contribution("analyser's own product", standard_from_u_shaped(own_db), part),
                # Noise lifts every product, in every repeat: that does not average out; its scatter does.
                Contribution("noise at the product", float(errors[:, 0].mean()) / math.sqrt(3), part),
                Contribution("scatter by noise at the product", scatter_db, part),
                Contribution("spread over the points", (max(values) - min(values)) / 2 / math.sqrt(3)),
            ]
        )

    # ------------------------------------------------------------------ rows

    def _number(
        self, name: str, value: float, budget: Budget | None, convention: str, found: str, *, reason: str = ""
    ) -> Result:
        parameter = _BY_NAME[name]
        convention = f"{convention}; tones {self.read.spacing_hz / 1e6:.6g} MHz apart"
        if budget is None and not reason:
            reason = (
                "what the analyser adds of its own is neither stated (intercept in the bench file) nor checked (check_step)"
                if name.startswith("oip")
                else "too few points for a scatter"
            )
        return Result(
            name, value, parameter.unit, parameter.plane, self.condition, self.qualifier,
            math.nan if budget is None else budget.expanded, uncertainty_reason=reason, convention=convention,
            found=found, measurement=self.title, budget=() if budget is None else budget.contributions,
        )  # fmt: skip

    def _absent(self, name: str, why: Absent) -> Result:
        parameter = _BY_NAME[name]
        return Result(
            name, math.nan, parameter.unit, parameter.plane, self.condition, self.qualifier, reason=why.reason,
            uncertainty_reason="no value", measurement=self.title,
        )  # fmt: skip

    def _all_absent(self, why: Absent) -> list[Result]:
        n = self.order
        names = [one.name for one in _of_order(n)] + (["oip3_above_p1db"] if n == 3 else [])
        return [self._absent(name, why) for name in names]


_BY_NAME = {parameter.name: parameter for parameter in PARAMETERS}
