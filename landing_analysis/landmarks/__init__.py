"""Frames -> landmarks: the pose engine, who the patient is, from where they are seen."""
