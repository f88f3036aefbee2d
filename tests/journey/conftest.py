"""A record of its own for each journey."""

from cli.conftest import own_folder

__all__ = ["own_folder"]
