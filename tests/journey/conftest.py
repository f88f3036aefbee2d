"""A record of its own for each journey; whether its commands share a desk is for the journey to say."""

from cli.conftest import one_desk, own_folder

__all__ = ["one_desk", "own_folder"]
