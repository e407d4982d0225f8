"""Per-rep measures of landings from one phone clip.

For Python programs and notebooks `landing_analysis.library` is the front door; its functions are
here too, and nothing is loaded before one of them is asked for. ``__init__.pyi`` types them.
"""

__version__ = "0.1.0"
__all__ = ["ClipAnalysis", "LandingAnalysisError", "analyse", "read_analysis", "write_report"]


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module("landing_analysis.library"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
