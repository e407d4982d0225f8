"""Analysed clips held against the truth they were rendered from."""
