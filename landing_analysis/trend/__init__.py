"""Visits -> trend: limb against limb, which change is real, whom to look at first."""
