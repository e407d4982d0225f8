from landing_analysis.library import (
    ClipAnalysis,
    LandingAnalysisError,
    analyse,
    read_analysis,
    write_report,
)

__version__: str
__all__ = ["ClipAnalysis", "LandingAnalysisError", "analyse", "read_analysis", "write_report"]
