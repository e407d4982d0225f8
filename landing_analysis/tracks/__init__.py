"""Landmarks -> tracks: cleaned, with the picture's scale and its vertical."""
