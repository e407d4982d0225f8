"""Contacts -> reps: flights with their landings, counted as a person counts."""
