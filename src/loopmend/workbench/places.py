"""Where the screens and the sample lie: beside a checkout, or inside an installed package."""

from __future__ import annotations

from pathlib import Path

import loopmend
from loopmend.errors import DataError

_PACKAGE = Path(loopmend.__file__).resolve().parent


def screens_folder() -> Path:
    """Find the folder of the screens.

    Raises
    ------
    DataError
        If it is neither beside the checkout nor in the package.
    """
    return _find("app", "_app", "app.py")


def sample_folder() -> Path:
    """Find the folder of the sample data; DataError if it is not there."""
    return _find("sample_data", "_sample_data", "case.json")


def _find(in_checkout: str, in_package: str, mark: str) -> Path:
    for folder in (_PACKAGE.parents[1] / in_checkout, _PACKAGE / in_package):
        if (folder / mark).exists():
            return folder
    raise DataError.about(in_checkout, "installation", "folder is missing", mark, "install the package again")
