"""Geometry, statistics and small tools for noisy samples; none of them knows of clips."""
