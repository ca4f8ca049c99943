"""Tests, their helpers, and the trials (`python -m tests.trials`)."""
