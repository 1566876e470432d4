"""Errors that a person can act on.

::

    ShapingError (also a ValueError)
    ├── ParameterError    a value outside its range
    ├── CaptureError      a recording that cannot be read, or that cannot answer the question
    ├── LimitsError       equaliser limits that make no sense
    ├── PlanError         a plan file that cannot be used
    ├── StageError        a stage file that cannot be used, or a change that fits no stage
    ├── FeedsError        a packs file or a last good state that cannot be used
    ├── DeviceError       a sound device that is not there, or that cannot do what is asked
    └── OutputError       a result that cannot be written

Every message says what is wrong, where, and what to do next. The command line prints the
message alone and exits with 2.
"""

from __future__ import annotations


class ShapingError(ValueError):
    """Root of every error this package raises on purpose."""


class ParameterError(ShapingError):
    """A value outside its allowed range."""


class CaptureError(ShapingError):
    """A recording that cannot be read, or that cannot answer the question."""


class LimitsError(ShapingError):
    """Equaliser limits that cannot be read or make no sense."""


class PlanError(ShapingError):
    """A plan file that cannot be read or used."""


class StageError(ShapingError):
    """A stage file that cannot be read or used, or a change to it that makes no sense."""


class FeedsError(ShapingError):
    """A packs file or a last good state that cannot be read or used."""


class DeviceError(ShapingError):
    """A sound device that is not there, or that cannot do what is asked of it."""


class OutputError(ShapingError):
    """A result that cannot be written."""
