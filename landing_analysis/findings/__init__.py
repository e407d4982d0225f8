"""Measures -> findings: each value against a cited limit, and what the clip costs it."""
