"""A whole campaign: proof, bench, engine, record, results, and make safe at every exit. What the command line calls."""

from benchkit.campaign.run import CampaignOutcome, rehearse, run
from benchkit.campaign.summary import judge_results, summarise

__all__ = ["CampaignOutcome", "judge_results", "rehearse", "run", "summarise"]
