"""The package's named errors, one sentence each.

Every message says what was found and what to do about it, because the
command line prints it as it stands.
"""

from __future__ import annotations


class LandingAnalysisError(Exception):
    """Base of every error that the package raises on purpose."""


class ClipError(LandingAnalysisError):
    """A clip cannot be read as video."""


class MissingClipError(ClipError):
    """The named clip or folder does not exist."""


class IncompleteClipError(ClipError):
    """The file ends before its video does, as when a copy was cut short."""


class NoVideoError(ClipError):
    """The file holds no moving picture."""


class OrientationError(ClipError):
    """The clip's display matrix is not a plain turn or mirroring."""


class NobodyFoundError(LandingAnalysisError):
    """The pose model found no person in the clip."""


class ModelError(LandingAnalysisError):
    """The pose model bundle is missing, damaged or refused by the engine."""


class CacheError(LandingAnalysisError):
    """A stored landmark table cannot be used."""


class DocumentError(LandingAnalysisError):
    """A stored analysis cannot be read, or does not hold what is asked of it."""


class SettingsError(LandingAnalysisError):
    """A setting, an option or a limits file holds a value that makes no sense."""


class OutputError(LandingAnalysisError):
    """The output folder cannot be written."""


class TableError(LandingAnalysisError):
    """A stage was handed a table whose parts do not fit together."""


class PatientError(LandingAnalysisError):
    """A patient's code or data cannot be taken as given."""


class SessionError(LandingAnalysisError):
    """A visit's plan, state or tick cannot be taken as given."""


class CorrectionError(LandingAnalysisError):
    """What a person sets about a clip makes no sense, or the clip is not known."""


class RecordError(LandingAnalysisError):
    """The record cannot be opened, read or written."""


class RecordVersionError(RecordError):
    """The record was written by a newer version of the program."""


class DamagedRecordError(RecordError):
    """The record's file is damaged."""


class InterruptedAnalysisError(LandingAnalysisError):
    """An analysis ended without a result for a reason that may not lie in the clip."""
