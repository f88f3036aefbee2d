"""The refusals a screen may have to show, for those who may import only the workbench."""

from loopmend.errors import ConflictError, Finding, LoopmendError

__all__ = ["ConflictError", "Finding", "LoopmendError"]
