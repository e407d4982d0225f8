"""Per-rep measures of landings from one phone clip."""

__version__ = "0.1.0"
