"""Reports kept for years: as records that can be verified and that a stranger's software reads."""
