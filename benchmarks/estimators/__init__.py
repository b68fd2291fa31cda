"""How right the findings are: seeded trials against known truths.

`python -m benchmarks estimators` prints the figures. What is drawn, and from what
ranges, stands in ``ranges.toml``, which was fixed before anything was tuned on it.
"""
