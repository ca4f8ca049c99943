"""What lasts: reports opened again, visits compared, settings verified."""
