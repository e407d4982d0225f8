"""Clips of invented patients whose truth is known: motion, drawing and truth files."""
