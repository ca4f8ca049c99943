"""Single outputs: responses with their error, arrival, sign, bands."""
