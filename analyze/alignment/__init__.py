"""Outputs together: sums, the score, the search, decisions and how they stand up."""
