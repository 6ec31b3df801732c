"""A sequence on a bench as an ordered, countable walk, with its time estimate. Pure."""

from benchkit.plan.estimate import Estimate, StageEstimate, estimate
from benchkit.plan.pace import NO_PACE, Pace
from benchkit.plan.plan import Condition, Plan, Step, make_plan, visits_of

__all__ = ["NO_PACE", "Condition", "Estimate", "Pace", "Plan", "StageEstimate", "Step", "estimate", "make_plan", "visits_of"]
