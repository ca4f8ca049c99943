"""Input that is broken or meant to do harm: refused in one clear line or analysed with a finding, and nothing lost."""
