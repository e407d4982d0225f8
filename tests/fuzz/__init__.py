"""Seeded damage done to small clips: every one must end in frames or in one sentence."""
