"""Simulated sound checks with known truth, scored: `python -m tests.trials --help`."""
