"""Whether a clip's time can be trusted: gaps, repeated frames, slow motion."""
