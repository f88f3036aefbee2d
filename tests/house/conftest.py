"""A record of its own for each test that runs a command."""

from cli.conftest import one_desk, own_folder

__all__ = ["one_desk", "own_folder"]
