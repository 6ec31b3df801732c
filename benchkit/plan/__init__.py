"""A sequence on a bench as an ordered, countable walk, with its time estimate. Pure."""

from benchkit.plan.estimate import Estimate, StageEstimate, estimate
from benchkit.plan.plan import Condition, Plan, Step, make_plan

__all__ = ["Condition", "Estimate", "Plan", "StageEstimate", "Step", "estimate", "make_plan"]
