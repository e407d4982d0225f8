"""Tracks -> contacts: initial contact and toe-off of each foot, and the flights between."""
