"""The streaming pass: cross-spectral sums of one capture."""
