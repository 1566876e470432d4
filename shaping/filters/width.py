"""Width of a filter: Q, octaves, and what different equalisers mean by Q."""

from __future__ import annotations

from enum import StrEnum


class QConvention(StrEnum):
    """What an equaliser means by the Q of a peaking filter."""

    COOKBOOK = "cookbook"
    THREE_DB_FROM_FLAT = "3db-from-flat"
    THREE_DB_FROM_BOTTOM = "3db-from-bottom"
    POLE = "pole"
