"""
benchkit: automated bench characterisation of microwave power amplifiers.

How the rooms stack; each imports only from those before it (DEVELOPERS.md draws the same list, `.ci/run` checks it):

errors, quantities, clock, files, scpi, link, roles, bench, testing, results, measurements, sequence, envelope, plan,
record, engine, campaign, report, cli
"""

__version__ = "0.1.0"
