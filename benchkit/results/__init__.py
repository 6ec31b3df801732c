"""
Results: pure functions from readings to reported numbers. No I/O, no clock.

absent, curve and regression at the bottom; compression, saturation, efficiency, detector and intercept on them; uncertainty,
and propagation, which knows what each result depends on; distributions, correlated and montecarlo for what is correlated,
bent or not normal. Two-ports: network, matching, band; calibration with solt, trl and deembedding (whose `apply` is not
repeated here: `calibration.apply`). verdict, spread, agreement and population judge and gather. result and figure are what
a kind of measurement hands on.

A number that cannot be had is an `Absent` with its reason; a call that cannot be right is a ValueError.
"""

from benchkit.results.absent import Absent
from benchkit.results.agreement import Agreement, AgreementTable, Hint, agreement, agreement_table
from benchkit.results.band import Flatness, GroupDelay, WorstCase, gain_flatness, gain_slope, group_delay, worst_in_band
from benchkit.results.budget_check import BudgetCheck, check_budget
from benchkit.results.calibration import ERROR_TERMS, Calibration, CalibrationKind, check_age, check_band
from benchkit.results.capability import Capability, ChannelMatch, capability, channel_match, mean_range_factor
from benchkit.results.compression import (
    CompressionPoint,
    Reference,
    compression_point,
    gain_compression_db,
    gain_expansion_db,
    reference_convention,
)
from benchkit.results.correlated import CorrelatedBudget, LinearPropagation, propagate_linear
from benchkit.results.curve import at_input, input_at_output
from benchkit.results.deembedding import DummyMethod, Halves, cascade, deembed, remove_dummies, split_two_x_thru, turn_round
from benchkit.results.detector import DetectorError, DetectorLaw, Refused, detector_temperature_error, fit_detector_law
from benchkit.results.distributions import Distribution, Normal, Rectangular, StudentT, Triangular, UShaped
from benchkit.results.efficiency import (
    EfficiencyPoint,
    dc_power_w,
    drain_efficiency_percent,
    efficiency_at_input,
    efficiency_at_output,
    efficiency_in_back_off,
    pae_percent,
)
from benchkit.results.en_number import en_number, zeta_score
from benchkit.results.figure import Axis, Figure, Trace
from benchkit.results.intercept import (
    InterceptPoint,
    ProductOrder,
    cascaded_intercept_dbm,
    intercept_distance_db,
    intercept_point,
)
from benchkit.results.intercept_fit import InterceptFit, ProductSlopes, fit_intercept, product_slopes
from benchkit.results.line_band import LineBand, line_band
from benchkit.results.matching import (
    Mismatch,
    MismatchConvention,
    gamma_from_return_loss,
    gamma_from_vswr,
    mismatch,
    mismatch_loss_db,
    return_loss_db,
    vswr,
)
from benchkit.results.montecarlo import MonteCarlo, propagate
from benchkit.results.network import (
    Gains,
    MaximumGain,
    Stability,
    gains,
    is_passive,
    is_reciprocal,
    largest_singular_value,
    maximum_gain,
    reciprocity_error,
    stability,
)
from benchkit.results.network_budget import NetworkErrors, figure_budgets, magnitude_budget_db
from benchkit.results.own_products import AttenuatorStep, attenuator_step
from benchkit.results.population import ToleranceInterval, ToleranceSide, tolerance_factor, tolerance_interval
from benchkit.results.propagation import (
    drain_efficiency_budget,
    gain_budget,
    input_compression_budget,
    output_compression_budget,
    pae_budget,
)
from benchkit.results.regression import LineFit, fit_line
from benchkit.results.result import PARAMETERS, Parameter, Result, ResultCondition
from benchkit.results.saturation import SaturatedPower, saturated_power
from benchkit.results.solt import solt
from benchkit.results.spread import Located, Spread, SpreadKey, spread
from benchkit.results.standards import Residual, Standard, residuals
from benchkit.results.trl import trl
from benchkit.results.uncertainty import (
    COVERAGE_FACTOR,
    Budget,
    Contribution,
    Repeated,
    relative_from_db,
    repeated,
    root_sum_of_squares,
    standard_from_expanded,
    standard_from_rectangular,
    standard_from_triangular,
    standard_from_u_shaped,
)
from benchkit.results.verdict import DecisionRule, Outcome, Verdict, judge

__all__ = [
    "COVERAGE_FACTOR",
    "ERROR_TERMS",
    "PARAMETERS",
    "Absent",
    "Agreement",
    "AgreementTable",
    "AttenuatorStep",
    "Axis",
    "Budget",
    "BudgetCheck",
    "Calibration",
    "CalibrationKind",
    "Capability",
    "ChannelMatch",
    "CompressionPoint",
    "Contribution",
    "CorrelatedBudget",
    "DecisionRule",
    "DetectorError",
    "DetectorLaw",
    "Distribution",
    "DummyMethod",
    "EfficiencyPoint",
    "Figure",
    "Flatness",
    "Gains",
    "GroupDelay",
    "Halves",
    "Hint",
    "InterceptFit",
    "InterceptPoint",
    "LineBand",
    "LineFit",
    "LinearPropagation",
    "Located",
    "MaximumGain",
    "Mismatch",
    "MismatchConvention",
    "MonteCarlo",
    "NetworkErrors",
    "Normal",
    "Outcome",
    "Parameter",
    "ProductOrder",
    "ProductSlopes",
    "Rectangular",
    "Reference",
    "Refused",
    "Repeated",
    "Residual",
    "Result",
    "ResultCondition",
    "SaturatedPower",
    "Spread",
    "SpreadKey",
    "Stability",
    "Standard",
    "StudentT",
    "ToleranceInterval",
    "ToleranceSide",
    "Trace",
    "Triangular",
    "UShaped",
    "Verdict",
    "WorstCase",
    "agreement",
    "agreement_table",
    "at_input",
    "attenuator_step",
    "capability",
    "cascade",
    "cascaded_intercept_dbm",
    "channel_match",
    "check_age",
    "check_band",
    "check_budget",
    "compression_point",
    "dc_power_w",
    "deembed",
    "detector_temperature_error",
    "drain_efficiency_budget",
    "drain_efficiency_percent",
    "efficiency_at_input",
    "efficiency_at_output",
    "efficiency_in_back_off",
    "en_number",
    "figure_budgets",
    "fit_detector_law",
    "fit_intercept",
    "fit_line",
    "gain_budget",
    "gain_compression_db",
    "gain_expansion_db",
    "gain_flatness",
    "gain_slope",
    "gains",
    "gamma_from_return_loss",
    "gamma_from_vswr",
    "group_delay",
    "input_at_output",
    "input_compression_budget",
    "intercept_distance_db",
    "intercept_point",
    "is_passive",
    "is_reciprocal",
    "judge",
    "largest_singular_value",
    "line_band",
    "magnitude_budget_db",
    "maximum_gain",
    "mean_range_factor",
    "mismatch",
    "mismatch_loss_db",
    "output_compression_budget",
    "pae_budget",
    "pae_percent",
    "product_slopes",
    "propagate",
    "propagate_linear",
    "reciprocity_error",
    "reference_convention",
    "relative_from_db",
    "remove_dummies",
    "repeated",
    "residuals",
    "return_loss_db",
    "root_sum_of_squares",
    "saturated_power",
    "solt",
    "split_two_x_thru",
    "spread",
    "stability",
    "standard_from_expanded",
    "standard_from_rectangular",
    "standard_from_triangular",
    "standard_from_u_shaped",
    "tolerance_factor",
    "tolerance_interval",
    "trl",
    "turn_round",
    "vswr",
    "worst_in_band",
    "zeta_score",
]
