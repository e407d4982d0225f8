"""Reps -> measures: one long table of values with their uncertainties."""
