"""What lasts: records that can be verified, visits compared, settings verified."""
